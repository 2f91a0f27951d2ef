"""`curewatch trial`: what the outlook and what learning is worth, measured on records whose end is known."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from curewatch.backtest import outlook as backtest_outlook
from curewatch.backtest.learning import Plan, run
from curewatch.backtest.sarimax import sarimax as forecaster
from curewatch.backtest.simulated_rooms import simulated_rooms
from curewatch.backtest.truths import Truth
from curewatch.cli import options
from curewatch.cli.output import Page, each, say, say_json
from curewatch.cli.texts import backtest_text
from curewatch.cli.texts import backtest_text as pages
from curewatch.intake.files.room_csv import read_room_csv
from curewatch.records import ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.studio.air.climate import Air, hourly

RoomFiles = Annotated[
    list[str] | None,
    typer.Argument(metavar="[FILE.csv…]", help="Records of rooms. Left out: rooms that stay as they are."),
]
Studios = Annotated[
    int,
    typer.Option(
        "--studios",
        min=4,
        max=2000,
        help="How many studios to simulate of each truth; half as many weigh or heed the dates.",
    ),
]
Tests = Annotated[float, typer.Option("--tests-a-day", min=0.1, max=12, help="Finger tests a day, while it dries.")]
STEADY = ((17.0, 60.0), (21.0, 50.0), (25.0, 40.0))
"""Rooms that stay as they are [°C, %]."""
_YEAR_S = 365 * 86400.0


def learning(
    files: RoomFiles = None, studios: Studios = 200, tests: Tests = 2.0, as_json: options.AsJson = False
) -> None:
    """What learning is worth: simulated studios whose truth is known, with sparse honest finger tests.

    Each observes three pieces and forecasts a fourth. 10-90 % should hold the truth in 80 %, before and after, and
    nearly so where the truth is another model than ours.
    Who heeds the dates tests at every visit once a piece may be touch-dry, and weighs once a week until the varnish.
    """
    rooms = _steady() if not files else []
    for path in files or ():
        record = read_room_csv(path)
        rooms.append((record.epoch_s, record.temp_c, record.rh_pct))
    gauge, half, quarter = ThicknessSource.GAUGE, max(1, studios // 2), max(1, studios // 4)
    broken = [truth for truth in Truth if truth is not Truth.OWN]
    plans = {
        "thickness by gauge": Plan(studios, gauge, tests),
        **{f"truth: {truth}": Plan(studios, gauge, tests, truth=truth) for truth in broken},
        "by gauge, and a kitchen scale": Plan(half, gauge, tests, weighed=True),
        "by gauge, heeding the dates": Plan(half, gauge, tests, heeds=True),
        "gauge and scale, heeding the dates": Plan(half, gauge, tests, weighed=True, heeds=True),
        "thickness from volume": Plan(quarter, ThicknessSource.VOLUME, tests),
    }
    found = {group: run(rooms, plans[group]) for group in each(list(plans), "Simulating studios")}
    if as_json:
        say_json("trial_learning", **pages.values(found))
    else:
        say(pages.text(found, Page.of(sys.stdout)))


def _steady() -> list[Air]:

    times = np.arange(0.0, _YEAR_S, 86400.0)
    return [(times, np.full(len(times), temp), np.full(len(times), rh)) for temp, rh in STEADY]


trial = typer.Typer(help="Try the forecasts on recorded rooms.", no_args_is_help=True, rich_markup_mode=None)
Files = Annotated[
    list[str] | None,
    typer.Argument(
        metavar="[FILE.csv…]",
        help="Records of rooms: time_utc,temp_c,rh_pct; 18 days or more. Left out: simulated rooms.",
    ),
]
Sarimax = Annotated[
    bool, typer.Option("--sarimax", help="Beside statsmodels' SARIMAX too: two seconds a fit, an hour a record.")
]
SPARSEST = 50
Every = Annotated[
    str,
    typer.Option("--every", metavar="N", help="Only from one in N moments: quicker, less sure."),
]


@trial.command("outlook", cls=options.Command, short_help="The outlook of a room's air beside simple forecasts.")
def outlook(files: Files = None, sarimax: Sarimax = False, every: Every = "1", as_json: options.AsJson = False) -> None:
    """How far off the outlook was on recorded or simulated rooms, 1 to 48 hours ahead, beside simple forecasts.

    Also how much of what came lay in its 10-90 % band: 80 % is right.
    """
    if every not in {str(n) for n in range(1, SPARSEST + 1)}:
        raise InputError(Field.EVERY, every, f"a whole number from 1 to {SPARSEST}")
    others = {}
    if sarimax:
        try:
            others["sarimax"] = forecaster()
        except ModuleNotFoundError:
            allowed = "statsmodels beside curewatch: pip install curewatch[backtest]"
            raise InputError(Field.SARIMAX, None, allowed) from None
    records = {} if files else simulated_rooms()
    for path in files or ():
        record = read_room_csv(path)
        hours = hourly(record.epoch_s, record.temp_c, record.rh_pct)
        assert hours is not None  # a file has at least one row
        records[path] = hours
    found, beyond = [], []
    for path, hours in each(list(records.items()), "Looking ahead in each record"):
        try:
            found += backtest_outlook.scores(Path(path).stem, hours, others, int(every))
            beyond += backtest_outlook.daily_scores(Path(path).stem, hours, backtest_outlook.ORIGINS // int(every) + 1)
        except ValueError as problem:
            raise InputError(Field.FILE, path, "a record of 18 days or more", f"which holds {problem}") from None
    if as_json:
        say_json("trial_outlook", **backtest_text.outlook_values(found, beyond))
    else:
        say(backtest_text.outlook_text(found, beyond, Page.of(sys.stdout)))


trial.command("learning", cls=options.Command, short_help="What learning from finger tests is worth.")(learning)
