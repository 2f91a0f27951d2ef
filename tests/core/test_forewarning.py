"""Before it happens: what an outlook would do to wet pieces, the morning's work, and one alarm for all silent rooms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from curewatch.records import Alarm, AlarmKind, AlarmState, MilestoneKind, Notice
from curewatch.studio import morning_digest
from curewatch.studio.air.climate import AirBands
from curewatch.studio.alarms import evaluation, forewarning
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.alarms.evaluation import evaluate_room
from curewatch.studio.alarms.forewarning import Foreseen, foreseen
from curewatch.studio.board import Board, board
from curewatch.studio.wording import SAFETY, VARNISH_CAUTION
from tests.studio_scene import LIMITS, SHED, air, at, dates, drying, every, local, room

HANDLE = MilestoneKind.HANDLE


def future(*temps: tuple[float, float], rh: float = 50, low_by: float = 2.0, start: float = 0.5) -> AirBands:
    """Hourly air to come: (hours from NOON, temperature) joined by lines."""
    hours = start + np.arange(24)
    mid = np.interp(hours, [h for h, _ in temps], [t for _, t in temps])
    humid = np.full(24, rh)
    return AirBands(np.array([at(h).timestamp() for h in hours]), mid - low_by, mid, humid, humid + 5)


def wet_room(until: float = 40.0) -> OccupiedRoom:
    return room(
        drying(poured=-4), climate=air(*every(10, 0, 18, 50, start=-4)), forecasts=[dates(safe={HANDLE: until})]
    )


def test_a_cold_night_to_come_is_foreseen_with_its_hours_and_what_is_at_stake() -> None:
    found = foreseen(wet_room(), future((0, 18), (8, 12), (10, 6), (16, 6), (20, 15)), LIMITS, at(0))
    assert found is not None
    assert found.kind is AlarmKind.COLD
    assert at(8) < found.begins_at < at(10)
    assert found.coldest_c == pytest.approx(6)
    assert [d.piece.name for d in found.stake] == ["Heron"]


def test_frost_is_told_at_one_in_ten_and_before_cold() -> None:
    night = future((0, 18), (10, 3), (20, 3), low_by=4)
    found = foreseen(wet_room(), night, LIMITS, at(0))
    assert found is not None
    assert found.kind is AlarmKind.FROST
    assert found.coldest_low_c == pytest.approx(-1)


def test_damp_air_to_come_is_foreseen() -> None:
    found = foreseen(wet_room(), future((0, 18), (24, 18), rh=85), LIMITS, at(0))
    assert found is not None
    assert found.kind is AlarmKind.DAMP


@pytest.mark.parametrize(
    ("until", "night"),
    [
        (40, ((0, 18), (24, 18))),  # a mild night
        (5, ((0, 18), (8, 12), (10, 6), (24, 6))),  # dry by then
        (40, ((0, 18), (17, 18), (18, 5), (24, 5))),  # not before tomorrow's noon
    ],
)
def test_nothing_is_foreseen_where_nothing_comes(until: float, night: tuple[tuple[float, float], ...]) -> None:
    assert foreseen(wet_room(until), future(*night), LIMITS, at(0)) is None
    assert foreseen(replace(wet_room(), dryings=()), future((0, 0), (24, 0)), LIMITS, at(0)) is None


def test_it_is_said_in_the_evening_with_what_to_do_by_when() -> None:
    assert [forewarning.is_time_to_tell(at(h), local) for h in (3, 4, 10.9, 11)] == [False, True, True, False]
    now = at(6)
    found = foreseen(wet_room(), future((0, 18), (8, 12), (10, 6), (16, 6), (20, 15)), LIMITS, now)
    assert found is not None
    notice = forewarning.notice(wet_room(), found, now, local)
    assert str(notice.title) == "Boat shed: will be too cold for wet paint from Fri 20 Nov 20:30"
    assert "At stake: Heron." in str(notice.text)
    assert "Before Fri 20 Nov 20:30: warm the room slowly to 14 °C or more. Never leave a heater" in str(notice.text)
    assert notice.key == "foreseen/cold/Boat_20_shed/2026-11-20"


def test_a_room_that_cannot_be_heated_is_foretold_once_with_what_can_be_done_there() -> None:
    night = future((0, 18), (8, 12), (10, 6), (16, 6), (20, 15))
    cold = replace(wet_room(), heated=False, elsewhere={"Loft": (19.0, 50.0), "Cellar": (8.0, 70.0)})
    keys = set()
    for evening in (6, 6 + 24):
        found = foreseen(cold, night, LIMITS, at(6))
        assert found is not None
        notice = forewarning.notice(cold, found, at(evening), local)
        keys.add(notice.key)
        assert "carry Heron, level, to Loft (19 °C, 50 %RH when last read)" in str(notice.text)
        assert "warm the room" not in str(notice.text)
    assert keys == {"alarm/cold/Boat_20_shed/unheated/1"}, "the alarm's own, so that one of them is told"


# --- Morning -----------------------------------------------------------------------------------------------------


def mornings_board(*, damp: bool = False) -> Board:
    pieces = (
        drying("Heron", piece_id=1, place="rack 2"),
        drying("Reed", piece_id=2),
        drying("Eel", piece_id=3, silicone=True),
        drying("Far off", piece_id=4),
    )
    ready = dict.fromkeys(MilestoneKind, -1.0)
    known = {
        1: dates(1, even={"set": -9, "touch_dry": 3}, safe={"set": -8}),
        2: dates(2, even={"set": -9, "touch_dry": -1}, safe={"set": -8}),
        3: dates(3, even=ready, safe=ready),
        4: dates(4, even={"set": 30}, safe={"set": 40}),
    }
    alarm = Alarm(
        kind=AlarmKind.DAMP, room=SHED, state=AlarmState.ACTIVE, since=at(-2), raised_at=at(-2), evaluated_at=at(0)
    )
    return board(pieces, known, [], [alarm] if damp else [], at(0))


def turns_damp() -> dict[str, Foreseen]:
    return {SHED: Foreseen(AlarmKind.DAMP, at(7), at(12), 12, 10, 85, ())}


def test_the_days_work_in_one_line_and_then_piece_by_piece() -> None:
    notice = morning_digest.notice("Ada", mornings_board(), turns_damp(), at(0), local)
    assert notice is not None
    assert str(notice.title) == "Today: check two pieces, varnish one piece before the room turns damp today 19:00"
    assert str(notice.text).splitlines() == [
        "Reed, Boat shed: worth checking whether it is touch-dry.",
        "Heron, Boat shed, rack 2: worth checking whether it is touch-dry from today 15:00.",
        "Eel, Boat shed: can be varnished. Wash the silicone off first. Boat shed turns damp from today 19:00: be done "
        f"before. {VARNISH_CAUTION}",
        str(SAFETY),
    ]
    assert notice.data["person"] == "Ada"


def test_an_alarm_nobody_saw_comes_first() -> None:
    notice = morning_digest.notice("Ada", mornings_board(damp=True), {}, at(0), local)
    assert notice is not None
    assert str(notice.title).startswith("Today: look at Boat shed first, check two pieces")
    assert "Not while Boat shed is damp." in str(notice.text)


def test_a_day_without_work_is_not_told() -> None:
    far = board((drying("Far off"),), {1: dates(1, even={"set": 30})}, [], [], at(0))
    assert morning_digest.notice("Ada", far, {}, at(0), local) is None


def test_a_morning_lasts_some_hours_and_comes_once_a_day() -> None:
    assert [morning_digest.is_morning(7, at(h), local) for h in (-5.1, -5, -0.1, 0)] == [False, True, True, False]
    assert morning_digest.next_morning(7, at(0), local) == at(19)
    assert morning_digest.next_morning(13, at(0), local) == at(1)
    assert (
        morning_digest.key_of("Ada", at(0), local)
        == morning_digest.key_of("Ada", at(11), local)
        != morning_digest.key_of("Ada", at(13), local)
    )


# --- Silence -----------------------------------------------------------------------------------------------------


def rooms(now: float, *heard: float, sensor: bool = True) -> list[OccupiedRoom]:
    """Rooms last heard at these hours."""
    return [
        OccupiedRoom(
            f"Room {i}",
            (drying(piece_id=i + 1, rooms=[(f"Room {i}", 0)]),),
            {},
            air(*every(10, last, 18, 50, start=last - 1)),
            sensor,
        )
        for i, last in enumerate(heard)
    ]


def test_all_sensors_silent_at_once_raise_one_alarm() -> None:
    alarms: dict[str, dict[AlarmKind, Alarm]] = {f"Room {i}": {} for i in range(3)}
    told: list[Notice] = []
    for minute in range(0, 24 * 60, 5):
        hours = minute / 60
        last = min(hours, 3.0)
        seen = evaluation.together(rooms(hours, last, last - 0.2, last - 0.1), at(hours), LIMITS)
        new: list[Notice] = []
        for one in seen:
            watched = evaluate_room(one, alarms[one.name], at(hours), LIMITS)
            alarms[one.name] |= {alarm.kind: alarm for alarm in watched.changed}
            new += watched.told
        tell, kept = evaluation.joint_notices(new, seen, at(hours))
        told += tell
        assert all(notice.data["told_in"] == tell[0].key for notice in kept)
    (one_alarm,) = told
    assert str(one_alarm.title) == "No sensor is heard: Room 0, Room 1 and Room 2"
    assert "No sensor has been heard for long, the last Fri 20 Nov 15:00: Room 0" in str(one_alarm.text)
    assert one_alarm.data["rooms"] == ["Room 0", "Room 1", "Room 2"]


@pytest.mark.parametrize(
    ("heard", "together"),
    [((0, 0), True), ((0, 0.6), False), ((0,), False), ((0.5, 0.5), False)],
)
def test_silent_together_only_where_all_are_and_there_are_several(heard: tuple[float, ...], together: bool) -> None:
    marked = evaluation.together(rooms(1.02, *heard), at(1.02), LIMITS)
    assert [one.silent_together for one in marked] == [together] * len(heard)


def test_rooms_that_people_read_are_not_silent_sensors() -> None:
    marked = evaluation.together(rooms(2, 0, 0, sensor=False), at(2), LIMITS)
    assert not any(one.silent_together for one in marked)
