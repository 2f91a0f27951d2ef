"""A campaign of power cuts: the studio's own code writes facts on a disk that is cut off again and again.

Every round begins with what the last cut left. Of each cut it is asked: does the store open, is it sound, is all there
that was acknowledged before the cut, and is nothing there by half.
"""

from __future__ import annotations

import os
import random
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import sqlalchemy

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import DeliveryState, Reading, ThicknessSource
from curewatch.settings import Settings, WebhookSettings
from curewatch.store import Store, StoreError
from tests.shell import apsw_driver
from tests.shell.power_disk import Disk, Op, left_over

NOW = datetime(2026, 11, 25, 3, 12, tzinfo=UTC)
NAME = "studio.sqlite"
BATCH = 20
"""Readings in one transaction."""
MEMORY = "/dev/shm" if os.path.isdir("/dev/shm") else None
"""Where the folders lie: what survives is decided here, not by the machine's own disk, so its syncs only cost time."""
SETTINGS = Settings(zone="UTC", webhook=WebhookSettings(url="http://127.0.0.1:9/"))

Fact = tuple[str, int]
"""Kind and number: a batch of readings, a piece with its pour, a notice with its delivery, a delivery marked."""


@dataclass
class Tally:
    cuts: int = 0
    acknowledged: int = 0
    """Facts that had to be found, summed over the cuts."""
    lost: int = 0
    """Cuts after which an acknowledged fact was missing."""
    corrupt: int = 0
    """Cuts after which the store did not open, was not sound, or held a fact by half."""
    said: list[str] = field(default_factory=list)


@contextmanager
def power(disk: Disk, synchronous: str) -> Iterator[None]:
    """The store opens its SQLite files on this disk; `synchronous` is EXTRA as it promises, or weaker."""
    real = sqlalchemy.create_engine

    def on_disk(*arguments: object, **options: object) -> sqlalchemy.Engine:
        return real(*arguments, module=apsw_driver, **options)  # type: ignore[call-overload, no-any-return]

    weaker = {"PRAGMA synchronous=EXTRA": f"PRAGMA synchronous={synchronous}"}
    with (
        mock.patch("curewatch.store.engine.create_engine", on_disk),
        mock.patch.object(apsw_driver, "vfs", disk.NAME),
        mock.patch.dict(apsw_driver.replaced, weaker),
    ):
        yield


def campaign(rounds: int, cuts: int, seed: int, *, synchronous: str = "EXTRA", facts: int = 120) -> Tally:
    """`rounds` of `facts` transactions each, cut at `cuts` moments each."""
    tally, rng = Tally(), random.Random(seed)
    before: dict[str, bytes] = {}
    disk = Disk()
    try:
        for number in range(rounds):
            with tempfile.TemporaryDirectory(prefix="curewatch-power-", dir=MEMORY) as folder:
                sure = _found(before, Tally()) or Counter()
                acknowledged = _live(Path(folder), before, disk, number * facts, facts, synchronous)
                before = _cut_often(before, disk.ops, sure, acknowledged, cuts, rng, tally)
            disk.ops = []
    finally:
        disk.unregister()
    return tally


