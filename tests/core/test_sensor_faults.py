"""Sensors that stick, drift, say what cannot be or fall silent, put into recorded rooms by a seed, and their words."""

from __future__ import annotations

import random

import numpy as np
import pytest

from curewatch.records import Reading
from curewatch.studio import morning_digest
from curewatch.studio.air import flaws
from curewatch.studio.air.climate import climate_from
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.air.merging import Readings
from curewatch.studio.air.quality import examined
from curewatch.studio.air.sensors import (
    LowBattery,
    battery_findings,
    battery_notices,
    both_stuck,
    low_batteries,
    silent_since,
    stuck,
)
from curewatch.studio.alarms.conditions import OFF, ON, OccupiedRoom, fresh_code
from curewatch.studio.board import Board, RoomLine
from curewatch.studio.morning_digest import notice
from tests.core.sensor_injector import (
    ALONE,
    BESIDE,
    SPAN_D,
    STEPS,
    falls_silent,
    leaps_to_the_end,
    recorded,
    says,
    sticks,
    stretch,
)  # fmt: skip
from tests.studio_scene import LIMITS, NOON, SHED, at, drying, local

JUDGED = (Flaw.STUCK, Flaw.IMPOSSIBLE, Flaw.DRIFT, Flaw.SILENT)
HOUR = 3600.0


@pytest.mark.parametrize("steps", STEPS)
def test_no_sensor_that_tells_of_a_recorded_room_is_accused_in_two_and_a_half_years(steps: tuple[float, float]) -> None:
    """873 days of three rooms; the limits were set with these records, and stand two to three times above them."""
    for name, room in recorded():
        found = examined(stretch(room, room.epoch_s[0], 1e4, steps))[1]
        assert [one for one in found if one.flaw in JUDGED] == [], name


@pytest.mark.parametrize("sensors", [1, 2])
def test_faults_put_into_recorded_rooms_are_found_where_they_began(sensors: int) -> None:
    """Of what a sensor says of itself, every one; of a standing still, what is long enough for the room."""
    chance, put_in, found = random.Random(7), 0, 0
    for inject in ALONE if sensors == 1 else BESIDE:
        for _, room in recorded():
            begin = chance.uniform(float(room.epoch_s[0]), float(room.epoch_s[-1]) - SPAN_D * 86400)
            fault = inject(stretch(room, begin, SPAN_D, STEPS[1], sensors), chance)
            mine = [one for one in examined(fault.readings)[1] if one.flaw is fault.flaw]
            put_in += 1
            found += any(one.since_s <= fault.since_s + HOUR for one in mine)
            if fault.flaw is not Flaw.STUCK:
                assert any(one.since_s <= fault.since_s + HOUR for one in mine), (fault.name, mine)
    print(f"{found} of {put_in} faults found, {'alone' if sensors == 1 else 'beside another'}")
    assert found >= put_in - 2


@pytest.mark.parametrize("columns", [{"temp_c": 85.0}, {"rh_pct": 0.0}, {"temp_c": 0.0, "rh_pct": 0.0}])
def test_what_cannot_be_never_reaches_the_air(columns: dict[str, float]) -> None:
    chance = random.Random(3)
    for _, room in recorded():
        sound = stretch(room, float(room.epoch_s[0]) + 5 * 86400, SPAN_D, STEPS[1])
        fault = says("what cannot be", 0.3, **columns)(sound, chance)
        was, now = climate_from(sound), climate_from(fault.readings)
        assert now is not None
        assert was.temp_c.min() <= now.temp_c.min()
        assert now.temp_c.max() <= was.temp_c.max()
        assert was.rh_pct.min() <= now.rh_pct.min()


def test_a_leap_to_the_end_of_the_scale_is_not_believed_but_a_way_there_is() -> None:
    t = np.arange(0, 86400, 600.0)
    rh = np.where(t < 40_000, 50.0, np.where(t < 60_000, 100.0, 51.0)) + 0.3 * np.sin(t / 900) * (t < 40_000)
    leap = Readings(t, 20 + np.sin(t / 5000), rh, np.zeros(len(t), dtype=int), ("s",), np.ones(len(t), dtype=bool))
    used, found = examined(leap)
    assert [(one.flaw, one.quantity) for one in found] == [(Flaw.IMPOSSIBLE, "rh_pct")]
    assert np.nanmax(used.rh_pct) < 60
    slow = np.minimum(100.0, 50 + t / 1000)
    assert examined(Readings(t, leap.temp_c, slow, leap.source, ("s",), leap.live))[1] == ()


