"""What is at stake in an alarm: which pieces people were told of, how much harm, and when they hear of it again.

An alarm is of a room and of what lies wet in it. A piece that comes to lie in an alarm that stands already is told at
once, and asks for an answer of its own; a reminder comes as the harm grows, and weekly where it does not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from curewatch.records import Alarm, AlarmKind, AlarmState, Damage
from curewatch.studio.alarms import conditions, damage, lifecycle
from curewatch.studio.alarms.conditions import BETWEEN, OF_THE_AIR, ON, Limits, OccupiedRoom
from curewatch.studio.alarms.lifecycle import Effect, Event
from curewatch.studio.forecasting.drying import Drying

GROWN, GROWN_H = 2.0, 1.0
"""Harm has grown when it is so many times what was last told, and so many hours more."""
_TOLD = (Effect.RAISED, Effect.REMINDED, Effect.MUTE_ENDED)


def judged(
    room: OccupiedRoom, after: Alarm, events: list[Event], harm_h: float, now: datetime, limits: Limits
) -> tuple[Alarm, list[Event]]:
    """The alarm and what happened to it, with what is at stake in it at `now`. `harm_h`: what it has done so far."""
    if after.state is not AlarmState.ACTIVE or lifecycle.is_muted(after, now):
        return after, events
    told = after.model_copy(update={"told_at": now, "told_harm_h": harm_h})
    if after.at_stake is None or any(event.effect in _TOLD for event in events):
        at_risk = after.kind is AlarmKind.TOO_FAST  # that is of single pieces; all else of the room's air
        lying = [one for one in room.wet_at(now) if not at_risk or _at_risk(room, one, after.kind, now, limits)]
        return told.model_copy(update={"at_stake": _with(after, lying)}), events
    if after.kind is not AlarmKind.NO_FRESH_DATA and not conditions.is_fresh(room, now, limits):
        return after, events
    if new := newcomers(room, after, now, limits):
        anew = {"at_stake": _with(after, new), "acknowledged_at": None, "reminded_at": None}
        return told.model_copy(update=anew), [*events, Event(Effect.JOINED, now)]
    if _has_grown(after, harm_h) and lifecycle.may_remind(after, now, limits.reminder):
        return told.model_copy(update={"reminded_at": now}), [*events, Event(Effect.REMINDED, now)]
    return after, events


Judged = dict[AlarmKind, tuple[Alarm, list[Event]]]


def reminded_together(judged: Judged, harm_h: Mapping[AlarmKind, float], now: datetime) -> Judged:
    """The alarms of a room's air, where one is due to be told again: then all that stand are, and none soon after."""
    if not any(event.effect is Effect.REMINDED for kind in OF_THE_AIR for event in judged[kind][1]):
        return judged
    found = dict(judged)
    for kind in OF_THE_AIR:
        alarm, events = judged[kind]
        stands = alarm.state is AlarmState.ACTIVE and alarm.acknowledged_at is None
        if stands and not events and not lifecycle.is_muted(alarm, now):
            told = {"told_at": now, "reminded_at": now, "told_harm_h": harm_h[kind]}
            again = alarm.model_copy(update=told)
            found[kind] = (again, [Event(Effect.REMINDED, now)])
    return found


def newcomers(room: OccupiedRoom, alarm: Alarm, now: datetime, limits: Limits) -> list[Drying]:
    """The pieces at risk of which people have not been told."""
    known = alarm.at_stake or ()
    new = [drying for drying in room.wet_at(now) if drying.piece.id not in known]
    return [drying for drying in new if _at_risk(room, drying, alarm.kind, now, limits)]


def _with(alarm: Alarm, more: Sequence[Drying]) -> tuple[int, ...]:
    return tuple(sorted({*(alarm.at_stake or ()), *(drying.piece.id for drying in more)}))


def _at_risk(room: OccupiedRoom, drying: Drying, kind: AlarmKind, now: datetime, limits: Limits) -> bool:
    """Whether the alarm's condition holds for this piece by itself, or has not quite gone."""
    if kind is AlarmKind.NO_FRESH_DATA or room.climate is None:
        return True
    alone = replace(room, dryings=(drying,))
    return conditions.codes(alone, np.array([now.timestamp()]), limits)[kind][0] in (ON, BETWEEN)


def harm_of(room: OccupiedRoom, kind: AlarmKind, counts: Mapping[tuple[int, AlarmKind], Damage]) -> list[Damage]:
    """The harm of that kind which pieces in the room have taken, and which stands."""
    found = [counts.get((drying.piece.id, kind)) for drying in room.dryings]
    return [one for one in found if one is not None and damage.stands(one)]


def _has_grown(alarm: Alarm, harm_h: float) -> bool:
    """After the first reminder, which comes in any case."""
    told = alarm.told_harm_h
    return alarm.reminded_at is not None and harm_h >= max(GROWN * told, told + GROWN_H)
