"""The life of one alarm as a state machine: whatever the air does and people do, nobody is misled or left untold."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.alarms import lifecycle
from curewatch.studio.alarms.conditions import ASLEEP, BETWEEN, OFF, ON
from curewatch.studio.alarms.lifecycle import Effect, Event
from tests.studio_scene import LIMITS, NOON, at

STEP = timedelta(minutes=5)


class AlarmLife(RuleBasedStateMachine):
    """Time goes on in steps; in between people acknowledge, mute and unmute. The store is the alarm itself."""

    def __init__(self) -> None:
        super().__init__()
        self.alarm = lifecycle.fresh(AlarmKind.COLD, "Boat shed", NOON)
        self.now = NOON
        self.told: list[Event] = []
        self.since_on = 0
        """How many steps in a row the condition has been ON."""
        self.since_off = 0

    @rule(code=st.sampled_from([ON, BETWEEN, OFF, ASLEEP]), steps=st.integers(1, 400))
    def time_goes_on(self, code: int, steps: int) -> None:
        for _ in range(steps):
            self.now += STEP
            before = self.alarm
            self.alarm, effect = lifecycle.step(self.alarm, code, self.now, LIMITS)
            self.since_on = self.since_on + 1 if code == ON else 0
            self.since_off = self.since_off + 1 if code == OFF else 0
            if effect is not None:
                self._happened(before, effect)

    def _happened(self, before: Alarm, effect: Effect) -> None:
        muted = before.muted_until is not None and self.now < before.muted_until
        if effect is Effect.RAISED:
            assert not before.is_active
            assert self.since_on >= 1
            assert before.state is AlarmState.PENDING
            assert self.now - before.since >= LIMITS.on_delay
        if effect is Effect.OVER:
            assert before.state is AlarmState.CLEARING
            assert (self.since_off - 1) * STEP >= LIMITS.off_delay
        if effect is Effect.REMINDED:
            assert before.acknowledged_at is None
            last = before.reminded_at or before.raised_at
            assert last is not None
            assert self.now - last >= (lifecycle.WEEKLY if before.reminded_at else LIMITS.reminder)
        if effect is Effect.MUTE_ENDED:
            assert before.muted_until is not None
            assert before.acknowledged_at is None
            assert self.alarm.muted_until is None
        if not muted:
            self.told.append(Event(effect, self.now))

    @precondition(lambda self: self.alarm.is_active)
    @rule()
    def somebody_acknowledges(self) -> None:
        self.alarm = lifecycle.acknowledged(self.alarm, self.now)

    @rule(hours=st.floats(0.1, 24))
    def somebody_mutes(self, hours: float) -> None:
        self.alarm = lifecycle.muted(self.alarm, self.now + timedelta(hours=hours), self.now)

    @rule()
    def somebody_unmutes(self) -> None:
        self.alarm = lifecycle.unmuted(self.alarm)

    @rule()
    def the_daemon_starts_again(self) -> None:
        """What it knows is what was stored."""
        self.alarm = lifecycle.capped_at(Alarm.model_validate_json(self.alarm.model_dump_json()), self.now)

    @invariant()
    def a_mute_has_an_end(self) -> None:
        assert self.alarm.muted_until is None or self.alarm.muted_until <= self.now + lifecycle.MUTE_MOST

    @invariant()
    def an_active_alarm_says_since_when(self) -> None:
        assert not self.alarm.is_active or self.alarm.raised_at is not None

    @invariant()
    def nobody_is_left_untold(self) -> None:
        """On, unmuted, unacknowledged: then the last that people heard is that it is on."""
        if self.alarm.state is AlarmState.ACTIVE and self.alarm.muted_until is None and not self.alarm.acknowledged_at:
            heard = [event for event in self.told if event.at >= (self.alarm.raised_at or NOON)]
            unmuted_by_hand = not heard
            assert unmuted_by_hand or heard[-1].effect is not Effect.OVER


AlarmLife.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
TestAlarmLife = AlarmLife.TestCase


def run(alarm: Alarm, code: int, begin: float, end: float) -> tuple[Alarm, list[Event]]:
    count = int((end - begin) * 12)
    return lifecycle.follow(alarm, [(at(begin) + i * STEP, code) for i in range(1, count + 1)], LIMITS)


def normal() -> Alarm:
    return lifecycle.fresh(AlarmKind.COLD, "Boat shed", NOON)


def test_a_mute_that_runs_out_while_it_is_on_is_told() -> None:
    quiet = lifecycle.muted(normal(), at(8), at(0))
    alarm, events = run(quiet, ON, 0, 10)
    assert [event.effect for event in events] == [Effect.RAISED, Effect.MUTE_ENDED]
    assert events[1].at == at(8)
    assert alarm.muted_until is None


def test_a_mute_that_runs_out_says_nothing_of_what_is_acknowledged_or_over() -> None:
    alarm, _ = run(lifecycle.muted(normal(), at(8), at(0)), ON, 0, 2)
    _, events = run(lifecycle.acknowledged(alarm, at(2)), ON, 2, 10)
    assert events == []
    _, events = run(alarm, OFF, 2, 10)
    assert [event.effect for event in events] == [Effect.OVER]


def test_a_mute_goes_on_when_the_alarm_is_raised_anew() -> None:
    alarm, _ = run(lifecycle.muted(normal(), at(20), at(0)), ON, 0, 2)
    alarm, _ = run(alarm, OFF, 2, 4)
    alarm, _ = run(alarm, ON, 4, 6)
    assert alarm.muted_until == at(20)


def test_while_it_clears_a_mute_stays() -> None:
    """Else it could be on again, and nobody would have heard of it."""
    alarm, _ = run(lifecycle.muted(normal(), at(2.05), at(0)), ON, 0, 2)
    alarm, _ = run(alarm, OFF, 2, 2.2)
    assert alarm.state is AlarmState.CLEARING
    _, events = run(alarm, ON, 2.2, 3)
    assert [event.effect for event in events] == [Effect.MUTE_ENDED]


@pytest.mark.parametrize("hours", [0, -1, 24.01, 300])
def test_a_mute_is_short_and_ahead(hours: float) -> None:
    with pytest.raises(ValueError, match="within 24 h"):
        lifecycle.muted(normal(), at(hours), at(0))


def test_a_mute_set_while_the_clock_ran_ahead_does_not_last_for_years() -> None:
    ahead = lifecycle.muted(normal(), at(24 * 365 * 30), at(24 * 365 * 30 - 3))
    assert lifecycle.capped_at(ahead, at(0)).muted_until == at(24)
