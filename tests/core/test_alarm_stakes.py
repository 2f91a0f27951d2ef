"""What is at stake in an alarm that stands: pieces that come to lie in it, harm that grows, readings that come late."""

from __future__ import annotations

import re
from datetime import timedelta
from itertools import pairwise

import pytest

from curewatch.records import Alarm, AlarmKind, AlarmState, Damage
from curewatch.studio.alarms import lifecycle
from curewatch.studio.alarms.evaluation import evaluate_room
from curewatch.studio.wording import SAFETY
from tests.core.test_alarm_evaluation import Readings, Studio, live, summary
from tests.studio_scene import LIMITS, air, at, dates, drying, every, room

COLD, FROST, DAMP, TOO_FAST, SILENT = AlarmKind
HALL: Readings = every(10, 24 * 40, 7, 55)
"""A hall that is cold for weeks."""


def told(studio: Studio, hours: float, readings: Readings = HALL) -> list[str]:
    """The titles of what is told then."""
    return [str(notice.title) for notice in studio.look(hours, readings)]


def test_every_piece_poured_into_a_standing_alarm_is_told_of_at_once_and_once() -> None:
    """Seen: 28 pours into a cold hall, and nothing said for weeks."""
    studio = Studio(drying("Piece 1"))
    live(studio, HALL, 1, minutes=10)
    assert summary(studio.told) == ["alarm cold"]
    for k in range(2, 30):
        studio.pieces = (*studio.pieces, drying(f"Piece {k}", piece_id=k, poured=k))
        (title,) = told(studio, k + MINUTE)
        assert title == f"Boat shed: too cold for wet paint, now for Piece {k} too"
        assert [one for one in told(studio, k + 0.5) if "Still" not in one] == []
    newest = next(one for one in reversed(studio.told) if one.data["effect"] == "joined")
    assert newest.kind == "alarm"
    assert "Within the hour: warm the room slowly" in str(newest.text), "it is one message with the standing one"
    assert "Piece 29" in newest.data["names"]


MINUTE = 1 / 60


def test_a_series_poured_into_two_standing_alarms_is_one_notice() -> None:
    cold_and_damp: Readings = every(10, 48, 5, 82)
    studio = Studio()
    live(studio, cold_and_damp, 1, minutes=10)
    studio.pieces = (*studio.pieces, *(drying(f"Tile {k}", piece_id=k, poured=2) for k in range(2, 8)))
    (notice,) = studio.look(2.1, cold_and_damp)
    assert notice.data["alarms"] == ["cold", "damp"]
    assert str(notice.title) == "Boat shed: too cold for wet paint, now for Tile 2, Tile 3, Tile 4 and 3 more too"


def test_a_piece_that_is_not_at_risk_itself_adds_nothing() -> None:
    """A fan over one is no haste of another that lies in still air, and what is dry is in no frost."""
    studio = Studio(drying(air=1.0))
    live(studio, every(10, 5, 21, 50), 1, minutes=10)
    assert summary(studio.told) == ["alarm too_fast"]
    studio.pieces = (*studio.pieces, drying("Reed", piece_id=2, poured=1.1))
    assert told(studio, 1.2, every(10, 5, 21, 50)) == []
    studio.pieces = (*studio.pieces, drying("Eel", piece_id=3, poured=1.2, air=1.0))
    assert told(studio, 1.4, every(10, 5, 21, 50)) == ["Boat shed: drying too fast, now for Eel too"]
    frozen = Studio(drying(), forecasts=[dates(2, even={"handle": 0.5}, safe={"handle": 1})])
    live(frozen, every(10, 5, 1, 50), 1.5, minutes=10)
    frozen.pieces = (*frozen.pieces, drying("Dry", piece_id=2))
    assert told(frozen, 2, every(10, 5, 1, 50)) == []


def test_a_piece_poured_into_a_room_that_has_fallen_silent_is_told_of() -> None:
    studio = Studio()
    live(studio, every(10, 1, 20, 50), 8, minutes=30)
    assert summary(studio.told) == ["alarm no_fresh_data"]
    studio.pieces = (*studio.pieces, drying("Reed", piece_id=2, poured=8.1))
    (title,) = told(studio, 8.2, every(10, 1, 20, 50))
    assert title.endswith(", now for Reed too")


def test_who_sees_to_it_sees_to_what_lay_there_and_a_mute_waits() -> None:
    studio = Studio()
    live(studio, HALL, 1, minutes=10)
    studio.alarms[COLD] = lifecycle.acknowledged(studio.alarms[COLD], at(1))
    studio.pieces = (*studio.pieces, drying("Reed", piece_id=2, poured=2))
    assert told(studio, 2.1) == ["Boat shed: too cold for wet paint, now for Reed too"]
    assert studio.alarms[COLD].acknowledged_at is None, "a piece more asks for an answer of its own"
    studio.alarms[COLD] = lifecycle.muted(studio.alarms[COLD], at(8), at(3))
    studio.pieces = (*studio.pieces, drying("Eel", piece_id=3, poured=4))
    assert told(studio, 4.1) == []
    studio.alarms[COLD] = lifecycle.acknowledged(studio.alarms[COLD], at(5))
    assert told(studio, 8.2) == ["Boat shed: too cold for wet paint, now for Eel too"]


