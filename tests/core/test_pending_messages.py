"""How old a message from the broker's queue may be: absences, and where the backlog of one ends."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from curewatch.intake.mqtt.pending_messages import CONTACT_GAP, QUIET_S, TOLERANCE, Backlog

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
NONE = timedelta(0)
NIGHT = timedelta(hours=8)


def test_a_resumed_session_after_a_night_is_late_until_the_first_pause() -> None:
    backlog = Backlog(NOW - NIGHT)
    backlog.connected(NOW, 100.0, 5000.0, resumed=True)
    assert backlog.age_of_arrival(100.2) == NIGHT
    assert backlog.age_of_arrival(100.2 + QUIET_S) == NIGHT
    assert backlog.age_of_arrival(100.3 + 2 * QUIET_S) == NONE
    assert backlog.age_of_arrival(100.4 + 2 * QUIET_S) == NONE


def test_a_slow_store_is_no_pause() -> None:
    """The broker waits for acknowledgements; what it sends after them is still backlog."""
    backlog = Backlog(NOW - NIGHT)
    backlog.connected(NOW, 100.0, 5000.0, resumed=True)
    backlog.age_of_arrival(100.1)
    backlog.acknowledged(130.0)
    assert backlog.age_of_arrival(130.1) == NIGHT


def test_a_new_session_a_short_absence_and_an_unknown_one_are_not_doubted() -> None:
    for last_contact, resumed in ((NOW - NIGHT, False), (NOW - TOLERANCE, True), (None, True)):
        backlog = Backlog(last_contact)
        backlog.connected(NOW, 100.0, 5000.0, resumed=resumed)
        assert backlog.age_of_arrival(100.0) == NONE


def test_a_sleep_of_the_machine_is_an_absence() -> None:
    """After waking, the connection may look alive for a moment; the absence began before the sleep all the same."""
    backlog = Backlog()
    backlog.connected(NOW, 100.0, 5000.0, resumed=False)
    asleep = NOW + timedelta(seconds=10)
    backlog.tick(asleep, 5010.0)
    woken = 5010.0 + NIGHT.total_seconds()
    backlog.tick(asleep + NIGHT, woken)
    backlog.connected(asleep + NIGHT, 111.0, woken, resumed=True)
    assert backlog.age_of_arrival(111.0) == NIGHT


def test_ticks_carry_the_contact_on() -> None:
    backlog = Backlog()
    backlog.connected(NOW, 100.0, 5000.0, resumed=False)
    for beat in range(1, 500):
        backlog.tick(NOW + beat * CONTACT_GAP, 5000.0 + beat * CONTACT_GAP.total_seconds())
    assert backlog.last_contact == NOW + 499 * CONTACT_GAP


@pytest.mark.parametrize(
    "step", [timedelta(hours=1), timedelta(hours=-1), timedelta(days=20_000), -timedelta(days=365)]
)
def test_a_clock_that_is_set_is_no_absence(step: timedelta) -> None:
    """What came while the broker was away for half a minute is not doubted for the clock's sake."""
    backlog = Backlog()
    backlog.connected(NOW, 100.0, 5000.0, resumed=False)
    backlog.tick(NOW + step, 5001.0)
    assert backlog.last_contact == NOW + step, "the contact goes on with the clock"
    backlog.connected(NOW + step, 131.0, 5031.0, resumed=True)
    assert backlog.age_of_arrival(131.1) == NONE


def test_on_a_clock_nobody_believes_an_absence_is_counted_in_seconds() -> None:
    backlog = Backlog()
    backlog.connected(NOW, 100.0, 5000.0, resumed=False)
    backlog.tick(None, 5060.0)
    assert backlog.last_contact == NOW, "no date is written down"
    backlog.connected(None, 160.0, 5060.0 + NIGHT.total_seconds(), resumed=True)
    assert backlog.age_of_arrival(160.1) == NIGHT


def test_the_first_absence_of_a_run_waits_for_the_clock() -> None:
    backlog = Backlog(NOW - NIGHT)
    backlog.connected(None, 100.0, 20.0, resumed=True)
    assert backlog.age_of_arrival(100.1) is None
    assert backlog.last_contact == NOW - NIGHT
    assert backlog.age_of_arrival(100.2 + 2 * QUIET_S) == NONE
