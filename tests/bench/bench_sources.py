"""A room of which 1,000 devices tell each half-hour, as behind a wildcard: one look, against one of 100 devices.

`ratio`: seconds a source of the 100 over those of the 1,000, so 1 is linear and more is better.
"""

from __future__ import annotations

import random
import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import Settings
from curewatch.store import Store
from tests.refreshing import refresh

SOURCES, READINGS, GOAL_S = (100, 1000), 24, 1.0
END, STEP = datetime(2026, 11, 20, 12, 0, tzinfo=UTC), timedelta(minutes=30)


def lines() -> Iterator[Mapping[str, Any]]:
    each = []
    for sources in SOURCES:
        took = look_s(sources)
        each.append(took / sources)
        yield {
            "name": f"a look at a room of {sources} sources", "value": round(took, 3), "unit": "s", "baseline": GOAL_S,
            "ratio": round(each[0] / each[-1], 2), "readings": sources * READINGS,
        }  # fmt: skip


def look_s(sources: int) -> float:
    """Of a studio with one wet piece, the second look: the first makes its forecast from the pour."""
    draw = random.Random(1)
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "studio.sqlite") as store:
        desk = Desk(store, Settings.model_validate({"zone": "UTC"}))
        readings = []
        for number in range(sources):
            apart = timedelta(seconds=draw.uniform(0, STEP.total_seconds()))
            for step in range(1, READINGS + 1):
                at = END - step * STEP + apart
                temp, rh = round(draw.gauss(19, 0.3), 2), round(draw.gauss(50, 1), 1)
                readings.append(
                    Reading(room="Shed", at=at, received_at=at, source=f"wild/{number}", temp_c=temp, rh_pct=rh)
                )
        store_readings(desk, readings)
        order = PourOrder("Curlew", "Shed", END - timedelta(hours=30), 1.2e-3, ThicknessSource.VOLUME)
        log_pours(desk, [order], END)
        refresh(desk, END)
        began = time.perf_counter()
        refresh(desk, END + timedelta(minutes=5))
        return time.perf_counter() - began
