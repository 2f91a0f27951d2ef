"""Evaluating rooms: from their air and wet pieces to alarms and notices; all sensors silent at once are one alarm."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from curewatch.language import Listed, Value, When, phrase
from curewatch.records import Alarm, AlarmEvent, AlarmHappening, AlarmKind, AlarmState, Damage, Notice
from curewatch.studio.alarms import alarm_notices, conditions, damage, lifecycle
from curewatch.studio.alarms import damage as stakes
from curewatch.studio.alarms import lifecycle as turns
from curewatch.studio.alarms.conditions import ASLEEP, ON, Limits, OccupiedRoom
from curewatch.studio.alarms.remedies import Remedy

OVERDUE_CADENCES = 1.5
"""A sensor's last value counts as the present one only once the next is this many of its usual intervals late: until
then the next reading may say otherwise, and a single spike must raise nothing."""
KEEP_EVERY = timedelta(hours=1)
"""An alarm that has only been judged further is stored this often; what lies between is judged again, to the same
end. A look at a quiet room then writes nothing."""
KEEP_DAMAGE_H = 0.1
"""A count of damage is stored in steps of this [h]."""
Judged = list[tuple[datetime, int]]


class RoomEvaluation(NamedTuple):
    """What a look at one room came to."""

    changed: list[Alarm]
    """Alarms to be stored."""
    told: list[Notice]
    history: list[AlarmEvent]
    damages: list[Damage]
    """Counts of damage that have grown enough to be stored."""
    worded: frozenset[AlarmKind] = frozenset()
    """Alarms that have another text now."""
    remedy: Remedy | None = None
    """What is to be done about all that stands there."""


def evaluate_room(
    room: OccupiedRoom,
    known: Mapping[AlarmKind, Alarm],
    now: datetime,
    limits: Limits,
    damages: Mapping[tuple[int, AlarmKind], Damage] = MappingProxyType({}),
) -> RoomEvaluation:
    """Judge every alarm of `room` up to `now`, and count what its air has done to the pieces in it.

    `damages`: the newest count of each piece and kind.
    """
    before = {kind: _last_seen(room, kind, known.get(kind), now) for kind in AlarmKind}
    record, held = _record(room, before, now, limits), _held(room, now, limits)
    grown = damage.counted(room, damages, before[AlarmKind.COLD].evaluated_at, now, limits)
    counts = dict(damages) | damage.newest(grown)
    changed: list[Alarm] = []
    harm_h = {kind: sum(one.hours for one in stakes.harm_of(room, kind, counts)) for kind in AlarmKind}
    judged: dict[AlarmKind, tuple[Alarm, list[lifecycle.Event]]] = {}
    history: list[AlarmEvent] = []
    for kind, alarm in before.items():
        after, events = lifecycle.follow(alarm, record[kind], limits)
        if kind in held:
            # where it changes nothing, readings of this very time that come late can still be judged
            later, more = lifecycle.follow(after, [(now, held[kind])], limits)
            if not _same(after, later):
                after, events = later, events + more
        judged[kind] = stakes.with_stakes(room, after, events, harm_h[kind], now, limits)
    judged = stakes.reminded_together(judged, harm_h, now)
    turned = [turns.turn(before[kind], after, events) for kind, (after, events) in judged.items()]
    for kind, (after, events) in judged.items():
        history += _history(before[kind], after, events, now)
    told = alarm_notices.tell(room, turned, now, limits, counts)
    for turn in turned:
        text = told.texts.get(turn.kind, turn.after.text)
        after = turn.after if text == turn.after.text else turn.after.model_copy(update={"text": text})
        if _worth_keeping(known.get(turn.kind), turn.before, after, now):
            changed.append(after)
    damaged = [one for one in grown if _worth_storing(one, damages)]
    return RoomEvaluation(changed, told.notices, history, damaged, frozenset(told.texts), told.remedy)


def _worth_storing(grown: Damage, known: Mapping[tuple[int, AlarmKind], Damage]) -> bool:
    """A count goes on from where it was stored, so a small step may wait; a first one may not."""
    before = known.get((grown.piece_id, grown.kind))
    return before is None or before.cleared_at is not None or abs(grown.hours - before.hours) >= KEEP_DAMAGE_H


def _history(before: Alarm, after: Alarm, events: list[lifecycle.Event], now: datetime) -> list[AlarmEvent]:
    events = [event for event in events if event.effect is not lifecycle.Effect.JOINED]  # a pour or a move tells that
    found = [(AlarmHappening(event.effect.value), event.at) for event in events]
    on = events[-1].effect is not lifecycle.Effect.OVER if events else before.is_active
    if on and after.state is AlarmState.NORMAL:
        found.append((AlarmHappening.ASLEEP, after.since))
    return [
        AlarmEvent(kind=after.kind, room=after.room, happening=happening, at=at, recorded_at=now)
        for happening, at in found
    ]


def _last_seen(room: OccupiedRoom, kind: AlarmKind, alarm: Alarm | None, now: datetime) -> Alarm:
    if alarm is not None:
        return lifecycle.capped_at(alarm, now)
    began = min((conditions.wet_from(d) for d in room.dryings), default=now.timestamp())
    return lifecycle.fresh(kind, room.name, min(datetime.fromtimestamp(began, UTC) - timedelta(seconds=1), now))


def _same(one: Alarm | None, other: Alarm) -> bool:
    """Whether they differ in nothing but how far they have been judged."""
    return one is not None and one.model_copy(update={"evaluated_at": other.evaluated_at}) == other


def _worth_keeping(known: Alarm | None, before: Alarm, after: Alarm, now: datetime) -> bool:
    further = after.evaluated_at - before.evaluated_at >= KEEP_EVERY
    if known is None:
        return further or after.state is not AlarmState.NORMAL
    # judged while the clock ran ahead: from now on it counts from here
    return further or not _same(known, after) or known.evaluated_at > now


def _record(
    room: OccupiedRoom, before: Mapping[AlarmKind, Alarm], now: datetime, limits: Limits
) -> dict[AlarmKind, Judged]:
    """Each alarm's condition at the moments of the room's record, from the first wet piece to the last."""
    judged: dict[AlarmKind, Judged] = {kind: [] for kind in AlarmKind}
    if room.climate is None or not room.dryings:
        return judged
    airs = [alarm for kind, alarm in before.items() if kind is not AlarmKind.NO_FRESH_DATA]
    times = room.climate.moments(min(alarm.evaluated_at.timestamp() for alarm in airs), now.timestamp())
    begin, end = min(map(conditions.wet_from, room.dryings)), max(map(room.wet_until, room.dryings))
    times = times[(times >= begin) & (times < end)]
    if not len(times):
        return judged
    moments = [datetime.fromtimestamp(t, UTC) for t in times.tolist()]
    for kind, codes in conditions.codes(room, times, limits).items():
        judged[kind] = list(zip(moments, codes.tolist(), strict=True))
    return judged


def _held(room: OccupiedRoom, now: datetime, limits: Limits) -> dict[AlarmKind, int]:
    """Each alarm's condition at `now`, where that can be said without a reading of now.

    What was typed holds until the next is typed, unless that is too long ago. A sensor's last value may raise an
    alarm, when the next is overdue, but never clears one: silence is no good news.
    """
    if not room.wet_at(now):
        return dict.fromkeys(AlarmKind, ASLEEP)
    found = {AlarmKind.NO_FRESH_DATA: conditions.fresh_code(room, now, limits)}
    if room.climate is None:
        return found
    typed, held_s = room.by_hand, now.timestamp() - room.climate.newest_s
    fresh = conditions.is_fresh(room, now, limits)
    overdue = held_s >= OVERDUE_CADENCES * room.climate.cadence_s
    for kind, codes in conditions.codes(room, np.array([now.timestamp()]), limits).items():
        code = int(codes[0])
        if code == ASLEEP or (fresh and (typed or (overdue and code == ON))):
            found[kind] = code
    return found


HALF = 2
"""Where one room has been silent for too long, others count as silent with it from this part of that time on."""


def together(rooms: Sequence[OccupiedRoom], now: datetime, limits: Limits) -> list[OccupiedRoom]:
    """The rooms, marked where those with sensors and wet pieces have all gone silent, two or more of them."""
    sensed = [room for room in rooms if room.has_sensor and room.wet_at(now)]
    heard = [room.freshest_at for room in sensed]
    ages = [now - at for at in heard if at is not None]
    if len(sensed) < 2 or len(ages) < len(sensed):
        return list(rooms)
    limit = conditions.stale_after(sensed[0], limits)
    if max(ages) <= limit or min(ages) <= limit / HALF:
        return list(rooms)
    return [replace(room, silent_together=True) if room in sensed else room for room in rooms]


def joint_notices(
    told: Sequence[Notice], rooms: Sequence[OccupiedRoom], now: datetime
) -> tuple[list[Notice], list[Notice]]:
    """What to tell instead of `told`, and what to keep untold: the notices that the joint one stands for."""
    silent = {room.name for room in rooms if room.silent_together}
    for effect, over in (("raised", False), ("reminded", False), ("over", True)):
        members = [
            notice
            for notice in told
            if notice.data.get("alarm") == AlarmKind.NO_FRESH_DATA
            and notice.data.get("effect") == effect
            and (over or notice.room in silent)
        ]
        if len(members) < 2:
            continue
        joint = _joint(members, rooms, now)
        kept = [m.model_copy(update={"data": m.data | {"told_in": joint.key}}) for m in members]
        rest, more = joint_notices([notice for notice in told if notice not in members], rooms, now)
        return [joint, *rest], [*kept, *more]
    return list(told), []


def _joint(members: Sequence[Notice], rooms: Sequence[OccupiedRoom], now: datetime) -> Notice:
    first = members[0]
    names = [str(notice.room) for notice in members]
    heard = [room.freshest_at for room in rooms if room.name in names and room.freshest_at is not None]
    last: Value = When(max(heard), now) if heard else phrase("never")
    effect, silent = first.data["effect"], Listed(tuple(names))
    if effect == "over":
        title = phrase("{rooms}: readings come in again", rooms=silent)
        text = phrase("Readings come in again from {rooms}; the last {at}.", rooms=silent, at=last)
    else:
        title = phrase("No sensor is heard: {rooms}", rooms=silent)
        if effect == "reminded":
            title = phrase("Still no sensor is heard: {rooms}", rooms=silent)
        text = phrase(
            "No sensor has been heard for long, the last {at}: {rooms}. Dates and warnings rest on old air. One cause "
            "is likely: look at the broker, the network and their power today; until they speak, type readings.",
            at=last,
            rooms=silent,
        )
    return first.model_copy(
        update={
            "key": f"alarm/{AlarmKind.NO_FRESH_DATA}/together/{effect}/{int(now.timestamp())}",
            "title": title,
            "text": text,
            "room": None,
            "data": first.data | {"rooms": names, "names": sorted({*names, *first.data.get("names", [])})},
        }
    )
