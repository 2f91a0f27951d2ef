"""How old a message from the broker's queue may be: absences, and where the backlog of one ends."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from curewatch.intake.backlog import CONTACT_GAP, QUIET_S, TOLERANCE, Backlog

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
NONE = timedelta(0)
NIGHT = timedelta(hours=8)


def test_a_resumed_session_after_a_night_is_late_until_the_first_pause() -> None:
    backlog = Backlog(NOW - NIGHT)
    backlog.connected(NOW, 100.0, resumed=True)
    assert backlog.age_of_arrival(100.2) == NIGHT
    assert backlog.age_of_arrival(100.2 + QUIET_S) == NIGHT
    assert backlog.age_of_arrival(100.3 + 2 * QUIET_S) == NONE
    assert backlog.age_of_arrival(100.4 + 2 * QUIET_S) == NONE


def test_a_slow_store_is_no_pause() -> None:
    """The broker waits for acknowledgements; what it sends after them is still backlog."""
    backlog = Backlog(NOW - NIGHT)
    backlog.connected(NOW, 100.0, resumed=True)
    backlog.age_of_arrival(100.1)
    backlog.acknowledged(130.0)
    assert backlog.age_of_arrival(130.1) == NIGHT


def test_a_new_session_a_short_absence_and_an_unknown_one_are_not_doubted() -> None:
    for last_contact, resumed in ((NOW - NIGHT, False), (NOW - TOLERANCE, True), (None, True)):
        backlog = Backlog(last_contact)
        backlog.connected(NOW, 100.0, resumed=resumed)
        assert backlog.age_of_arrival(100.0) == NONE


def test_a_sleep_of_the_machine_is_an_absence() -> None:
    """After waking, the connection may look alive for a moment; the absence began before the sleep all the same."""
    backlog = Backlog()
    backlog.connected(NOW, 100.0, resumed=False)
    asleep = NOW + timedelta(seconds=10)
    backlog.tick(asleep)
    backlog.tick(asleep + NIGHT)
    backlog.connected(asleep + NIGHT, 111.0, resumed=True)
    assert backlog.age_of_arrival(111.0) == NIGHT


def test_ticks_carry_the_contact_on() -> None:
    backlog = Backlog()
    backlog.connected(NOW, 100.0, resumed=False)
    for beat in range(1, 500):
        backlog.tick(NOW + beat * CONTACT_GAP)
    assert backlog.last_contact == NOW + 499 * CONTACT_GAP
