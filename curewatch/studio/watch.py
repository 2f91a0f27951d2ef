"""Watching one room: from its air and its wet pieces to alarms and the notices they cause."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.records import Alarm, AlarmKind, AlarmState, Notice
from curewatch.studio import alarm_notices, alarms, conditions
from curewatch.studio.alarm_words import Speaker
from curewatch.studio.conditions import ASLEEP, ON, Limits, Occupied
from curewatch.studio.wording import Local

OVERDUE_CADENCES = 1.5
"""A sensor's last value counts as the present one only once the next is this many of its usual intervals late: until
then the next reading may say otherwise, and a single spike must raise nothing."""
KEEP_EVERY = timedelta(hours=1)
"""An alarm that has only been judged further is stored this often; what lies between is judged again, to the same
end. A look at a quiet room then writes nothing."""
Judged = list[tuple[datetime, int]]


def watch(
    room: Occupied, known: Mapping[AlarmKind, Alarm], now: datetime, limits: Limits, local: Local
) -> tuple[list[Alarm], list[Notice]]:
    """Judge every alarm of `room` up to `now`. Returns the alarms to be stored and the notices due."""
    before = {kind: _last_seen(room, kind, known.get(kind), now) for kind in AlarmKind}
    record, held = _record(room, before, now, limits), _held(room, now, limits)
    changed: list[Alarm] = []
    told: list[Notice] = []
    for kind, alarm in before.items():
        after, events = alarms.follow(alarm, record[kind], limits)
        if kind in held:
            # where it changes nothing, readings of this very time that come late can still be judged
            later, more = alarms.follow(after, [(now, held[kind])], limits)
            if not _same(after, later):
                after, events = later, events + more
        after, notices = alarm_notices.notices(Speaker(room, kind, now, limits, local), alarm, after, events)
        if _worth_keeping(known.get(kind), alarm, after, now):
            changed.append(after)
        told += notices
    return changed, told


def _last_seen(room: Occupied, kind: AlarmKind, alarm: Alarm | None, now: datetime) -> Alarm:
    if alarm is not None:
        return alarms.believed(alarm, now)
    began = min((conditions.wet_from(d) for d in room.dryings), default=now.timestamp())
    return alarms.fresh(kind, room.name, min(datetime.fromtimestamp(began, UTC) - timedelta(seconds=1), now))


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
    room: Occupied, before: Mapping[AlarmKind, Alarm], now: datetime, limits: Limits
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


def _held(room: Occupied, now: datetime, limits: Limits) -> dict[AlarmKind, int]:
    """Each alarm's condition at `now`, where that can be said without a reading of now.

    What was typed holds until the next is typed, unless that is too long ago. A sensor's last value may raise an
    alarm, when the next is overdue, but never clears one: silence is no good news.
    """
    if not room.wet_at(now):
        return dict.fromkeys(AlarmKind, ASLEEP)
    found = {AlarmKind.NO_FRESH_DATA: conditions.fresh_code(room, now, limits)}
    if room.climate is None:
        return found
    typed, held_s = not room.has_sensor, now.timestamp() - room.climate.newest_s
    fresh = conditions.is_fresh(room, now, limits)
    overdue = held_s >= OVERDUE_CADENCES * room.climate.cadence_s
    for kind, codes in conditions.codes(room, np.array([now.timestamp()]), limits).items():
        code = int(codes[0])
        if code == ASLEEP or (fresh and (typed or (overdue and code == ON))):
            found[kind] = code
    return found