def test_a_humidity_that_comes_apart_from_its_temperature_at_one_moment_is_judged_too() -> None:
    """Two topics of one device, received together."""
    t = np.repeat(np.arange(0, 86400, 600.0), 2)
    temp, rh = np.where(np.arange(len(t)) % 2 == 0, 20.0 + np.sin(t / 5000), np.nan), np.full(len(t), np.nan)
    rh[1::2] = 50 + np.sin(t[1::2] / 4000)
    rh[21] = 0.0
    found = examined(Readings(t, temp, rh, np.zeros(len(t), dtype=int), ("s",), np.ones(len(t), dtype=bool)))[1]
    assert [(one.flaw, one.quantity, one.since_s) for one in found] == [(Flaw.IMPOSSIBLE, "rh_pct", t[21])]


# --- what people are told ---


def _stuck_room(hours: float, *, source: str = "loft") -> OccupiedRoom:
    """A sensor that speaks to the tenth; its humidity stands still for the last `hours`, its temperature does not."""
    t = np.arange(-48 * HOUR, 1.0, 600.0)
    rh = np.round(50 + 5 * np.sin(t / 9000), 1)
    rh[t >= -hours * HOUR] = rh[t < -hours * HOUR][-1]
    columns = (NOON.timestamp() + t, np.round(20 + 2 * np.sin(t / 14_000), 1), rh)
    one = Readings(*columns, np.zeros(len(t), dtype=int), (source,), np.ones(len(t), dtype=bool))
    return OccupiedRoom(SHED, (drying(poured=-40),), {}, climate_from(one), has_sensor=True)


def test_the_only_sensor_of_a_room_stuck_for_half_a_day_makes_the_room_count_as_unread() -> None:
    assert fresh_code(_stuck_room(11), NOON, LIMITS) == OFF
    room = _stuck_room(13)
    assert fresh_code(room, NOON, LIMITS) == ON
    (finding,) = room.doubted
    assert (finding.flaw, finding.quantity, finding.sure) == (Flaw.STUCK, "rh_pct", True)
    assert room.climate.newest_at == NOON  # and its other quantity goes on to be watched


def test_what_stands_still_for_less_long_is_stuck_where_all_of_it_does_or_another_sensor_moved() -> None:
    """13 hours of both quantities at once; 7 hours of one, in which the sensor beside it rose by five degrees."""
    t = np.arange(0.0, 48 * HOUR + 1, 600.0)
    temp, rh = np.round(20 + 2 * np.sin(t / 14_000), 1), np.round(50 + 5 * np.sin(t / 9000), 1)
    for hours, times in ((11, 0), (13, 1)):
        still = t >= (48 - hours) * HOUR
        assert len(both_stuck(t, np.where(still, 20.4, temp), np.where(still, 51.3, rh))) == times, hours
    warmed = np.where(t < 44 * HOUR, 18.0, 23.0)
    for hours, others, times in ((7, [(t, warmed)], 1), (7, [], 0), (5, [(t, warmed)], 0)):
        assert len(stuck(t, np.where(t >= (48 - hours) * HOUR, 20.4, temp), "temp_c", others)) == times, hours


@pytest.mark.parametrize(
    ("every_min", "quiet_h", "silent"),
    [(10, 1.9, False), (10, 2.1, True), (60, 3.9, False), (60, 4.1, True), (10, 73, False)],
)
def test_a_sensor_beside_others_is_silent_after_four_intervals_and_two_hours(
    every_min: int, quiet_h: float, silent: bool
) -> None:
    own = np.arange(0.0, 10 * HOUR + 1, every_min * 60.0)
    assert silent_since(own, own[-1] + quiet_h * HOUR) == (own[-1] if silent else None)


def test_a_stuck_sensor_that_moves_again_is_believed_again() -> None:
    room = _stuck_room(13)
    moved = room.climate.time_s[-1] + 600.0
    assert room.doubted[0].until_s < moved


def line(flaw: Flaw, since_h: float, **more: object) -> RoomLine:
    """A room whose sensor has been so for `since_h` hours, up to now."""
    now_s = NOON.timestamp()
    finding = Finding(flaw, now_s - since_h * HOUR, now_s, "loft", **more)
    return RoomLine(SHED, None, 20.0, 50.0, NOON, pieces=1, quality=(finding,))


def board(room: RoomLine) -> Board:
    return Board(NOON, (), (room,), ())


def test_a_sensor_that_is_off_is_told_on_the_first_morning_alone_and_never_twice_by_itself() -> None:
    told = notice("Ada", board(line(Flaw.SILENT, 5, after_s=2 * HOUR)), {}, NOON, local)
    assert told is not None
    assert str(told.title) == f"Today: look at the sensors in {SHED}"
    assert str(told.text).endswith("Look at its battery and its place.")
    assert notice("Ada", board(line(Flaw.SILENT, 30, after_s=2 * HOUR)), {}, NOON, local) is None
    assert notice("Ada", board(line(Flaw.DRIFT, 200, quantity="rh_pct", size=7.0, others=1)), {}, NOON, local) is None


