"""Five years of twenty sensors that speak every ten seconds: 315 million readings, of which all but the last 90 days
were let go as they would have been. How large the store is, what looks, views and a backup of it take, and how a daemon
rests on it. The baseline is what is promised, so a ratio of 1 or more keeps the promise; `cpu_s` of views and looks is
what the process worked, on a machine that may do much else.

The store is made directly, day by day, by the functions that ingest packs with. `--most DAYS` makes it shorter.
"""

from __future__ import annotations

import json
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports.board import BoardCache
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.reports.room import room_outlook, room_record
from curewatch.records import Reading, Room, ThicknessSource
from curewatch.records.rollup import columns_of, rolled_up
from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.store.engine import from_micros, to_micros
from curewatch.store.queries.history import DAY_US, day_of
from tests.bench.bench_daemon import _client, _connected, _cpu_s, _leave, _rss_mb
from tests.refreshing import refresher_of
from tests.shell.parts import Broker, Receiver, wait_for
from tests.whole.service import Service

LONG = True
DAYS, KEPT, SENSORS, ROOMS, EVERY_S, PIECES = 1826, 90, 20, 5, 10, 20
REST_S = 240.0
GOALS = {
    "store": 400.0, "start": 3.0, "first look": 1.0, "look": 1.0, "board": 0.3, "room": 0.3, "piece": 0.3,
    "backup": 10.0, "memory": 130.0, "written": 4.0, "idle": 0.4,
}  # fmt: skip


