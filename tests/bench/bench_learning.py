"""What was learned, in a studio of many observed pieces: how long one more observation takes to sink in."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.snapshot.pieces import learned_so_far, update_lessons
from curewatch.desk.snapshot.snapshot import read_snapshot
from curewatch.records import Reading, ThicknessSource
from curewatch.records.facts import Finger, Observation, ObservationKind
from curewatch.settings import Settings
from curewatch.store import Store

LONG = True
"""Some minutes: all lessons of a thousand pieces are drawn from nothing."""
PIECES, RECIPES, PLACES = (100, 1000), 5, 20
TESTS = ((16, Finger.TACKY), (22, Finger.TOUCH_DRY), (34, Finger.DRY_THROUGH))
START = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def lines() -> Iterator[Mapping[str, Any]]:
    cost: dict[str, float] = {}
    for pieces in PIECES:
        with (
            tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder,
            Store.open(Path(folder) / "studio.sqlite") as store,
        ):
            for name, seconds in measured(store, pieces).items():
                linear = cost.get(name, seconds / pieces) * pieces
                cost.setdefault(name, seconds / pieces)
                yield {
                    "name": f"learning: {name}, {pieces} pieces of {len(TESTS)} finger tests",
                    "value": seconds,
                    "unit": "s",
                    "baseline": None if pieces == PIECES[0] else linear,
                    "ratio": None if pieces == PIECES[0] else linear / seconds,
                }


def measured(store: Store, pieces: int) -> dict[str, float]:
    """Seconds for each step, in the order in which a studio takes them."""
    now = _filled(Desk(store, Settings.model_validate({"zone": "UTC"})), pieces)
    found = {}
    begin = time.perf_counter()
    update_lessons(store, now)
    found["all lessons drawn from nothing"] = time.perf_counter() - begin
    with store.write() as tx:
        first = tx.pieces()[0].id
        tx.add_observation(_felt(first, now, Finger.DRY_THROUGH))
    begin = time.perf_counter()
    update_lessons(store, now)
    found["one more finger test, its lesson drawn"] = time.perf_counter() - begin
    begin = time.perf_counter()
    with store.read() as tx:
        read_snapshot(tx, None, now, so_far=learned_so_far(tx))
    found["every piece's belief, with it"] = time.perf_counter() - begin
    begin = time.perf_counter()
    with store.read() as tx:
        learned_so_far(tx)
    found["what was learned, read again"] = time.perf_counter() - begin
    return found


def _filled(desk: Desk, pieces: int) -> datetime:
    """Pieces poured over ten days in a room read every ten minutes."""
    days = 12
    store_readings(
        desk,
        [
            Reading(room="Boat shed", at=at, received_at=at, temp_c=20.0, rh_pct=52.0, source="post")
            for i in range(days * 144)
            for at in [START + i * timedelta(minutes=10)]
        ],
    )
    for i in range(pieces):
        at = START + (i % 240) * HOUR
        order = PourOrder(
            f"piece {i}", "Boat shed", at, 1e-3 + (i % 7) * 1e-4, ThicknessSource.GAUGE, f"rack {i % PLACES}",
            (0.3, 0.3), recipe=f"mix {i % RECIPES}",
        )  # fmt: skip
        piece = log_pour(desk, order, at).piece
        assert piece is not None
        with desk.store.write() as tx:
            for hours, says in TESTS:
                tx.add_observation(_felt(piece.id, at + hours * HOUR, says))
    return START + timedelta(days=days)


def _felt(piece_id: int, at: datetime, says: Finger) -> Observation:
    return Observation(id=0, piece_id=piece_id, at=at, kind=ObservationKind.FINGER, finger=says)
