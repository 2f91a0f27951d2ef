"""Two devices under one name are known by their values; no recorded room is taken for two."""

from __future__ import annotations

import csv
import random
from datetime import datetime

import pytest

from curewatch.intake.mqtt.duplicate_devices import LAST, WITHIN_S, DuplicateDevices
from tests.whole.rooms import folder


def seen(values: list[tuple[float | None, float | None]], every_s: float = 60.0) -> DuplicateDevices:
    twins = DuplicateDevices()
    for number, (temp_c, rh_pct) in enumerate(values):
        twins.see("window", number * every_s, temp_c, rh_pct)
    return twins


def test_two_devices_in_two_rooms_are_found_whatever_their_order() -> None:
    chance = random.Random(1)
    for _ in range(50):
        mixed = [(21 + chance.gauss(0, 0.1), None) if chance.random() < 0.5 else (17.5, 60.0) for _ in range(60)]
        twins = DuplicateDevices()
        # for a while one of them may send most of the last messages; over an hour it shows
        assert any(twins.see("window", number * 60.0, *values) for number, values in enumerate(mixed))


def test_humidity_alone_tells_too_and_the_finding_ends_with_the_fault() -> None:
    in_turn = [(20.0, 45.0), (20.0, 62.0)] * 10
    assert seen(in_turn).found == {"window"}
    assert seen(in_turn + [(20.0, 62.0)] * LAST).found == frozenset()


@pytest.mark.parametrize(
    "values",
    [
        [(20.0, 50.0)] * 40,
        [(20.0 + n * 0.3, 50.0) for n in range(40)],  # a room that warms up
        [(18.0, 50.0)] * 20 + [(22.0, 50.0)] * 20,  # a sensor carried to another room
        [(20.0, 50.0)] * 19 + [(40.0, 50.0)] + [(20.0, 50.0)] * 20,  # one odd reading
        [(20.0, 50.0), (20.4, 52.0)] * 20,  # two that agree: no harm in them
    ],
)
def test_one_device_is_left_in_peace(values: list[tuple[float, float]]) -> None:
    assert seen(values).found == frozenset()


def test_a_heater_that_goes_on_and_off_all_day_is_no_second_device() -> None:
    assert seen([(18.0, 50.0), (21.0, 45.0)] * 20, every_s=WITHIN_S / 10).found == frozenset()


def test_no_recorded_room_is_taken_for_two() -> None:
    files = sorted(folder().glob("*.csv"))
    seen_of = changes = 0
    for file in files:
        twins = DuplicateDevices()
        with file.open(newline="", encoding="utf-8") as lines:
            for row in csv.DictReader(lines):
                if row["temp_c"] and row["rh_pct"]:
                    at_s = datetime.fromisoformat(row["time_utc"]).timestamp()
                    changes += twins.see(file.stem, at_s, float(row["temp_c"]), float(row["rh_pct"]))
                    seen_of += 1
    print(f"{seen_of} readings of {len(files)} recorded rooms, {changes} changes of mind")
    assert seen_of > 10_000
    assert changes == 0
