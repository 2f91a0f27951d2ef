"""What the desk keeps of the rooms' air is only ever a copy of what is stored."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from curewatch.desk import Desk
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.snapshot.air import AirCache
from curewatch.store import Store, Transaction
from curewatch.studio.air.climate import Climate
from tests.new_store import NOON
from tests.shell.test_desk import HOUR, MINUTE, SHED, reading, sensed, settings_of

DAY = timedelta(days=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield store


@pytest.fixture
def desk(store: Store) -> Desk:
    return Desk(store, settings_of(sensors=(SHED,)))


def known(air: AirCache, store: Store, now: datetime, since: datetime = NOON) -> Climate | None:
    with store.read() as tx:
        return air.climate(tx, SHED, since, now)


def same(one: Climate | None, other: Climate | None, since: datetime = NOON) -> bool:
    """Whether two climates are the same air from `since` on."""
    if one is None or other is None:
        return one is other
    begin, times = since.timestamp(), np.arange(since.timestamp(), since.timestamp() + 3 * 86400, 333.0)
    history = [c.time_s[c.time_s >= begin].tolist() for c in (one, other)]
    scalars = [[getattr(c, f.name) for f in fields(c) if f.name in ("newest_s", "live_s")] for c in (one, other)]
    airs = [np.concatenate(c.at(times)).tolist() for c in (one, other)]
    return history[0] == history[1] and scalars[0] == scalars[1] and airs[0] == airs[1]


def test_a_copy_kept_up_is_the_air_read_anew_whatever_comes_in_between(desk: Desk, store: Store) -> None:
    """Late readings, batches, gaps, a second source, readings of the future: from a fixed seed."""
    rng, kept = np.random.default_rng(7), AirCache()
    now = NOON
    for step in range(60):
        now += timedelta(minutes=float(rng.choice([0.1, 1, 5, 17, 120])))
        if rng.random() < 0.8:
            back = timedelta(minutes=float(rng.choice([0, 0, 0.5, 2, 30, 3000, -60])))
            temp = None if rng.random() < 0.1 else float(rng.uniform(0, 30))
            store_readings(
                desk, [reading(now - back, temp, float(rng.uniform(20, 90)), source=str(rng.choice(["a", "b"])))]
            )
        assert same(known(kept, store, now), known(AirCache(), store, now)), step


def test_steady_looks_read_only_what_is_new(desk: Desk, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[int] = []
    real = Transaction.reading_columns

    def counting(self: Transaction, *args: Any, **kwargs: Any) -> Any:
        columns = real(self, *args, **kwargs)
        read.append(len(columns.epoch_s))
        return columns

    store_readings(desk, sensed(NOON, NOON + 10 * DAY))
    air, now = AirCache(), NOON + 10 * DAY
    known(air, store, now)
    monkeypatch.setattr(Transaction, "reading_columns", counting)
    for _ in range(20):
        now += 5 * MINUTE
        known(air, store, now)
        store_readings(desk, [reading(now - MINUTE, source="post")])  # stored a minute after its time, and after a look
    assert max(read) <= 3, "of 2,881"
    store_readings(desk, [reading(NOON + 5 * DAY + MINUTE, source="late")])
    read.clear()
    assert same(known(air, store, now), known(AirCache(), store, now))
    assert max(read) > 2000, "a late one: all of it again"


def test_readings_stored_after_a_look_at_their_time_are_not_missed(desk: Desk, store: Store) -> None:
    """They are written in batches, so a reading may come a minute after somebody looked."""
    store_readings(desk, sensed(NOON, NOON + HOUR))
    air = AirCache()
    known(air, store, NOON + HOUR + MINUTE)
    store_readings(desk, [reading(NOON + HOUR + MINUTE / 2, 3.0, source="post")])
    found = known(air, store, NOON + HOUR + 2 * MINUTE)
    assert found is not None
    assert found.temp_c[-1] < 20


def test_the_air_at_a_pour_is_known_from_both_sides_however_rare_the_readings(desk: Desk, store: Store) -> None:
    """And it is the same whether an older piece makes the desk read further back or not."""
    store_readings(desk, [reading(NOON - 10 * DAY, 10.0, None), reading(NOON - 9 * DAY, None, 40.0)])
    store_readings(desk, [reading(NOON + 10 * DAY, 20.0, 60.0)])
    now = NOON + 11 * DAY
    alone, older = known(AirCache(), store, now), known(AirCache(), store, now, NOON - 8 * DAY)
    assert alone is not None
    assert float(alone.at(NOON.timestamp())[0]) == pytest.approx(15.0)
    assert same(alone, older)


def test_a_room_read_only_long_before_the_pour_is_known_by_that(desk: Desk, store: Store) -> None:
    store_readings(desk, sensed(NOON - 40 * DAY, NOON - 40 * DAY + HOUR, temp=17))
    found = known(AirCache(), store, NOON + HOUR)
    assert found is not None
    assert found.newest_at == NOON - 40 * DAY + HOUR
    assert found.temp_c[-1] == 17


def test_a_room_never_read_or_half_is_not_known(desk: Desk, store: Store) -> None:
    assert known(AirCache(), store, NOON) is None
    store_readings(desk, [reading(NOON - MINUTE, 20.0, None)])
    assert known(AirCache(), store, NOON) is None


def test_when_the_clock_is_set_back_the_copy_forgets_what_is_not_yet(desk: Desk, store: Store) -> None:
    store_readings(desk, sensed(NOON, NOON + HOUR))
    store_readings(desk, sensed(NOON + HOUR + 5 * MINUTE, NOON + 3 * HOUR, temp=5))
    air = AirCache()
    known(air, store, NOON + 3 * HOUR)
    found = known(air, store, NOON + HOUR)
    assert found is not None
    assert (found.newest_at, found.temp_c[-1]) == (NOON + HOUR, 20.0)
    assert same(known(air, store, NOON + 3 * HOUR), known(AirCache(), store, NOON + 3 * HOUR))


def test_only_live_readings_make_a_room_fresh(desk: Desk, store: Store) -> None:
    store_readings(desk, [reading(NOON, source="post"), reading(NOON + HOUR, source="post", retained=True)])
    found = known(AirCache(), store, NOON + 2 * HOUR)
    assert found is not None
    assert (found.newest_at, found.live_at) == (NOON + HOUR, NOON)
