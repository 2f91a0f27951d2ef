"""The life of an alarm, in the terms of ANSI/ISA-18.2 (IEC 62682): deadband, on-delay, off-delay, latching.

`step` is a pure function of state, condition and moment. The moment is the data's own: a day of readings that comes
late raises and clears what it would have raised and cleared in time. A `Turn` is what became of one alarm at one look,
sorted by what there is to tell of it: state, and no words.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, NamedTuple

from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.alarms.conditions import ASLEEP, OFF, ON, Limits

MUTE_MOST = timedelta(hours=24)
"""A mute has an end, and at most this far away: a forgotten one must not silence the next winter."""
URGENT = frozenset({AlarmKind.FROST})
"""Alarms that cannot wait for a quiet hour's end."""
WEEKLY = timedelta(days=7)
"""After its first reminder an alarm in which nothing changes is told again at most so often."""


class Effect(StrEnum):
    RAISED = "raised"
    JOINED = "joined"
    """Another piece has come to be at stake in it while it is on."""
    OVER = "over"
    REMINDED = "reminded"
    MUTE_ENDED = "mute_ended"
    """The mute has run out, and it is still on."""


@dataclass(frozen=True)
class Event:
    """Something that happened to an alarm and that people should hear of."""

    effect: Effect
    at: datetime


def fresh(kind: AlarmKind, room: str, at: datetime) -> Alarm:
    """An alarm that has never been anything but normal, judged up to `at`."""
    return Alarm(kind=kind, room=room, state=AlarmState.NORMAL, since=at, evaluated_at=at)


def step(alarm: Alarm, code: int, at: datetime, limits: Limits) -> tuple[Alarm, Effect | None]:
    """The alarm after its condition was `code` (ON, BETWEEN, OFF, ASLEEP) at `at`; and what people should hear.

    A moment that does not lie after the last one judged changes nothing.
    """
    if at <= alarm.evaluated_at:
        return alarm, None
    return _mute_ended(*_moved(alarm.model_copy(update={"evaluated_at": at}), code, at, limits), at)


def _moved(alarm: Alarm, code: int, at: datetime, limits: Limits) -> tuple[Alarm, Effect | None]:
    state = alarm.state
    if code == ASLEEP:
        return (alarm if state is AlarmState.NORMAL else _now(alarm, AlarmState.NORMAL, at)), None
    if state is AlarmState.NORMAL:
        return (_pending(alarm, at, limits)) if code == ON else (alarm, None)
    if state is AlarmState.PENDING:
        if code == OFF:
            return _now(alarm, AlarmState.NORMAL, at), None
        # inside the deadband it is not back: the delay goes on, but only a moment beyond the limit raises
        return _pending(alarm, at, limits) if code == ON else (alarm, None)
    if code != OFF:
        back = alarm if state is AlarmState.ACTIVE else _now(alarm, AlarmState.ACTIVE, at)
        return _reminded(back, at, limits)
    clearing = alarm if state is AlarmState.CLEARING else _now(alarm, AlarmState.CLEARING, at)
    if at - clearing.since >= limits.off_delay:
        return _now(clearing, AlarmState.NORMAL, at), Effect.OVER
    return clearing, None


def _pending(alarm: Alarm, at: datetime, limits: Limits) -> tuple[Alarm, Effect | None]:
    pending = alarm if alarm.state is AlarmState.PENDING else _now(alarm, AlarmState.PENDING, at)
    if at - pending.since < limits.on_delay:
        return pending, None
    # a mute goes on: it was set for a time, not for one turn of a value that toggles
    forgotten = dict.fromkeys(("acknowledged_at", "reminded_at", "told_at", "at_stake"))
    cleared = {"raised_at": at, "told_harm_h": 0.0, **forgotten}
    return _now(pending, AlarmState.ACTIVE, at).model_copy(update=cleared), Effect.RAISED


def _reminded(alarm: Alarm, at: datetime, limits: Limits) -> tuple[Alarm, Effect | None]:
    """A reminder if nobody has acknowledged in time, and then weekly."""
    wait = limits.reminder if alarm.reminded_at is None else max(WEEKLY, limits.reminder)
    if not may_remind(alarm, at, wait):
        return alarm, None
    return alarm.model_copy(update={"reminded_at": at}), Effect.REMINDED


def may_remind(alarm: Alarm, at: datetime, wait: timedelta) -> bool:
    """Whether nobody has acknowledged it, nor heard of it for so long."""
    if alarm.acknowledged_at is not None or alarm.raised_at is None:
        return False
    heard = [one for one in (alarm.raised_at, alarm.told_at, alarm.reminded_at) if one is not None]
    return at - max(heard) >= wait


def _mute_ended(alarm: Alarm, effect: Effect | None, at: datetime) -> tuple[Alarm, Effect | None]:
    """A mute that has run out is lifted; if the alarm is on and nobody has acknowledged it, that is told.

    While it clears the mute stays: it may be on again, and then nobody would hear of it.
    """
    if alarm.muted_until is None or at < alarm.muted_until or alarm.state is AlarmState.CLEARING:
        return alarm, effect
    alarm = alarm.model_copy(update={"muted_until": None})
    told = effect is not None or alarm.state is not AlarmState.ACTIVE or alarm.acknowledged_at is not None
    return alarm, effect if told else Effect.MUTE_ENDED


def _now(alarm: Alarm, state: AlarmState, at: datetime) -> Alarm:
    return alarm.model_copy(update={"state": state, "since": at})


def follow(alarm: Alarm, judged: Iterable[tuple[datetime, int]], limits: Limits) -> tuple[Alarm, list[Event]]:
    """The alarm after all of `judged` (moment, code) in order, and what happened on the way."""
    events = []
    for at, code in judged:
        alarm, effect = step(alarm, code, at, limits)
        if effect is not None:
            events.append(Event(effect, at))
    return alarm, events


