"""What cold does to a film stays with it; what dew would do to a varnish is said before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from curewatch.records import AlarmKind, Damage, MilestoneKind
from curewatch.studio.alarms import damage
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.alarms.damage import counted, in_words, newest, stands
from curewatch.studio.care import varnish_air
from tests.studio_scene import LIMITS, air, at, dates, drying, every, room

SET, TOUCH = MilestoneKind.SET, MilestoneKind.TOUCH_DRY
SETTING: dict[str, Any] = {"even": {SET: 4, TOUCH: 20}, "safe": {SET: 6, TOUCH: 24}}
Known = Mapping[tuple[int, AlarmKind], Damage]


def cold_room(temp_c: float, until: float, *, start: float = 0.0, **forecast: Any) -> OccupiedRoom:
    record = air(*every(5, until, temp_c, 50, start=start))
    return room(drying(), climate=record, forecasts=[dates(**(forecast or SETTING))])


def count(here: OccupiedRoom, known: Known, until: float) -> list[Damage]:
    return counted(here, known, at(0), at(until), LIMITS)


def test_hours_below_the_film_forming_temperature_while_it_sets() -> None:
    """From packed (4 h) to safe to assume touch-dry (24 h), not before and not after."""
    (found,) = count(cold_room(8, 30), {}, 30)
    assert found.kind is AlarmKind.COLD
    assert found.hours == pytest.approx(20, abs=0.1)  # half a step of the record at each end
    assert found.worst_c < 8
    assert stands(found)


def test_warm_air_or_no_air_harms_nothing() -> None:
    assert count(cold_room(20, 30), {}, 30) == []
    assert count(room(drying(), forecasts=[dates(**SETTING)]), {}, 30) == []


def test_cold_before_it_packs_or_after_it_is_dry_harms_no_film() -> None:
    assert count(cold_room(8, 3), {}, 3) == []
    late = cold_room(8, 30, start=25)
    assert counted(late, {}, at(25), at(30), LIMITS) == []


def test_frost_while_it_is_wet_counts_from_the_pour() -> None:
    kinds = {one.kind: one.hours for one in count(cold_room(-3, 3), {}, 3)}
    assert kinds == {AlarmKind.FROST: pytest.approx(3, abs=0.1)}  # half a step of the record at each end


def test_looking_every_five_minutes_counts_the_same_as_looking_once() -> None:
    here, known = cold_room(8, 30), dict[tuple[int, AlarmKind], Damage]()
    for step in range(1, 30 * 12 + 1):
        until = step / 12
        grown = count(cold_room(8, until), known, until)
        known = newest([*known.values(), *grown])
    (once,) = count(here, {}, 30)
    assert known[1, AlarmKind.COLD].hours == pytest.approx(once.hours, abs=0.1)  # half a step of the record at each end
    # the film's temperature is searched for to 5 mK
    assert known[1, AlarmKind.COLD].worst_c == pytest.approx(once.worst_c, abs=0.01)


def test_what_was_counted_stays_though_the_forecast_changes_its_mind() -> None:
    (found,) = count(cold_room(8, 10), {}, 10)
    warm = cold_room(20, 30, even={SET: 12, TOUCH: 20}, safe={SET: 14, TOUCH: 24})
    assert count(warm, newest([found]), 30) == []  # nothing new, so what was stored stands


def test_what_was_counted_is_no_longer_than_the_dates_beside_it_leave_time_for() -> None:
    """Seen: 3 d of it beside a film that had taken one. Found touch-dry at 14 h, of which it had been set for ten."""
    (found,) = count(cold_room(8, 23), {}, 23)
    assert found.hours == pytest.approx(19, abs=0.1)  # half a step of the record at each end
    dry = cold_room(8, 24, even={SET: 4, TOUCH: 14}, safe={SET: 6, TOUCH: 14})
    (again,) = count(dry, newest([found]), 24)
    assert again.hours == pytest.approx(10, abs=0.1)
    assert again.began_at == found.began_at
    assert count(dry, newest([again]), 24) == []


def test_what_a_person_cleared_is_not_counted_again() -> None:
    (found,) = count(cold_room(8, 10), {}, 10)
    gone = found.model_copy(update={"cleared_at": at(10)})
    assert not stands(gone)
    assert count(cold_room(8, 10), newest([gone]), 10) == []
    (again,) = count(cold_room(8, 12), newest([gone]), 12)
    assert again.hours == pytest.approx(2, abs=0.1)  # half a step of the record at each end
    assert again.cleared_at is None


def test_the_words_say_how_long_how_cold_and_what_to_do() -> None:
    harm = Damage(
        piece_id=1, kind=AlarmKind.COLD, hours=4.23, worst_c=6.14, began_at=at(0), counted_until=at(5)
    )  # fmt: skip
    assert str(in_words(harm)).startswith(
        "4.2 h below the film-forming temperature while the film formed, at the coldest 6.1 °C. Look it over"
    )
    assert not stands(harm.model_copy(update={"hours": damage.TOLD_FROM_H / 2}))


# --- Dew ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("temp_c", "rh_pct", "dew_point_c"),
    [(20, 50, 9.27), (20, 80, 16.44), (10, 90, 8.43), (25, 60, 16.70)],
)
def test_the_dew_point_is_that_of_the_tables(temp_c: float, rh_pct: float, dew_point_c: float) -> None:
    """Psychrometric tables to 0.1 K (WMO No. 8 gives the same formula)."""
    margin = varnish_air.dew_margin(air(*every(10, 3, temp_c, rh_pct)))
    assert margin.dew_point_c == pytest.approx(dew_point_c, abs=0.1)
    assert margin.kelvin == pytest.approx(temp_c - dew_point_c, abs=0.1)
    assert margin.is_near == (temp_c - dew_point_c < 3)


def test_a_room_that_warmed_up_quickly_may_still_hold_cool_pieces() -> None:
    """20 °C and 60 %: no dew by the air alone, but an hour ago it was 13 °C there, and the dew point is 12 °C."""
    margin = varnish_air.dew_margin(air((0, 13, 60), (1, 13, 60), (2, 20, 60)))
    assert margin.piece_c == 13
    assert margin.is_near
    assert str(varnish_air.in_words(margin, at(2))).startswith(
        "Do not varnish now: the piece is within 3 °C of the dew point"
    )


def test_far_from_dew_it_says_so_with_its_age() -> None:
    words = str(varnish_air.in_words(varnish_air.dew_margin(air(*every(10, 3, 20, 45))), at(5)))
    assert words.startswith("No dew to fear now")
    assert "2 h ago" in words or "120 min ago" in words


def test_what_is_written_for_later_says_how_far_from_dew_it_was_and_when_never_how_it_is_now() -> None:
    """A notice may wait for the next round or a quiet night's end: no "now" in it may be taken for that moment."""
    for humidity, begins in (
        (45, "No dew to fear when the room was read, "),
        (88, "Too near to dew when the room was read"),
    ):
        words = str(varnish_air.as_read(varnish_air.dew_margin(air(*every(10, 3, 20, humidity))), at(5)))
        assert words.startswith(begins)
        assert "Fri 20 Nov 15:00" in words
        assert "now" not in words.split()
        assert "ago" not in words


def test_air_that_was_read_as_bone_dry_has_a_dew_point_all_the_same() -> None:
    assert not varnish_air.dew_margin(air(*every(10, 3, 20, 0))).is_near