def lines(most: int = DAYS) -> Iterator[dict[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-years-") as folder:
        service = Service(Path(folder) / "home")
        service.folder.mkdir()
        made = time.perf_counter()
        now = make(service.store, most)
        readings = most * SENSORS * 86400 // EVERY_S
        size = sum(file.stat().st_size for file in service.folder.glob("studio.sqlite*")) / 1e6
        yield line("store", size, "MB", readings=readings, made_s=round(time.perf_counter() - made))
        with Store.open(service.store) as store:
            yield from views(Desk(store, Settings.model_validate({"zone": "UTC"})), now)
            began, cpu = time.perf_counter(), time.process_time()
            backup = store.back_up(now)
            took = time.process_time() - cpu
            yield line("backup", time.perf_counter() - began, "s", cpu_s=round(took, 2), size_mb=backup.size / 1e6)
        yield from at_rest(Path(folder), service)


def line(name: str, value: float, unit: str, **more: Any) -> dict[str, Any]:
    goal = GOALS[name]
    return {
        "name": name,
        "value": round(value, 3),
        "unit": unit,
        "baseline": goal,
        "ratio": round(goal / value, 2),
        **more,
    }


def views(desk: Desk, now: datetime) -> Iterator[dict[str, Any]]:
    refresher, board = refresher_of(desk), BoardCache(desk)
    rooms = {f"Room {k}" for k in range(ROOMS)}

    def of_room() -> None:
        room_record(desk, min(rooms), now - timedelta(days=31), now)
        room_outlook(desk, min(rooms), now)

    refresher.refresh(now)
    refresher = refresher_of(desk)  # as after a start
    yield timed("first look", lambda: refresher.refresh(now))
    later = now + timedelta(seconds=EVERY_S)
    store_readings(desk, spoken(later))
    yield timed("look", lambda: refresher.refresh(later))
    yield timed("board", lambda: board.look(later))
    yield timed("room", of_room)
    yield timed("piece", lambda: piece_report(desk, "Piece 7", later))


def timed(name: str, work: Callable[[], object]) -> dict[str, Any]:
    began = time.process_time()
    work()
    return line(name, time.process_time() - began, "s")


# --- the store ---


def make(path: Path, days: int) -> datetime:
    """The moment until which it was read."""
    now = datetime.now(UTC).replace(microsecond=0)
    today = day_of(to_micros(now))
    with Store.open(path) as store:
        with store.write() as tx:
            for room in range(ROOMS):
                tx.add_room(Room(name=f"Room {room}"))
            tx.add_readings(spoken(now - timedelta(days=days)))
            sources = {name: number for room in range(ROOMS) for number, name in tx._sources_of(f"Room {room}").items()}
        draw = np.random.default_rng(1)
        for day in range(today - days, today):
            with store.write() as tx:
                for i in range(SENSORS):
                    _day(tx, sources[f"s{i}"], i, day, raw=day >= today - KEPT, draw=draw)
        with store.write() as tx:
            tx._connection.exec_driver_sql("DELETE FROM readings")
            packed = days * 86400 // EVERY_S, today * DAY_US
            tx._connection.exec_driver_sql("UPDATE sources SET packed = ?, packed_until = ?", packed)
        desk = Desk(store, Settings.model_validate({"zone": "UTC"}))
        for k in range(PIECES):
            at = now - timedelta(hours=3 + 2400 / PIECES * k / 2)
            log_pour(desk, PourOrder(f"Piece {k}", f"Room {k % ROOMS}", at, 1.2e-3, ThicknessSource.GAUGE), now)
        at = from_micros(today * DAY_US)
        while at < now:
            several = [at + timedelta(seconds=EVERY_S * k) for k in range(360)]
            store_readings(desk, [one for moment in several if moment <= now for one in spoken(moment)])
            at = several[-1] + timedelta(seconds=EVERY_S)
    return now


def air(sensor: int, epoch_s: Any) -> tuple[Any, Any]:
    """Seasons, weather and days, a little otherwise at each sensor."""
    year, day, week = (2 * np.pi * epoch_s / span for span in (365.25 * 86400, 86400, 6.3 * 86400))
    temp = 18 + 4 * np.sin(year) + 1.5 * np.sin(day + sensor) + np.sin(week) + 0.02 * sensor
    return temp, 52 + 10 * np.cos(year) - 4 * np.sin(day + sensor) + 5 * np.cos(week)


def _day(tx: Transaction, source: int, sensor: int, day: int, *, raw: bool, draw: np.random.Generator) -> None:
    count = 86400 // EVERY_S
    at = day * DAY_US + np.arange(count) * EVERY_S * 1_000_000 + draw.integers(0, 40_000, count) + sensor * 400_000
    temp, rh = air(sensor, at / 1e6)
    temp, rh = np.round(temp + draw.normal(0, 0.05, count), 2), np.round(rh + draw.normal(0, 0.2, count), 1)
    if raw:
        said = zip(at.tolist(), temp.tolist(), rh.tolist(), strict=True)
        tx._put_day(source, day, [(t, 3, c, pct, t, None, False, None) for t, c, pct in said])
        return
    numbers = np.zeros(count, dtype=np.int64)
    tx._put_rolled(source, day, rolled_up(columns_of(at, temp, rh, numbers, ("",), numbers.astype(bool)), whole=True))


def spoken(at: datetime) -> list[Reading]:
    some, draw = [], np.random.default_rng(int(at.timestamp()))
    for i in range(SENSORS):
        temp, rh = air(i, at.timestamp())
        values = {
            "temp_c": round(float(temp + draw.normal(0, 0.05)), 2),
            "rh_pct": round(float(rh + draw.normal(0, 0.2)), 1),
        }
        some.append(Reading(room=f"Room {i % ROOMS}", at=at, received_at=at, source=f"s{i}", **values))
    return some


# --- a daemon on it ---


def at_rest(folder: Path, service: Service) -> Iterator[dict[str, Any]]:
    """Twenty sensors through a broker; what is written is what the system counts for the process."""
    sensors = "".join(
        f'[[sensors]]\nid = "s{i}"\nroom = "Room {i % ROOMS}"\ntopic = "shed/{i}"\n' for i in range(SENSORS)
    )
    with Broker(folder / "broker") as broker, Receiver() as receiver, service:
        service.settings(receiver, broker, sensors, members=64)
        began = time.monotonic()
        service.start(60)
        assert service.process is not None
        yield line("start", time.monotonic() - began, "s")
        pid, stop = service.process.pid, threading.Event()
        publisher = threading.Thread(target=_publish_on, args=(broker, stop))
        publisher.start()
        try:
            wait_for(lambda: service.log().count("looked: ") >= 3, 120, "the daemon at rest")
            time.sleep(30)
            cpu, written, began = _cpu_s(pid), _written(pid), time.monotonic()
            time.sleep(REST_S)
            for_s = time.monotonic() - began
            yield line("idle", 100 * (_cpu_s(pid) - cpu) / for_s, "% of a core")
            yield line("written", (_written(pid) - written) / 1e6 * 3600 / for_s, "MB an hour")
            yield line("memory", _rss_mb(pid, "VmHWM"), "MB")
        finally:
            stop.set()
            publisher.join()


def _publish_on(broker: Broker, stop: threading.Event) -> None:
    client = _client(broker, "sensors")
    _connected(client, broker)
    while not stop.is_set():
        for one in spoken(datetime.now(UTC)):
            said = json.dumps({"temperature": one.temp_c, "humidity": one.rh_pct})
            client.publish(f"shed/{one.source[1:]}", said, qos=1)
            stop.wait(EVERY_S / SENSORS)
    _leave(client)


def _written(pid: int) -> int:
    """Bytes that went to the disk, as the system counts them."""
    told = dict(row.split(": ") for row in Path(f"/proc/{pid}/io").read_text().splitlines())
    return int(told["write_bytes"])