def test_a_single_value_that_cannot_be_and_an_empty_room_trouble_nobody() -> None:
    once = line(Flaw.IMPOSSIBLE, 3, quantity="temp_c", size=85.0)
    assert morning_digest.for_a_person([once], (), NOON) == []
    often = line(Flaw.IMPOSSIBLE, 3, quantity="temp_c", size=85.0, count=9)
    assert len(morning_digest.for_a_person([often], (), NOON)) == 1
    nobody = RoomLine(SHED, None, 20.0, 50.0, NOON, pieces=0, quality=often.quality)
    assert morning_digest.for_a_person([nobody], (), NOON) == []


@pytest.mark.parametrize(
    ("finding", "says_"),
    [
        (Finding(Flaw.STUCK, 0, 5e4, "loft", "rh_pct"), "loft has said the same humidity since"),
        (
            Finding(Flaw.IMPOSSIBLE, 0, 5e4, "loft", "temp_c", 85.0, count=7),
            "a temperature no room has 7 times, last 85",
        ),
        (Finding(Flaw.DRIFT, 0, 864000, "loft", "rh_pct", -7.2, others=1), "moved apart by 7.2 %RH in 10 days"),
        (Finding(Flaw.DRIFT, 0, 864000, "loft", "rh_pct", -7.2, others=2), "away from the room's other sensors by 7.2"),
        (Finding(Flaw.SILENT, 0, 5e4, "loft"), "loft is silent since"),
        (Finding(Flaw.BATTERY, 0, 5e4, "loft", size=9.0), "its battery is low, 9 %"),
    ],
)
def test_a_finding_says_which_sensor_and_what(finding: Finding, says_: str) -> None:
    assert says_ in str(flaws.text(finding))


def test_a_charge_that_the_newest_message_does_not_say_is_not_made_up() -> None:
    assert str(flaws.text(Finding(Flaw.BATTERY, 0, 5e4, "loft"))) == "loft: its battery is low"


# --- batteries ---


def heard(hours: float, charge: float | None) -> dict[tuple[str, str], Reading]:
    one = Reading(
        room=SHED, at=at(hours), temp_c=20, rh_pct=50, source="loft", received_at=at(hours), battery_pct=charge
    )
    return {(SHED, "loft"): one}


def told_over(charges: list[float | None], step_h: float = 0.5) -> list[str]:
    low: tuple[LowBattery, ...] = ()
    told = []
    for i, charge in enumerate(charges):
        newest = heard(i * step_h, charge)
        after = low_batteries(low, newest, 15, 10, at(i * step_h))
        told += [one.key for one in battery_notices(low, after, newest, at(i * step_h))]
        low = after
    return told


def test_a_battery_that_hovers_around_its_limit_for_days_is_told_once() -> None:
    assert len(told_over([14.0, 17.0] * 200)) == 1
    assert len(told_over([14.0] * 5 + [60.0] * 5 + [12.0] * 5)) == 2  # changed, and run down again


def test_one_zero_among_good_charges_and_a_charge_nobody_says_tell_nothing() -> None:
    assert told_over([80.0, 0.0, 80.0, 80.0] * 20) == []
    assert told_over([None] * 20) == []
    assert len(told_over([14.0, None, 14.0, None, 14.0])) == 1


def test_a_low_battery_stands_on_the_board_until_it_is_changed() -> None:
    low = (LowBattery(room=SHED, source="loft", since=at(-9), told=True),)
    (finding,) = battery_findings(low, heard(0, 9.0), SHED)
    assert (finding.flaw, finding.size) == (Flaw.BATTERY, 9.0)
    assert low_batteries(low, heard(0, 9.0), 0, 10, NOON) == ()  # 0 switches it off
    assert low_batteries(low, heard(-100, 9.0), 15, 10, NOON) == ()  # a sensor that is gone


def test_a_sensor_beside_another_that_sticks_or_goes_leaves_the_air_with_the_other() -> None:
    chance = random.Random(11)
    for inject in (sticks("temp_c", "rh_pct"), falls_silent, leaps_to_the_end):
        for _, room in recorded():
            begin = float(room.epoch_s[0]) + 20 * 86400
            sound = stretch(room, begin, SPAN_D, STEPS[1], 2)
            if inject is leaps_to_the_end and sound.rh_pct.min() > 70:
                continue
            fault = inject(sound, chance)
            climate, was = climate_from(fault.readings), climate_from(sound)
            late = climate.time_s[climate.time_s > fault.since_s + 12 * HOUR]
            assert climate.newest_s == was.newest_s
            assert np.abs(climate.at(late)[0] - was.at(late)[0]).max(initial=0.0) < 2.0
