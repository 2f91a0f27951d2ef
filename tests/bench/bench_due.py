"""From a date that has come to the webhook's receiver, with ten thousand pieces waiting.

The daemon as people run it, in a process of its own, on a store with all the pieces in it, and a real receiver. The
dates come over a minute, each at its own moment, while readings come in every second and the daemon goes on looking at
the whole studio. The forecasts are given, as of the daemon's own facts, so that it takes them for its own: what making
them costs is measured elsewhere.
"""

from __future__ import annotations

import re
import statistics
import tempfile
import threading
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from curewatch.desk import Desk
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.snapshot.air import AirCache
from curewatch.desk.snapshot.snapshot import read_snapshot
from curewatch.records import Forecast, Milestone, MilestoneKind, Pour, Recipe, Room, Stay, ThicknessSource
from curewatch.store import Store
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.batch import MODEL_VERSION
from curewatch.studio.forecasting.drying import Drying
from tests.bench.bench_daemon import Timed, _is_due, _reading, _waited_s, line
from tests.shell.parts import wait_for
from tests.whole.service import Service

LONG = True
"""About two minutes."""

PIECES, DUE, DUE_WITHIN_S = 10_000, 120, 60.0
READY_WITHIN_S, READ_EVERY_S = 30.0, 1.0
LOOKED = re.compile(r"looked: 0 forecasts, \d+ notices, in ([\d.]+) s")
GOAL_S = 1.0


def lines() -> Iterator[Mapping[str, Any]]:
    receiver = Timed()
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder, receiver, Service(Path(folder)) as service:
        service.settings(receiver)
        _fill(service.desk.store)
        begins = _foresee(service.desk.store)
        service.start(READY_WITHIN_S)
        wait_for(lambda: LOOKED.search(service.log()), READY_WITHIN_S, "the first look")
        assert datetime.now(UTC) < begins, "this machine was too slow to be ready in time"
        done = threading.Event()
        sensor = threading.Thread(target=_read_on, args=(service.desk, done))
        sensor.start()
        try:
            wait_for(lambda: sum(_is_due(r) for _, r in list(receiver.came)) >= DUE, 2 * DUE_WITHIN_S, "every notice")
        finally:
            done.set()
            sensor.join()
        waits = sorted(_waited_s(at, request) for at, request in list(receiver.came) if _is_due(request))
        looks = [float(seconds) for seconds in LOOKED.findall(service.log())]
    p99 = statistics.quantiles(waits, n=100, method="inclusive")[98]
    more = {"p50": statistics.median(waits), "worst": waits[-1], "pieces": PIECES, "notices": len(waits)}
    yield line("due_to_told_p99", p99, "s", **more, goal_s=GOAL_S, looks=len(looks), look_s=statistics.median(looks))


def _read_on(desk: Desk, done: threading.Event) -> None:
    while not done.wait(READ_EVERY_S):
        store_readings(desk, [_reading("Shed", datetime.now(UTC), "post")])


def _fill(store: Store) -> None:
    now = datetime.now(UTC) - timedelta(hours=10)
    with store.write() as tx:
        tx.add_room(Room(name="Shed"))
        tx.add_readings([_reading("Shed", now - timedelta(days=1)), _reading("Shed", datetime.now(UTC))])
        tx.put_recipe(Recipe(name="house mix"))
        for k in range(PIECES):
            piece = tx.add_piece(f"Piece {k}", now).id
            tx.add_pour(
                Pour(
                    piece_id=piece,
                    at=now,
                    wet_thickness_m=1.2e-3,
                    thickness_source=ThicknessSource.GAUGE,
                    recipe="house mix",
                    air_speed_m_s=0.1,
                )
            )
            tx.add_stay(Stay(piece_id=piece, room="Shed", since=now))


def _foresee(store: Store) -> datetime:
    """Some fall due over a minute, one after the other; the others in the hours after. When the first does."""
    now = datetime.now(UTC)
    with store.read() as tx:
        scene = read_snapshot(tx, AirCache(), now)
    climate, begins = scene.climates["Shed"], now + timedelta(seconds=2 * READY_WITHIN_S)
    soon = [begins + k * timedelta(seconds=DUE_WITHIN_S) / DUE for k in range(DUE)]
    later = [begins + timedelta(hours=1, seconds=k) for k in range(PIECES - DUE)]
    given = [_given(*one, climate, now) for one in zip(scene.dryings, [*soon, *later], strict=True)]
    with store.write() as tx:
        tx.put_forecasts(given)
    return begins


def _given(drying: Drying, at: datetime, climate: Climate, now: datetime) -> Forecast:
    """A forecast with one date, which the daemon has no reason to make again."""
    touch = Milestone(kind=MilestoneKind.TOUCH_DRY, early_at=at, worth_checking_at=at, safe_at=at + timedelta(days=1))
    until = climate.newest_at
    return Forecast(
        piece_id=drying.piece.id,
        made_at=now,
        model_version=MODEL_VERSION,
        fingerprint=f"{drying.facts}given",
        milestones=(touch,),
        data_until=until,
        readings_used=climate.settled(drying.pour.at.timestamp(), until.timestamp()),
        room_temp_c=float(climate.temp_c[-1]),
        room_rh_pct=float(climate.rh_pct[-1]),
    )
