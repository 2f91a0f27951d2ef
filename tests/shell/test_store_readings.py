"""Readings: what a duplicate is, which is newest, and the arrays that say the same as the records."""

from __future__ import annotations

import math
import random

import pytest

from curewatch.records import Reading, Room
from curewatch.store import FactRefused, Store
from tests.new_store import HOUR, LOFT, MINUTE, NOON, SHED, TICK, reading
from tests.new_store import any_store as any_store


def test_readings_come_back_ordered_and_bounds_are_included(any_store: Store) -> None:
    full = Reading(
        room=SHED.name, at=NOON, received_at=NOON + HOUR, temp_c=-3.1, rh_pct=0.0, battery_pct=71.0, retained=True
    )
    later = [reading(3), reading(1), reading(2, temp_c=20.1), reading(1, room=LOFT)]
    with any_store.write() as tx:
        assert tx.add_readings([*later, full]) == 5
    with any_store.read() as tx:
        assert tx.readings(SHED.name) == [full, later[1], later[2], later[0]]
        assert tx.readings(SHED.name, since=NOON + MINUTE, until=NOON + 2 * MINUTE) == [later[1], later[2]]
        assert tx.readings(SHED.name, since=NOON + MINUTE + TICK, until=NOON + 2 * MINUTE - TICK) == []
        assert tx.readings("Attic") == []


def test_a_reading_delivered_twice_counts_once_and_the_first_stands(any_store: Store) -> None:
    first, again = reading(), reading(temp_c=18.3, rh_pct=61.0)
    with any_store.write() as tx:
        assert tx.add_readings([first, again]) == 1
        assert tx.add_readings(iter([first, reading(1)])) == 1
        assert tx.add_readings([]) == 0
        assert tx.readings(SHED.name) == [first, reading(1)]


def test_temperature_and_humidity_sent_apart_under_one_time_are_both_kept(any_store: Store) -> None:
    temp, rh = reading(temp_c=18.0), reading(rh_pct=60.0)
    with any_store.write() as tx:
        assert tx.add_readings([temp]) == 1
        assert tx.add_readings([rh, temp]) == 1
        assert tx.add_readings([reading(source="door", temp_c=18.0), reading(room=LOFT, temp_c=18.0)]) == 2
        assert tx.counts()["readings"] == 4


def test_readings_of_an_unknown_room_are_refused_by_name_and_none_is_kept(any_store: Store) -> None:
    with pytest.raises(FactRefused, match="'Attic'"), any_store.write() as tx:
        tx.add_readings([reading(), reading(room=Room(name="Attic"))])
    with any_store.read() as tx:
        assert tx.counts()["readings"] == 0


def test_the_newest_reading_is_the_one_with_the_latest_time_not_the_last_to_arrive(any_store: Store) -> None:
    with any_store.write() as tx:
        assert tx.newest_by_source() == {}
        tx.add_readings([reading(5), reading(9, source="door", temp_c=1.0)])
        tx.add_readings([reading(2), reading(1, source="door"), reading(1, room=LOFT)])
    with any_store.read() as tx:
        assert tx.newest_by_source() == {
            (SHED.name, "window"): reading(5),
            (SHED.name, "door"): reading(9, source="door", temp_c=1.0),
            (LOFT.name, "window"): reading(1, room=LOFT),
        }


def test_of_two_newest_readings_of_one_time_the_last_received_is_told(any_store: Store) -> None:
    temp = reading(temp_c=18.0)
    rh = reading(rh_pct=60.0).model_copy(update={"received_at": temp.received_at + TICK})
    with any_store.write() as tx:
        tx.add_readings([rh, temp])
        assert tx.newest_by_source() == {(SHED.name, "window"): rh}


def test_columns_say_the_same_as_the_records(any_store: Store) -> None:
    rng = random.Random(4)
    kinds = [(18.0, None), (None, 60.5), (17.25, 61.0)]
    made = [
        reading(rng.randrange(0, 500) / 7, source=rng.choice("abc"), temp_c=temp_c, rh_pct=rh_pct)
        for temp_c, rh_pct in rng.choices(kinds, k=300)
    ]
    since, until = NOON + 10 * MINUTE, NOON + 50 * MINUTE
    with any_store.write() as tx:
        tx.add_readings(made)
        records = tx.readings(SHED.name, since=since, until=until)
        columns = tx.reading_columns(SHED.name, since=since, until=until)
    assert len(records) > 100
    assert [columns.sources[i] for i in columns.source] == [record.source for record in records]
    assert columns.epoch_s.tolist() == [record.at.timestamp() for record in records]
    for got, records_say in (
        (columns.temp_c, [record.temp_c for record in records]),
        (columns.rh_pct, [record.rh_pct for record in records]),
    ):
        assert [None if math.isnan(value) else value for value in got.tolist()] == records_say


def test_columns_of_a_room_without_readings_are_empty(any_store: Store) -> None:
    with any_store.read() as tx:
        columns = tx.reading_columns("Attic")
    assert [len(part) for part in columns] == [0] * len(columns)