def test_an_alarm_of_an_older_store_asks_nothing_anew() -> None:
    studio = Studio()
    live(studio, HALL, 1, minutes=10)
    old = studio.alarms[COLD].model_copy(update={"at_stake": None, "told_at": None})
    studio.alarms[COLD] = Alarm.model_validate_json(old.model_dump_json())
    assert told(studio, 1.2) == []
    assert studio.alarms[COLD].at_stake == (1,)


@pytest.mark.parametrize(("setting", "days"), [(True, [1, 2, 5, 10, 17, 24]), (False, [1, 8, 15, 22])])
def test_reminders_come_as_the_harm_grows_and_weekly_where_it_does_not(setting: bool, days: list[int]) -> None:
    """A film that is packed and not yet touch-dry takes harm below the film-forming temperature each hour: it doubles
    in one day, two and four, seen up to six hours late here, and then a week has passed."""
    packed = {"set": 0.0} if setting else {}
    here = [dates(1, even=packed, safe=packed)]
    alarms: dict[AlarmKind, Alarm] = {}
    counts: dict[tuple[int, AlarmKind], Damage] = {}
    reminded = []
    for quarter in range(4 * 24):
        hours = 6.0 * quarter + 0.5
        climate = air(*[one for one in HALL if one[0] <= hours])
        found = evaluate_room(room(drying(), climate=climate, forecasts=here), alarms, at(hours), LIMITS, counts)
        alarms |= {alarm.kind: alarm for alarm in found.changed}
        counts |= {(one.piece_id, one.kind): one for one in found.damages}
        reminded += [one for one in found.told if one.kind == "reminder"]
    assert [round((one.created_at - at(0)) / timedelta(days=1)) for one in reminded] == days
    said = re.search(r"So far Heron has been [\d dh]+ below the film-forming temperature", str(reminded[1].text))
    assert bool(said) is setting, str(reminded[1].text)
    ends = "told again in a week, or as the harm grows." if setting else "told again in a week."
    assert all(str(one.text).removesuffix(f" {SAFETY}").endswith(ends) for one in reminded)
    assert all(b.created_at - a.created_at >= timedelta(hours=23) for a, b in pairwise(reminded))


def test_an_hour_of_readings_that_comes_late_is_one_line() -> None:
    """Cold, damp and frost came and went while nothing was heard: today's news is that it is heard again."""
    before, after = every(5, 3, 19, 55), every(5, 9, 19, 55, start=5.5)
    gone = [*every(5, 3.9, 6, 85, start=3.1), *every(5, 4.5, 1, 60, start=4.0), *every(5, 5.4, 19, 55, start=4.6)]
    studio = Studio()
    live(studio, before, 5.4, minutes=5)
    assert summary(studio.told) == ["alarm no_fresh_data"]
    (line,) = studio.look(5.6, [*before, *gone, *after])
    assert str(line.title) == "Boat shed: frost near wet paint (past)"
    assert str(line.text).endswith("Past too: too cold for wet paint and too damp to dry.")
    (over,) = [one for minute in range(1, 60) for one in studio.look(5.6 + minute / 60, [*before, *gone, *after])]
    assert (over.kind, over.data["over"]) == ("alarm_over", ["no_fresh_data"])


def test_what_passed_before_what_is_so_now_is_a_sentence_in_it() -> None:
    before = every(5, 3, 19, 55)
    late = [*every(5, 3.9, 1, 60, start=3.1), *every(5, 5.5, 19, 80, start=4.0)]
    studio = Studio()
    live(studio, before, 5.4, minutes=5)
    studio.told.clear()
    (line,) = studio.look(5.5, [*before, *late])
    assert str(line.title) == "Boat shed: too damp to dry"
    past = "Past, and no more so: frost near wet paint and too cold for wet paint."
    assert str(line.text).removesuffix(f" {SAFETY}").endswith(past)
    assert studio.alarms[DAMP].state is AlarmState.ACTIVE


def test_what_stands_in_a_room_is_told_again_together() -> None:
    """Seen: frost, cold and damp of one attic reminded on days of their own, twenty times in two months."""
    attic: Readings = every(30, 24 * 16, -3, 85)
    studio = Studio(forecasts=[dates(1, even={"set": 0}, safe={"set": 0})])
    live(studio, attic, 24 * 15, minutes=180)
    reminders = [one for one in studio.told if one.kind == "reminder"]
    assert len(reminders) <= 3
    assert all(one.data["alarms"] == ["frost", "cold", "damp"] for one in reminders)
