"""The judge of clocks: what it makes of sleep, steps, slewing and jitter; and which wall clocks are believed."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

import pytest

from curewatch.clock import (
    BELIEVABLE_AHEAD,
    RELEASED,
    UNKNOWN,
    Clock,
    Passage,
    Sample,
    SystemClock,
    WatchedClock,
    judge,
    plausible,
    sample,
)
from tests.fake_clock import START, FakeClock

NOON = datetime(2026, 11, 20, 12, 0, tzinfo=UTC)
BEFORE = Sample(NOON, monotonic=1000.0, boottime=5000.0)
HOUR_S = 3600.0


def after(wall_s: float, monotonic_s: float, boottime_s: float) -> Sample:
    return Sample(NOON + timedelta(seconds=wall_s), 1000.0 + monotonic_s, 5000.0 + boottime_s)


@pytest.mark.parametrize(
    ("what", "later", "slept_s", "stepped_s"),
    [
        ("nothing but time", after(15, 15, 15), 0, 0),
        ("no time at all", after(0, 0, 0), 0, 0),
        ("a night's sleep", after(8 * HOUR_S + 15, 15, 8 * HOUR_S + 15), 8 * HOUR_S, 0),
        ("set forward an hour", after(HOUR_S + 15, 15, 15), 0, HOUR_S),
        ("set back an hour", after(-HOUR_S + 15, 15, 15), 0, -HOUR_S),
        ("set back by just the time that passed", after(0, 15, 15), 0, -15),
        ("slept two hours, and was set back one while waking", after(HOUR_S, 0, 2 * HOUR_S), 2 * HOUR_S, -HOUR_S),
        ("no battery clock: decades forward", after(20_000 * 86_400, 15, 15), 0, 20_000 * 86_400 - 15),
        ("read apart by half a second", after(15.5, 15, 15.4), 0, 0),
        ("slewed 500 ppm for a day", after(86_400 * 1.0005, 86_400, 86_400), 0, 0),
        ("a step a slew cannot explain", after(86_400 + 60, 86_400, 86_400), 0, 60),
    ],
)
def test_judge_tells_a_sleep_from_a_step(what: str, later: Sample, slept_s: float, stepped_s: float) -> None:
    passage = judge(BEFORE, later)
    # a moment is told to the microsecond
    assert passage.slept_s == pytest.approx(slept_s, abs=1e-6), what
    assert passage.stepped_s == pytest.approx(stepped_s, abs=1e-6), what
    assert (passage.slept, passage.stepped) == (slept_s != 0, stepped_s != 0)


def test_a_sleep_is_as_long_as_it_was_whatever_the_wall_clock_says() -> None:
    assert judge(BEFORE, after(-HOUR_S, 5, 65)).slept_s == 60


def test_without_a_boottime_clock_a_sleep_is_taken_for_a_step_and_not_missed() -> None:
    assert judge(BEFORE, after(HOUR_S + 15, 15, 15)) == Passage(0.0, HOUR_S)


def test_samples_in_the_wrong_order_are_refused() -> None:
    with pytest.raises(ValueError, match=r"boottime 4990\.0"):
        judge(BEFORE, after(0, 0, -10))


@pytest.mark.parametrize(
    ("now", "believed"),
    [
        (datetime(1970, 1, 1, 0, 3, tzinfo=UTC), False),  # a board without a battery clock
        (RELEASED - timedelta(microseconds=1), False),
        (RELEASED, True),
        (RELEASED + BELIEVABLE_AHEAD, True),
        (RELEASED + timedelta(days=20_000), False),
    ],
)
def test_only_a_plausible_wall_clock_is_believed(now: datetime, believed: bool) -> None:
    assert plausible(now) is believed


def test_the_machines_own_clocks_agree_that_nothing_happened_between_two_looks() -> None:
    clock = SystemClock()
    passage = judge(sample(clock), sample(clock))
    assert (passage.slept_s, passage.stepped_s) == (0, 0)
    assert clock.now().utcoffset() == timedelta(0)
    assert clock.boottime() >= clock.monotonic() - 1


def test_system_clock_waits_for_an_event_or_the_time_whichever_comes_first() -> None:
    clock, event = SystemClock(), threading.Event()
    began = clock.monotonic()
    assert clock.wait(event, 0.02) is False
    assert clock.monotonic() - began >= 0.02
    assert clock.wait(event, -1.0) is False  # a deadline already past
    event.set()
    assert clock.wait(event, 60.0) is True
    assert clock.monotonic() - began < 30


def test_the_fake_clock_of_the_tests_moves_as_the_real_ones_do() -> None:
    clock = FakeClock()
    is_a_clock: Clock = clock
    first = sample(is_a_clock)
    clock.sleep(HOUR_S)
    clock.step(-120)
    clock.advance(15)
    assert judge(first, sample(clock)) == Passage(HOUR_S, -120)
    event = threading.Event()
    assert clock.wait(event, 10) is False
    event.set()
    assert clock.wait(event, 10) is True
    assert clock.monotonic() == 1000 + 15 + 10


def watched() -> tuple[FakeClock, WatchedClock]:
    clock = FakeClock()
    found = WatchedClock(clock)
    assert found.now() == START
    return clock, found


def is_held(clock: WatchedClock) -> bool:
    return clock.now() == UNKNOWN and clock.held() is not None


@pytest.mark.parametrize("step", [301, 7200, 365 * 86400, -301, -86400])
def test_a_leap_is_held_until_it_is_over_and_the_time_goes_on_from_before_it(step: float) -> None:
    clock, found = watched()
    clock.step(step)
    clock.advance(10)
    assert is_held(found)
    assert found.carried() == START + timedelta(seconds=10)
    assert found.held() == (clock.now(), found.carried())
    clock.step(-step)
    assert found.now() == START + timedelta(seconds=10)
    assert found.held() is None


def test_a_few_minutes_and_a_sleep_are_no_leap() -> None:
    clock, found = watched()
    for step in (299.0, -299.0, 299.0):
        clock.step(step)
        assert found.now() == clock.now()
    clock.sleep(30 * 86400)
    assert found.now() == clock.now()


@pytest.mark.parametrize(("step", "held_s"), [(1800, 1800), (7200, 7200), (10 * 365 * 86400, 6 * 3600), (-1800, 1800)])
def test_a_leap_that_stands_is_believed_once_it_has_stood_as_long_as_it_is_wide_or_six_hours(
    step: float, held_s: float
) -> None:
    clock, found = watched()
    clock.step(step)
    assert is_held(found)
    clock.advance(held_s - 1)
    assert is_held(found)
    clock.advance(1)
    assert found.now() == clock.now()
    clock.step(-step)  # it was wrong after all
    assert found.now() == clock.now(), "what was believed before is known to be right"
    clock.step(step)
    assert is_held(found)


def test_a_leap_is_confirmed_by_a_time_daemon_by_the_other_side_of_a_connection_and_by_a_person() -> None:
    for way in ("vouched", "witness", "person"):
        clock, found = watched()
        clock.step(7200)
        found.witness = lambda: (START, 5000.0)  # which speaks against it
        assert is_held(found)
        clock.advance(6)
        if way == "vouched":
            clock.is_vouched = True
        elif way == "witness":
            told = clock.now(), clock.boottime()
            found.witness = lambda: told  # noqa: B023 asked for here
        else:
            found.confirm()
        assert found.now() == clock.now(), way
        if way != "person":
            clock.is_vouched, found.witness = False, lambda: None
            clock.step(-7200)
            assert is_held(found), "who vouched for the one spoke against the other"


def test_a_clock_that_could_not_be_is_taken_at_its_first_word_that_can() -> None:
    clock = FakeClock(datetime(1970, 1, 1, tzinfo=UTC))
    found = WatchedClock(clock)
    assert found.now() == clock.now()
    clock.step((START - clock.now()).total_seconds())
    assert found.now() == START
    clock.step(-56 * 365.25 * 86400)
    assert not plausible(found.now())
    clock.step(56 * 365.25 * 86400)
    assert found.now() == START


def test_the_machine_says_whether_its_time_is_kept_and_which_it_is() -> None:
    told = SystemClock().vouched()
    assert told is None or abs((told - datetime.now(UTC)).total_seconds()) < 2
