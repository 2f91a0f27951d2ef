"""What is past is told as past: of readings that come late, and after the daemon was down."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.records import AlarmKind, AlarmState
from tests.core.test_alarm_evaluation import MINUTE, Studio, night, summary
from tests.studio_scene import every

FROST = AlarmKind.FROST


def test_a_night_that_is_over_is_told_as_past_in_one_notice_without_orders() -> None:
    studio = Studio()
    (told,) = studio.look(20, night())
    assert summary([told]) == ["alarm frost past"]
    assert not told.urgent
    assert str(told.title) == "Boat shed: frost near wet paint (past)"
    assert str(told.text) == (
        "It was so from Fri 20 Nov 18:10 to Fri 20 Nov 22:15 (4 h). The room was at 1.0 °C, 55 %RH (Fri 20 Nov "
        "18:10). Wet paint that freezes does not recover. Wet there then: Heron. This is past and cannot be changed "
        "now; once dry, look for cracks or a crumbling film, and try an edge before you trust it. Past too: too cold "
        "for wet paint."
    )
    assert "Now:" not in str(told.text)


def test_a_fortnight_of_cold_nights_that_comes_at_once_is_one_notice() -> None:
    hours = np.arange(0, 14 * 24, 0.25)
    readings = [(float(h), 9.0 + 9.0 * np.cos(h / 24 * 2 * np.pi), 55.0) for h in hours]
    studio = Studio()
    told = studio.look(14 * 24, readings)
    frost = [n for n in told if n.data["alarm"] == FROST]
    assert summary(frost) == ["alarm frost past"]
    assert "It was so 14 times between Fri 20 Nov 21:45 and Fri 4 Dec 03:15, the longest from " in str(frost[0].text)
    assert len(told) <= 2
    assert studio.look(14 * 24 + MINUTE, readings) == []


def test_what_began_days_ago_and_is_so_still_is_told_in_the_present_with_its_beginning() -> None:
    studio = Studio()
    (told,) = [n for n in studio.look(72, every(10, 72, 1, 55)) if n.data["alarm"] == FROST]
    assert summary([told]) == ["alarm frost"]
    assert "(Mon 23 Nov 12:00)" in str(told.text)
    assert "It has been so since Fri 20 Nov 12:10." in str(told.text)
    assert "Now: warm the room" in str(told.text)


def test_what_was_so_when_the_room_was_last_heard_of_is_not_told_as_so_now() -> None:
    studio = Studio()
    told = studio.look(72, every(10, 24, 1, 55))
    (frost,) = [n for n in told if n.data["alarm"] == FROST]
    assert summary([frost]) == ["alarm frost past"]
    assert (
        "It was so from Fri 20 Nov 12:10 until the last reading, Sat 21 Nov 12:00; how it is now is not known."
        in str(frost.text)
    )
    assert "warm the room" not in str(frost.text)


def test_what_is_getting_better_is_not_told_as_an_order() -> None:
    studio = Studio()
    readings = every(10, 5, 1, 55) + every(10, 5.2, 18, 55, start=5.1)
    (told,) = [n for n in studio.look(5.2, readings) if n.data["alarm"] == FROST]
    assert "has been better since Fri 20 Nov 17:06" in str(told.text)
    assert "Now:" not in str(told.text)
    assert summary(studio.look(6, [*readings, *every(10, 6, 18, 55, start=5.3)]), FROST) == ["alarm_over frost"]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 20 * 60), max_size=12).map(sorted))
def test_however_often_one_looks_a_night_is_told_once(minutes: list[int]) -> None:
    studio = Studio()
    for minute in [*minutes, 20 * 60]:
        studio.look(minute / 60, night())
    told = summary(studio.told, FROST)
    assert told in (["alarm frost past"], ["alarm frost", "alarm_over frost"], ["alarm frost past", "alarm_over frost"])
    assert studio.state(FROST) is AlarmState.NORMAL
