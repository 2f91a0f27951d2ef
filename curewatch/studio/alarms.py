"""The life of an alarm, in the terms of ANSI/ISA-18.2 (IEC 62682): deadband, on-delay, off-delay, latching.

`step` is a pure function of state, condition and moment. The moment is the data's own: a day of readings that comes
late raises and clears what it would have raised and cleared in time.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from curewatch.records import Alarm, AlarmKind, AlarmState
from curewatch.studio.conditions import ASLEEP, OFF, ON, Limits

URGENT = frozenset({AlarmKind.FROST})
"""Alarms that cannot wait for a quiet hour's end."""


class Effect(StrEnum):
    RAISED = "raised"
    OVER = "over"
    REMINDED = "reminded"


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
    alarm = alarm.model_copy(update={"evaluated_at": at})
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
    cleared = {"raised_at": at, "acknowledged_at": None, "reminded_at": None, "muted_until": None}
    return _now(pending, AlarmState.ACTIVE, at).model_copy(update=cleared), Effect.RAISED


def _reminded(alarm: Alarm, at: datetime, limits: Limits) -> tuple[Alarm, Effect | None]:
    """One reminder if nobody has acknowledged in time."""
    if alarm.acknowledged_at is not None or alarm.reminded_at is not None or alarm.raised_at is None:
        return alarm, None
    if at - alarm.raised_at < limits.reminder:
        return alarm, None
    return alarm.model_copy(update={"reminded_at": at}), Effect.REMINDED


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


def believed(alarm: Alarm, now: datetime) -> Alarm:
    """The alarm as it can be known at `now`. One judged later than that was judged while the clock ran ahead.

    Without this, an hour (or a decade) would have to pass again before the alarm is judged at all.
    """
    if alarm.evaluated_at <= now:
        return alarm
    times = {name: getattr(alarm, name) for name in ("since", "raised_at", "evaluated_at", "reminded_at")}
    return alarm.model_copy(update={name: min(at, now) for name, at in times.items() if at is not None})


def looking_back(alarm: Alarm, to: datetime) -> Alarm:
    """The alarm, to be judged once more from `to` on, since more is now known of that time.

    Only as far back as it has been quiet: nothing that people have been told of is judged twice.
    """
    if alarm.state is not AlarmState.NORMAL or alarm.evaluated_at <= to:
        return alarm
    return alarm.model_copy(update={"evaluated_at": max(to, alarm.since)})


def is_active(alarm: Alarm) -> bool:
    """Raised and not yet over (its off-delay included)."""
    return alarm.state in (AlarmState.ACTIVE, AlarmState.CLEARING)