def capped_at(alarm: Alarm, now: datetime) -> Alarm:
    """The alarm as it can be known at `now`. One judged later than that was judged while the clock ran ahead.

    Without this, an hour (or a decade) would have to pass again before the alarm is judged at all.
    """
    if alarm.muted_until is not None and alarm.muted_until > now + MUTE_MOST:
        alarm = alarm.model_copy(update={"muted_until": now + MUTE_MOST})
    if alarm.evaluated_at <= now:
        return alarm
    times = {name: getattr(alarm, name) for name in ("since", "raised_at", "evaluated_at", "reminded_at", "told_at")}
    return alarm.model_copy(update={name: min(at, now) for name, at in times.items() if at is not None})


def rewound(alarm: Alarm, to: datetime) -> Alarm:
    """The alarm, to be judged once more from `to` on, since more is now known of that time.

    Only as far back as it has been quiet: nothing that people have been told of is judged twice.
    """
    if alarm.state is not AlarmState.NORMAL or alarm.evaluated_at <= to:
        return alarm
    if alarm.raised_at is None:
        return alarm.model_copy(update={"evaluated_at": to, "since": min(to, alarm.since)})
    return alarm.model_copy(update={"evaluated_at": max(to, alarm.since)})


def is_seen_to(alarm: Alarm) -> bool:
    """On, and somebody has said that they see to it."""
    return alarm.is_active and alarm.acknowledged_at is not None


def acknowledged(alarm: Alarm, now: datetime) -> Alarm:
    """Somebody has seen it and sees to it: no reminder any more, until it is raised anew."""
    return alarm.model_copy(update={"acknowledged_at": now})


def muted(alarm: Alarm, until: datetime, now: datetime) -> Alarm:
    """Nothing is told of it before `until`; ValueError where that is not within MUTE_MOST from `now`."""
    if not now < until <= now + MUTE_MOST:
        raise ValueError(f"a mute ends within {MUTE_MOST.total_seconds() / 3600:g} h")
    return alarm.model_copy(update={"muted_until": until})


def unmuted(alarm: Alarm) -> Alarm:
    """It is told again, from the next turn on."""
    return alarm.model_copy(update={"muted_until": None})


AGAIN = (Effect.JOINED, Effect.REMINDED, Effect.MUTE_ENDED)
"""What is told of an alarm that people may know of, and that is active still."""


class Episode(NamedTuple):
    """From when to when an alarm was active. `over_at` is None where it ended with the last wet piece."""

    raised_at: datetime
    over_at: datetime | None


@dataclass(frozen=True)
class Turn:
    """One alarm at one look: from what to what, and what there is to tell of it."""

    before: Alarm
    after: Alarm
    over: datetime | None = None
    """When it ended, if people had been told before that it began."""
    passed: tuple[Episode, ...] = ()
    """Began and ended."""
    begun: datetime | None = None
    """When it began, if it is active still."""
    joined: datetime | None = None
    """When another piece was found at stake in it, if it is active still."""
    reminded: datetime | None = None
    """When a reminder fell due of what people had been told before, if it is active still."""
    mute_ended: datetime | None = None
    """When a mute ran out, if it is active still: it may have begun unheard."""

    @property
    def kind(self) -> AlarmKind:
        return self.after.kind

    @property
    def begins(self) -> bool:
        """Whether it was raised at this look and is active still, heard of or not."""
        return self.after.is_active and self.after.raised_at != self.before.raised_at

    @property
    def since(self) -> datetime:
        """When it was raised."""
        return self.after.raised_at or self.after.since

    def at(self, effect: Effect) -> datetime | None:
        """When that was, of an alarm that is active still."""
        found = {Effect.JOINED: self.joined, Effect.REMINDED: self.reminded, Effect.MUTE_ENDED: self.mute_ended}
        return self.begun if effect is Effect.RAISED else found[effect]

    @property
    def turned(self) -> bool:
        """Whether something is to be said in the present tense, or no longer."""
        on = [one.state is AlarmState.ACTIVE for one in (self.before, self.after)]
        return self.begins or on[0] is not on[1] or any(self.at(effect) for effect in AGAIN)


def turn(before: Alarm, after: Alarm, events: Sequence[Event]) -> Turn:
    """`events` led from `before` to `after`. What fell into a mute is not told."""
    found, muted = _sorted(before, after, events), before.muted_until
    if muted is None:
        return found
    passed = found.passed if found.passed and found.passed[-1].raised_at >= muted else ()
    whens = ("over", "begun", "joined", "reminded", "mute_ended")
    heard: dict[str, Any] = {name: None if (at := getattr(found, name)) is None or at < muted else at for name in whens}
    return replace(found, passed=passed, **heard)


def _sorted(before: Alarm, after: Alarm, events: Sequence[Event]) -> Turn:
    told, over, begun, passed = before.is_active, None, None, []
    for event in events:
        if event.effect is Effect.RAISED:
            if begun is not None:
                passed.append(Episode(begun, None))
            begun, told = event.at, False
        elif event.effect is Effect.OVER and begun is not None:
            passed.append(Episode(begun, event.at))
            begun = None
        elif event.effect is Effect.OVER and told:
            over, told = event.at, False
    if begun is not None and not after.is_active:
        passed.append(Episode(begun, None))
        begun = None
    last = {event.effect: event.at for event in events} if after.is_active else {}
    return Turn(
        before,
        after,
        over=over,
        passed=tuple(passed),
        begun=begun,
        joined=last.get(Effect.JOINED),
        reminded=last.get(Effect.REMINDED) if told else None,
        mute_ended=last.get(Effect.MUTE_ENDED),
    )