def _live(
    folder: Path, before: dict[str, bytes], disk: Disk, first: int, facts: int, synchronous: str
) -> list[tuple[int, Fact]]:
    """Write facts; each with how much had been asked of the disk when it was acknowledged."""
    for name, content in before.items():
        (folder / name).write_bytes(content)
    acknowledged: list[tuple[int, Fact]] = []
    for start in range(first, first + facts, facts // 2):  # ends well once in between: that clears the log away
        with power(disk, synchronous), Store.open(folder / NAME) as store:
            desk = Desk(store, SETTINGS)
            for k in range(start, start + facts // 2):
                for fact in _write(desk, k):
                    acknowledged.append((len(disk.ops), fact))  # noqa: PERF401 each with the count of its moment
    return acknowledged


def _write(desk: Desk, k: int) -> Iterator[Fact]:
    now = NOW + timedelta(hours=k)
    readings = [_reading(now - timedelta(minutes=j)) for j in range(BATCH)]
    store_readings(desk, readings)
    yield "readings", k
    if k % 3 == 0:
        log_pour(desk, PourOrder(f"piece {k}", "Loft", now, 1.2e-3, ThicknessSource.GAUGE), now)
        yield "piece", k
    if k % 3 == 1:
        key = send_test_notice(desk, now).key
        yield "notice", k
        with desk.store.write() as tx:
            (delivery,) = tx.deliveries(keys=[key])
            tx.mark_delivered(delivery.id, now)
        yield "delivered", k


def _reading(at: datetime) -> Reading:
    return Reading(room="Loft", at=at, temp_c=19.0, rh_pct=55.0, source="window", received_at=at)


def _cut_often(
    before: dict[str, bytes],
    ops: list[Op],
    sure: Counter[Fact],
    acknowledged: list[tuple[int, Fact]],
    cuts: int,
    rng: random.Random,
    tally: Tally,
) -> dict[str, bytes]:
    """Cut at random moments, half of them while the store's main file is being written; one that the next round
    begins with."""
    main = [index for index, op in enumerate(ops) if op.name == NAME]
    survivor: dict[str, bytes] = dict(before)
    for _ in range(cuts):
        at = rng.choice(main) + rng.randint(0, 2) if main and rng.random() < 0.5 else rng.randint(1, len(ops))
        found = left_over(before, ops[:at], rng)
        wanted = sure | Counter({fact: 1 for needed, fact in acknowledged if needed <= at})
        tally.cuts += 1
        tally.acknowledged += wanted.total()
        flaws = len(tally.said)
        there = _found(found, tally)
        if there is None:
            tally.corrupt += 1
        elif missing := wanted - there:
            tally.lost += 1
            tally.said.append(f"after {at} of {len(ops)} operations {missing.total()} facts are lost")
        if len(tally.said) == flaws:
            survivor = found
    return survivor


def _found(image: dict[str, bytes], tally: Tally) -> Counter[Fact] | None:
    """The facts in a store that is opened as after any power cut; None, said in `tally`, if it is not sound."""
    with tempfile.TemporaryDirectory(prefix="curewatch-cut-", dir=MEMORY) as folder:
        for name, content in image.items():
            (Path(folder) / name).write_bytes(content)
        try:
            with Store.open(Path(folder) / NAME, look_through=True) as store:
                store.back_up(NOW)  # looks through every page, index and reference
                with store.write() as tx:
                    tx.set_meta("after the cut", "it takes facts again")
                    moments = [one.at for one in tx.each_reading("Loft")]
            with closing(sqlite3.connect(Path(folder) / NAME)) as raw:
                return _facts_in(raw, moments)
        except (StoreError, sqlite3.Error, AssertionError) as error:
            tally.said.append(f"corrupt: {type(error).__name__}: {error}")
            return None


def _facts_in(raw: sqlite3.Connection, moments: list[datetime]) -> Counter[Fact]:
    """Whole facts; AssertionError for one that is there by half."""
    found: Counter[Fact] = Counter()
    epoch = int(NOW.timestamp() * 1e6)
    by_hour: Counter[int] = Counter()
    for at in moments:
        by_hour[-((NOW - at) // timedelta(hours=1))] += 1
    for hour, count in by_hour.items():
        assert count == BATCH, f"{count} of a batch of {BATCH} readings"
        found["readings", hour] = 1
    pieces = "SELECT name, (SELECT count(*) FROM pours WHERE piece_id = id), (SELECT count(*) FROM stays "
    for name, pours, stays in raw.execute(pieces + "WHERE piece_id = id) FROM pieces"):
        assert (pours, stays) == (1, 1), f"{name} has {pours} pours and {stays} stays"
        found["piece", int(name.removeprefix("piece "))] = 1
    for created, states in raw.execute(
        "SELECT created_at, (SELECT group_concat(state) FROM deliveries WHERE notice_id = notices.id) FROM notices"
    ):
        hour = (created - epoch) // 3_600_000_000
        assert states in (DeliveryState.WAITING, DeliveryState.DELIVERED), f"a notice with deliveries {states}"
        found["notice", hour] = 1
        if states == DeliveryState.DELIVERED:
            found["delivered", hour] = 1
    return found
