"""Days of readings, packed and rolled up: whatever comes in, whenever, both say what was read."""

from __future__ import annotations

import random
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from alembic.config import Config

from curewatch.desk.snapshot.air import readings_of
from curewatch.records import Reading
from curewatch.records.facts import TYPED
from curewatch.records.rollup import columns_of, micros, rolled_up
from curewatch.store import CannotOpen, Store, Transaction
from curewatch.store.engine import for_writing, sqlite_engine, to_micros, use_wal
from curewatch.store.queries import history
from curewatch.store.schema import MIGRATIONS
from curewatch.studio.air.climate import climate_from
from tests.new_store import HOUR, NOON, SHED
from tests.new_store import any_store as any_store

DAY = timedelta(days=1)


def made(rng: random.Random, days: int = 3) -> list[Reading]:
    """Of a sensor every half minute, one that sends its two quantities apart, a rare one and a person; with spikes."""
    found = []
    for source, step_s in (("fine", 30), ("apart", 120), ("rare", 2400), (TYPED, 7000)):
        at = NOON - DAY + timedelta(seconds=rng.uniform(0, step_s))
        while at < NOON + (days - 1) * DAY:
            at += timedelta(seconds=rng.gauss(step_s, step_s / 20))
            hour = (at - NOON) / HOUR
            temp = round(
                18 + 3 * np.sin(hour / 4) + rng.gauss(0, 0.1) + (rng.random() < 0.002) * 15, rng.choice([1, 2, 9])
            )
            rh = round(50 + 8 * np.cos(hour / 5) + rng.gauss(0, 0.5), 1)
            pairs = [(temp, None), (None, rh)] if source == "apart" else [(temp, rh)]
            for one, other in pairs:
                kept, charge = rng.random() < 0.001, rng.choice([None, 71.0])
                came = at + timedelta(seconds=rng.choice([0, 0.25, 90]))
                values = {"temp_c": one, "rh_pct": other, "retained": kept, "battery_pct": charge}
                found.append(Reading(room=SHED.name, source=source, at=at, received_at=came, **values))
    return found


def days_of(tx: Transaction) -> list[tuple[int, int]]:
    return sorted(tx._connection.exec_driver_sql("SELECT source_id, day FROM rolled_days").all())


def test_what_is_packed_is_what_was_read_whatever_comes_late_twice_or_is_forgotten(any_store: Store) -> None:
    rng = random.Random(11)
    known = {(one.source, one.at, one.temp_c is None): one for one in made(rng)}
    coming = sorted(known.values(), key=lambda one: one.received_at)
    late = [coming.pop(rng.randrange(len(coming))) for _ in range(60)]
    forgotten = rng.sample([one for one in coming if one.source != TYPED], 25)
    while coming:
        some, coming = coming[: (many := rng.choice([1, 40, 3000]))], coming[many:]
        with any_store.write() as tx:
            assert tx.add_readings([*some, *rng.sample(some, 1)]) == len(some)
    with any_store.write() as tx:
        assert tx.add_readings(late) == len(late)
        assert tx.add_readings(rng.sample(list(known.values()), 200)) == 0, "each is stored, wherever"
        tx.pack()
        for one in forgotten:
            gone = [key for key in known if key[:2] == (one.source, one.at)]
            assert tx.forget_reading(SHED.name, one.source, one.at) == len(gone)
            for key in gone:
                del known[key]
    with any_store.read() as tx:
        assert len(days_of(tx)) > 8
        assert tx.readings(SHED.name) == sorted(
            known.values(), key=lambda one: (one.at, one.source, one.temp_c is None)
        )
        assert tx.count_readings(SHED.name) == tx.counts()["readings"] == len(known)
        for source, day in days_of(tx):
            raw, rolled = tx._raw_day(source, day), tx._rolled_day(source, day)
            assert raw is not None
            assert rolled is not None
            assert history.same_rows(rolled, rolled_up(history._rolled_of(raw), whole=True))
            assert {TYPED} & {tx._sources_of(SHED.name)[source]} == set()
        newest = tx.newest_by_source()
        assert {source: one.at for (_, source), one in newest.items()} == {
            source: max(one.at for one in known.values() if one.source == source) for _, source in newest
        }
        between = tx.newest_by_source(until=NOON)
        assert {source: one.at for (_, source), one in between.items()} == {
            source: max(one.at for one in known.values() if one.source == source and one.at <= NOON)
            for _, source in newest
        }


def raw_climate(readings: list[Reading], sources: list[str]):  # type: ignore[no-untyped-def]
    at = np.array([to_micros(one.at) for one in readings])
    temp, rh = (np.array([getattr(one, name) for one in readings], dtype=float) for name in ("temp_c", "rh_pct"))
    numbers = np.array([sources.index(one.source) for one in readings])
    retained = np.array([one.retained for one in readings])
    return climate_from(readings_of(columns_of(at, temp, rh, numbers, sources, retained)))


