"""`curewatch backtest`: what the forecasts are worth, measured on records whose end is known."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.commands.backtest import learning

backtest = typer.Typer(help="Measure the forecasts on recorded rooms.", no_args_is_help=True, rich_markup_mode=None)

Files = Annotated[
    list[str], typer.Argument(metavar="FILE.csv…", help="Records of rooms: time_utc,temp_c,rh_pct; 18 days or more.")
]
Sarimax = Annotated[
    bool, typer.Option("--sarimax", help="Beside statsmodels' SARIMAX too: two seconds a fit, an hour a record.")
]
SPARSEST = 50
Every = Annotated[
    str,
    typer.Option("--every", metavar="N", help="Only from one in N moments: quicker, less sure."),
]


@backtest.command("outlook", short_help="The outlook of a room's air beside simple forecasts.")
def outlook(files: Files, sarimax: Sarimax = False, every: Every = "1", as_json: options.AsJson = False) -> None:
    """How far off the outlook was on recorded rooms, 1 to 48 hours ahead, beside simple forecasts.

    Also how much of what came lay in its 10-90 % band: 80 % is right.
    """
    from curewatch.backtest import outlook as backtest_outlook
    from curewatch.backtest import part_studio_backtest_later
    from curewatch.cli.output import Page, say, say_json
    from curewatch.cli.texts import backtest_text
    from curewatch.intake.errors import BadInput
    from curewatch.intake.files.room_csv import read_room_csv
    from curewatch.studio.air.part_studio_hourly import hourly

    if every not in {str(n) for n in range(1, SPARSEST + 1)}:
        raise BadInput("--every", every, f"a whole number from 1 to {SPARSEST}")
    others = {}
    if sarimax:
        from curewatch.backtest.sarimax import sarimax as forecaster

        others["sarimax"] = forecaster()
    records = [(path, read_room_csv(path, field="FILE.csv")) for path in files]
    found, beyond = [], []
    for path, record in records:
        hours = hourly(record.epoch_s, record.temp_c, record.rh_pct)
        assert hours is not None  # a file has at least one row
        try:
            found += backtest_outlook.scores(Path(path).stem, hours, others, int(every))
            beyond += part_studio_backtest_later.daily_scores(Path(path).stem, hours)
        except ValueError as problem:
            raise BadInput("FILE.csv", path, "a record of 18 days or more", f"which holds {problem}") from None
    if as_json:
        say_json("backtest_outlook", **backtest_text.outlook_values(found, beyond))
    else:
        say(backtest_text.outlook_text(found, beyond, Page.of(sys.stdout)))


backtest.command("learning", short_help="What learning from finger tests is worth.")(learning)
