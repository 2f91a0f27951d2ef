"""How forecasts roll: boards of 10, 100 and 1,000 pieces, each of 64 members, in one room with a recorded past.

For each board: the first forecast (past and future from the facts alone), a reading that comes in and is absorbed (the
central films' states read, marched on through the new air and the future, their dates compared, decided), and a full
forecast an hour later (all members' states read, marched on by that hour, stored, and on through the future). Wall
seconds are on as many cores as the machine gives and with whatever else runs; CPU seconds are those of all processes
together. `to_linear`: CPU seconds a piece on the board of 100 over those on this one, so 1 is linear, more is better.
"""

from __future__ import annotations

import os
import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports.board import board_of
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import Settings
from curewatch.store import Store
from tests.refreshing import refresh
from tests.whole.rooms import rows_of

BOARDS = (10, 100, 1000)
GOAL_ABSORBED_S, GOAL_FORECAST_S = 1.0, 20.0
ROOM, RECORDING = "Boat shed", "house_living_be.csv"
END = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
TEN_MINUTES, HOUR = timedelta(minutes=10), timedelta(hours=1)
RECORD_DAYS, WET_DAYS, ROWS_A_DAY = 40, 20, 144
SHIFT_C = 0.6
"""The reading that comes in is so much warmer than the room was: far enough to be looked into."""


def recorded() -> list[tuple[float, float]]:
    """Temperature and humidity every ten minutes in a recorded room."""
    return [(row.temp_c, row.rh_pct) for row in rows_of(RECORDING, RECORD_DAYS * ROWS_A_DAY)]


def reading(at: datetime, temp_c: float, rh_pct: float) -> Reading:
    return Reading(room=ROOM, at=at, received_at=at, source="post", temp_c=temp_c, rh_pct=rh_pct)


def filled(store: Store, pieces: int) -> Desk:
    """A desk with so many pieces, poured over the last 20 days, and 40 days of readings."""
    desk = Desk(store, Settings.model_validate({"zone": "UTC", "forecast": {"members": 64}}))
    rows = recorded()
    store_readings(desk, [reading(END - (len(rows) - 1 - i) * TEN_MINUTES, *row) for i, row in enumerate(rows)])
    draw = np.random.default_rng(1)
    ages, thick = draw.uniform(0.1, WET_DAYS, pieces), np.exp(draw.normal(np.log(1.2e-3), 0.35, pieces))
    log_pours(
        desk,
        [
            PourOrder(f"piece {i}", ROOM, END - timedelta(days=age), h, ThicknessSource.VOLUME)
            for i, (age, h) in enumerate(zip(ages.tolist(), thick.tolist(), strict=True))
        ],
        END,
    )
    return desk


def timed(work: Callable[[], Any]) -> tuple[float, float, Any]:
    """Wall seconds, CPU seconds of this process and those it started, and the result."""
    begun, spent = time.perf_counter(), _cpu_s()
    found = work()
    return time.perf_counter() - begun, _cpu_s() - spent, found


def _cpu_s() -> float:
    return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def measured(pieces: int) -> dict[str, tuple[float, float, int]]:
    """By what was done: wall and CPU seconds, and how many forecasts it made."""
    found: dict[str, tuple[float, float, int]] = {}
    last_c, last_rh = recorded()[-1]

    def look(name: str, at: datetime) -> None:
        wall, cpu, seen = timed(lambda: refresh(desk, at))
        found[name] = (wall, cpu, seen.forecasts)

    with tempfile.TemporaryDirectory() as where, Store.open(Path(where) / "studio.sqlite") as store:
        desk = filled(store, pieces)
        look("first forecast, past and future", END)
        look("a look with nothing new", END + timedelta(minutes=1))
        store_readings(desk, [reading(END + TEN_MINUTES, last_c + SHIFT_C, last_rh)])
        look("a reading absorbed", END + TEN_MINUTES)
        for i in range(2, 7):
            store_readings(desk, [reading(END + i * TEN_MINUTES, last_c + SHIFT_C, last_rh)])
        look("full forecast, future from kept states", END + HOUR)
        wall, cpu, _ = timed(lambda: board_of(desk, END + HOUR))
        found["the board read"] = (wall, cpu, 0)
        found["kept"] = (_kept_kb(store), 0.0, 0)
    return found


def _kept_kb(store: Store) -> float:
    with store.read() as tx:
        kept = tx.checkpoints([piece.id for piece in tx.pieces()])
    return sum(len(one.centre) + len(one.members) for one in kept.values()) / max(1, len(kept)) / 1024


def lines(boards: tuple[int, ...] = BOARDS) -> Iterator[dict[str, Any]]:
    at_100: dict[str, tuple[float, float, int]] = {}
    for pieces in boards:
        found = measured(pieces)
        kept_kb = found.pop("kept")[0]
        if pieces == 100:
            at_100 = found
        for name, (wall, cpu, made) in found.items():
            goal = {"a reading absorbed": GOAL_ABSORBED_S}.get(name, GOAL_FORECAST_S if "forecast" in name else None)
            line = {
                "name": f"{name}: {pieces} pieces",
                "value": round(wall, 3),
                "unit": "s",
                "baseline": goal if pieces == 1000 else None,
                "ratio": round(goal / wall, 2) if goal and pieces == 1000 else None,
                "cpu_s": round(cpu, 3),
                "forecasts": made,
            }
            if at_100:
                line["to_linear"] = round((at_100[name][1] / 100) / (cpu / pieces), 2)
            yield line
        yield {
            "name": f"kept of a piece: {pieces} pieces",
            "value": round(kept_kb, 2),
            "unit": "kB",
            "baseline": None,
            "ratio": None,
            "peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
            "cores": os.cpu_count(),
        }
