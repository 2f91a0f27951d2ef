"""`curewatch backtest learning`: what observing three pieces is worth to the fourth."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from curewatch.cli import options

if TYPE_CHECKING:
    from curewatch.studio.forecasting.forecast import Air

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
        help="How many studios to simulate; half as many weigh or heed the dates, a quarter lie outside.",
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

    Each observes three pieces and forecasts a fourth. 10-90 % should hold the truth in 80 %, before and after.
    Who heeds the dates tests at every visit once a piece may be touch-dry, and weighs once a week until the varnish.
    """
    from curewatch.backtest.learning import Plan, run
    from curewatch.cli.output import Page, say, say_json
    from curewatch.cli.texts import part_cli_backtest_learning_page as pages
    from curewatch.intake.files.room_csv import read_room_csv
    from curewatch.records import ThicknessSource

    rooms = _steady() if not files else []
    for path in files or ():
        record = read_room_csv(path, field="FILE.csv")
        rooms.append((record.epoch_s, record.temp_c, record.rh_pct))
    gauge, half, quarter = ThicknessSource.GAUGE, max(1, studios // 2), max(1, studios // 4)
    plans = {
        "thickness by gauge": Plan(studios, gauge, tests),
        "by gauge, and a kitchen scale": Plan(half, gauge, tests, weighed=True),
        "by gauge, heeding the dates": Plan(half, gauge, tests, heeds=True),
        "gauge and scale, heeding the dates": Plan(half, gauge, tests, weighed=True, heeds=True),
        "thickness from volume": Plan(quarter, ThicknessSource.VOLUME, tests),
        "by gauge, truth outside": Plan(quarter, gauge, tests, outside=True),
    }
    found = {group: run(rooms, plan) for group, plan in plans.items()}
    if as_json:
        say_json("backtest_learning", **pages.values(found))
    else:
        say(pages.text(found, Page.of(sys.stdout)))


def _steady() -> list[Air]:
    import numpy as np

    times = np.arange(0.0, _YEAR_S, 86400.0)
    return [(times, np.full(len(times), temp), np.full(len(times), rh)) for temp, rh in STEADY]
