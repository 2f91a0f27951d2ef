"""The life of one alarm: what may raise it, what may end it, and what must do neither."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import accumulate, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.alarms import lifecycle
from curewatch.studio.alarms.conditions import ASLEEP, BETWEEN, OFF, ON, Limits
from curewatch.studio.alarms.lifecycle import Effect, Episode, Event, follow, fresh, step, turn
from tests.studio_scene import LIMITS, NOON, SHED, at

MINUTE = timedelta(minutes=1)
Judged = list[tuple[object, int]]

CODES = st.sampled_from([ON, BETWEEN, OFF, ASLEEP])
GAPS = st.sampled_from([1, 4, 5, 6, 9, 10, 11, 14, 15, 16, 60, 600, 1440]).map(lambda m: m * MINUTE)
DELAYS = st.sampled_from([0, 5, 10, 15]).map(lambda m: m * MINUTE)
LIMITS_OF_ANY_DELAY = st.builds(lambda on, off: replace(LIMITS, on_delay=on, off_delay=off), DELAYS, DELAYS)


@st.composite
def judgements(draw: st.DrawFn) -> list:
    steps = draw(st.lists(st.tuples(GAPS, CODES), max_size=60))
    times = list(accumulate((gap for gap, _ in steps), initial=NOON))[1:]
    return [(time, code) for time, (_, code) in zip(times, steps, strict=True)]


def normal() -> Alarm:
    return fresh(AlarmKind.COLD, SHED, NOON)


def told(judged: list, limits: Limits = LIMITS) -> list[Event]:
    return follow(normal(), judged, limits)[1]


def effects(events: list[Event]) -> list[Effect]:
    return [event.effect for event in events]


# --- What must hold for any history ------------------------------------------------------------------------------


@given(judgements(), LIMITS_OF_ANY_DELAY)
def test_it_is_raised_only_beyond_its_limit_and_after_the_on_delay(judged: list, limits: Limits) -> None:
    """On-delay: a moment beyond the limit that long ago, and none since at which all was well or nothing wet."""
    codes = dict(judged)
    for event in told(judged, limits):
        if event.effect is Effect.RAISED:
            assert codes[event.at] == ON
            last_quiet = max((t for t, c in judged if t < event.at and c in (OFF, ASLEEP)), default=NOON)
            began = min(t for t, c in judged if t > last_quiet and c == ON)
            assert event.at - began >= limits.on_delay


@given(judgements(), LIMITS_OF_ANY_DELAY)
def test_it_ends_only_when_all_has_been_well_for_the_off_delay(judged: list, limits: Limits) -> None:
    codes = dict(judged)
    for event in told(judged, limits):
        if event.effect is Effect.OVER:
            assert codes[event.at] == OFF
            last_ill = max(t for t, c in judged if t < event.at and c != OFF)
            assert event.at - min(t for t, _ in judged if t > last_ill) >= limits.off_delay


@given(judgements(), LIMITS_OF_ANY_DELAY)
def test_it_never_raises_twice_without_an_end_between(judged: list, limits: Limits) -> None:
    raised = [event for event in told(judged, limits) if event.effect is not Effect.REMINDED]
    for one, next_one in pairwise(raised):
        slept = any(c == ASLEEP for t, c in judged if one.at < t < next_one.at)
        assert one.effect is not next_one.effect or (next_one.effect is Effect.RAISED and slept)
    assert not raised or raised[0].effect is Effect.RAISED


@given(judgements(), LIMITS_OF_ANY_DELAY)
def test_it_is_raised_once_it_has_been_beyond_its_limit_long_enough(judged: list, limits: Limits) -> None:
    """The other side of the delays: an alarm that never rang would pass the three tests above."""
    alarm, since = normal(), None
    for time, code in judged:
        alarm, _ = step(alarm, code, time, limits)
        since = None if code in (OFF, ASLEEP) else since or (time if code == ON else None)
        if code == ON and since is not None and time - since >= limits.on_delay:
            assert alarm.state is AlarmState.ACTIVE
        if code == ASLEEP:
            assert alarm.state is AlarmState.NORMAL


@given(judgements(), LIMITS_OF_ANY_DELAY)
def test_it_is_over_once_all_has_been_well_long_enough(judged: list, limits: Limits) -> None:
    alarm, since = normal(), None
    for time, code in judged:
        alarm, _ = step(alarm, code, time, limits)
        since = (since or time) if code == OFF else None
        if since is not None and time - since >= limits.off_delay:
            assert not alarm.is_active


@given(judgements(), st.integers(0, 60))
def test_judging_in_two_batches_is_judging_in_one(judged: list, cut: int) -> None:
    whole, all_events = follow(normal(), judged, LIMITS)
    first, before = follow(normal(), judged[:cut], LIMITS)
    second, after = follow(first, judged[cut:], LIMITS)
    assert (second, before + after) == (whole, all_events)


@given(judgements(), judgements())
def test_moments_not_after_the_last_judged_change_nothing(judged: list, old: list) -> None:
    alarm, _ = follow(normal(), judged, LIMITS)
    stale = [(time, code) for time, code in old if time <= alarm.evaluated_at]
    assert follow(alarm, stale, LIMITS) == (alarm, [])


@given(judgements())
def test_no_data_changes_nothing(judged: list) -> None:
    alarm, _ = follow(normal(), judged, LIMITS)
    assert follow(alarm, [], LIMITS) == (alarm, [])


@given(judgements())
def test_inside_the_deadband_nothing_is_raised_and_nothing_ends(judged: list) -> None:
    alarm, _ = follow(normal(), judged, LIMITS)
    after, events = follow(alarm, [(alarm.evaluated_at + i * 10 * MINUTE, BETWEEN) for i in range(1, 20)], LIMITS)
    assert after.is_active == alarm.is_active
    assert set(effects(events)) <= {Effect.REMINDED}


@given(judgements())
def test_a_reminder_comes_after_a_day_and_then_weekly_at_most(judged: list) -> None:
    last, wait = NOON, LIMITS.reminder
    for event in told(judged):
        if event.effect is Effect.REMINDED:
            assert event.at - last >= wait
        if event.effect in (Effect.RAISED, Effect.REMINDED):
            last, wait = event.at, LIMITS.reminder if event.effect is Effect.RAISED else lifecycle.WEEKLY


# --- By hand --------------------------------------------------------------------------------------------------------


def series(*codes: int, every: int = 5) -> list:
    return [(NOON + (i + 1) * every * MINUTE, code) for i, code in enumerate(codes)]


def test_a_single_spike_raises_nothing() -> None:
    assert told(series(*[OFF] * 10, ON, *[OFF] * 10)) == []


def test_ten_minutes_beyond_the_limit_raise_and_fifteen_minutes_of_good_air_end_it() -> None:
    events = told(series(OFF, ON, ON, ON, ON, OFF, OFF, OFF, OFF, OFF))
    assert events == [Event(Effect.RAISED, NOON + 20 * MINUTE), Event(Effect.OVER, NOON + 45 * MINUTE)]


@pytest.mark.parametrize("low", [BETWEEN, OFF])
@pytest.mark.parametrize("minutes", [1, 5, 7])
def test_a_value_that_toggles_around_its_limit_for_a_day_raises_at_most_once(low: int, minutes: int) -> None:
    events = told(series(*[ON, low] * (12 * 60 // minutes), every=minutes))
    assert effects(events) == ([Effect.RAISED] if low == BETWEEN else [])


def test_toggling_between_beyond_and_well_raises_once_and_never_ends_while_it_lasts() -> None:
    """Each stretch of good air is shorter than the off-delay."""
    events = told(series(*[ON, ON, ON, OFF, OFF] * 57))
    assert effects(events) == [Effect.RAISED]


def test_asleep_ends_it_silently_and_it_may_rise_again() -> None:
    alarm, events = follow(normal(), series(ON, ON, ON, ASLEEP), LIMITS)
    assert alarm.state is AlarmState.NORMAL
    assert effects(events) == [Effect.RAISED]
    assert effects(told(series(ON, ON, ON, ASLEEP, ON, ON, ON))) == [Effect.RAISED, Effect.RAISED]


def test_a_reminder_after_a_day_unless_acknowledged() -> None:
    day = series(*[ON] * 300)
    raised = NOON + 15 * MINUTE
    assert told(day) == [Event(Effect.RAISED, raised), Event(Effect.REMINDED, raised + LIMITS.reminder)]
    alarm, _ = follow(normal(), day[:10], LIMITS)
    seen = alarm.model_copy(update={"acknowledged_at": alarm.evaluated_at})
    assert follow(seen, day[10:], LIMITS)[1] == []


def test_raised_again_it_is_acknowledged_and_reminded_anew() -> None:
    old = {"acknowledged_at": NOON, "reminded_at": NOON}
    alarm, _ = follow(normal().model_copy(update=old), series(ON, ON, ON), LIMITS)
    assert (alarm.acknowledged_at, alarm.reminded_at) == (None, None)
    assert alarm.raised_at == alarm.since == NOON + 15 * MINUTE


def test_an_alarm_judged_while_the_clock_ran_ahead_is_judged_again_from_now_on() -> None:
    """Else it would be deaf until the clock has caught up: for years, after a start in 2040."""
    ahead, _ = follow(normal(), [(at(24 * 5000), ON), (at(24 * 5000 + 1), ON)], LIMITS)
    assert ahead.is_active
    back = lifecycle.capped_at(ahead, at(1))
    assert (back.evaluated_at, back.since, back.raised_at, back.state) == (at(1), at(1), at(1), AlarmState.ACTIVE)
    assert effects(follow(back, [(at(2), OFF), (at(3), OFF)], LIMITS)[1]) == [Effect.OVER]
    assert lifecycle.capped_at(back, at(1)) is back


def test_a_mute_ends_within_a_day_and_one_from_a_clock_that_ran_ahead_too() -> None:
    for hours in (0, -1, 24.1):
        with pytest.raises(ValueError, match="a mute ends within 24 h"):
            lifecycle.muted(normal(), at(hours), at(0))
    day = lifecycle.muted(normal(), at(24), at(0))
    assert (day.is_muted(at(23.9)), day.is_muted(at(24))) == (True, False)
    assert lifecycle.capped_at(day, at(-10)).muted_until == at(14)


def test_looking_back_goes_as_far_as_the_quiet_and_no_further() -> None:
    over, _ = follow(normal(), series(ON, ON, ON, OFF, OFF, OFF, OFF, *[OFF] * 20), LIMITS)
    assert over.since == NOON + 35 * MINUTE
    assert lifecycle.rewound(over, NOON).evaluated_at == over.since
    assert lifecycle.rewound(over, NOON + 50 * MINUTE).evaluated_at == NOON + 50 * MINUTE
    assert lifecycle.rewound(over, at(9)) is over
    never = lifecycle.rewound(follow(normal(), series(OFF, ON, OFF), LIMITS)[0], at(-5))
    assert (never.evaluated_at, never.since) == (at(-5), at(-5)), "never raised: as far as is asked"
    active, _ = follow(normal(), series(ON, ON, ON, ON), LIMITS)
    assert lifecycle.rewound(active, NOON) is active


def test_what_is_told_of_one_that_began_and_stands_is_that_it_began() -> None:
    before = normal()
    after, events = follow(before, [(at(0.1 * i), ON) for i in range(1, 9)], LIMITS)
    found = turn(before, after, events)
    assert (found.begun, found.passed, found.over) == (events[-1].at, (), None)
    later, more = follow(after, [(at(1 + 0.1 * i), OFF) for i in range(1, 9)], LIMITS)
    assert (turn(before, later, [*events, *more]).begun, turn(before, later, [*events, *more]).passed) == (
        None,
        (Episode(events[-1].at, more[-1].at),),
    )
    assert turn(after, later, more).over == more[-1].at
    again, remind = follow(after, [(at(26), ON)], LIMITS)
    assert effects(remind) == [Effect.REMINDED]
    assert turn(after, again, remind).reminded == at(26)