@pytest.mark.parametrize("source", ["fine", "apart", "rare"])
def test_the_air_of_a_room_is_the_same_from_what_was_read_and_from_its_roll_up(any_store: Store, source: str) -> None:
    """Spikes are left out of both; a sensor's five minutes are the grain of either."""
    readings = [one for one in made(random.Random(5)) if one.source == source]
    with any_store.write() as tx:
        tx.add_readings(readings)
        columns = rolled_up(tx.reading_columns(SHED.name), alone=[TYPED])
    exact, rolled = raw_climate(readings, [source]), climate_from(readings_of(columns))
    assert exact is not None
    assert rolled is not None
    assert len(columns.epoch_s) < len(readings) / 2 or source == "rare"
    assert (rolled.newest_s, rolled.live_s) == (exact.newest_s, exact.live_s)
    assert [one.since_s for one in rolled.findings] == [one.since_s for one in exact.findings]
    for got, said in ((rolled.time_s, exact.time_s), (rolled.temp_c, exact.temp_c), (rolled.rh_pct, exact.rh_pct)):
        assert np.abs(got - said).max() < 1e-3


def test_rolled_up_by_and_by_is_as_rolled_up_at_once() -> None:
    rng = random.Random(3)
    readings = [one for one in made(rng) if one.source == "fine"]
    at = np.array([to_micros(one.at) for one in readings])
    columns = columns_of(
        at, np.array([one.temp_c for one in readings]), np.array([one.rh_pct for one in readings]),
        np.zeros(len(at), dtype=np.int64), ("fine",), np.zeros(len(at), dtype=bool),
    )  # fmt: skip
    at_once = rolled_up(columns, whole=True)
    again = rolled_up(at_once, whole=True)
    assert history.same_rows(at_once, again)
    assert int(at_once.number.sum()) == len(readings)
    calm = at_once.number > 1
    assert (at_once.temp_low <= at_once.temp_c)[calm].all()
    assert (at_once.temp_c <= at_once.temp_high)[calm].all()
    first = int(micros(at_once.epoch_s)[calm][3]) // 300_000_000
    own = [one.temp_c for one in readings if to_micros(one.at) // 300_000_000 == first]
    row = np.flatnonzero(micros(at_once.epoch_s) // 300_000_000 == first)[0]
    assert (at_once.temp_low[row], at_once.temp_high[row], at_once.number[row]) == (min(own), max(own), len(own))
    assert at_once.temp_sd[row] == pytest.approx(np.std(own), abs=1e-3)
    assert at_once.temp_c[row] == pytest.approx(np.mean(own), abs=1e-4)


# --- a store from before ---


def make_store_of_before(path: Path, readings: list[Reading]) -> None:
    """As the version before days were packed left it."""
    config, engine = Config(), sqlite_engine(path)
    config.set_main_option("script_location", str(MIGRATIONS))
    use_wal(engine, str(path))
    with for_writing(engine).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0025")
        connection.exec_driver_sql("INSERT INTO rooms (name) VALUES (?)", (SHED.name,))
        names = sorted({one.source for one in readings})
        for number, name in enumerate(names):
            connection.exec_driver_sql(
                "INSERT INTO sources (id, room, name) VALUES (?, ?, ?)", (number, SHED.name, name)
            )
        rows = [
            (
                names.index(one.source), to_micros(one.at), (one.temp_c is not None) + 2 * (one.rh_pct is not None),
                one.temp_c, one.rh_pct, to_micros(one.received_at), one.battery_pct, one.retained, one.logged_by,
            )
            for one in readings
        ]  # fmt: skip
        connection.exec_driver_sql("INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
    engine.dispose()


def test_an_old_store_is_packed_day_by_day_and_goes_on_after_a_cut(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    readings, path = made(random.Random(8)), tmp_path / "studio.sqlite"
    make_store_of_before(path, readings)
    days, real = list[datetime](), Transaction.pack_some_of_before

    def cut(self: Transaction) -> bool:
        if len(days) == 3:
            raise KeyboardInterrupt
        days.append(NOON)
        return real(self)

    monkeypatch.setattr(Transaction, "pack_some_of_before", cut)
    with pytest.raises(KeyboardInterrupt):
        Store.open(path)
    monkeypatch.undo()
    with pytest.raises(CannotOpen, match="are being packed"):
        Store.open(path, migrate=False)
    size = path.stat().st_size
    with Store.open(path) as store, store.read() as tx:
        assert tx.readings(SHED.name) == sorted(readings, key=lambda one: (one.at, one.source, one.temp_c is None))
        assert tx.count_readings(SHED.name) == len(readings)
        assert len(days_of(tx)) > 8
    assert path.stat().st_size < size / 1.5
    with Store.open(path, migrate=False) as store, closing(store), store.write() as tx:
        assert tx.add_readings(readings) == 0
