"""Watching one room: from its air and its wet pieces to alarms and the notices they cause."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.records import Alarm, AlarmKind, Notice
from curewatch.studio import alarm_words, alarms, conditions
from curewatch.studio.alarms import Effect, Event
from curewatch.studio.conditions import Limits, Occupied
from curewatch.studio.wording import Local

NOTICE_EXPIRES_AFTER = timedelta(days=3)
OVERDUE_CADENCES = 1.5
"""A held value counts as the present one only once a reading is this many of its usual intervals late: until then
the next reading may say otherwise, and a single spike must raise nothing."""
_KIND = {Effect.RAISED: "alarm", Effect.OVER: "alarm_over", Effect.REMINDED: "reminder"}


def watch(
    room: Occupied, known: Mapping[AlarmKind, Alarm], now: datetime, limits: Limits, local: Local
) -> tuple[list[Alarm], list[Notice]]:
    """Judge every alarm of `room` up to `now`. Returns the alarms that changed and the notices due."""
    changed, notices = [], []
    for kind in AlarmKind:
        began = min((conditions.wet_from(d) for d in room.dryings), default=None)
        if began is None:
            break
        start = datetime.fromtimestamp(began, UTC) - timedelta(seconds=1)
        alarm = known.get(kind) or alarms.fresh(kind, room.name, min(start, now))
        after, events = alarms.follow(alarm, _judged(room, kind, alarm, now, limits), limits)
        told = [_notice(room, after, event, now, limits, local) for event in events]
        if told and after.raised_at is not None and events[-1].effect is Effect.RAISED:
            after = after.model_copy(update={"text": told[-1].text})
        if after != alarm:
            changed.append(after)
        notices += told
    return changed, notices


def _judged(room: Occupied, kind: AlarmKind, alarm: Alarm, now: datetime, limits: Limits) -> list[tuple[datetime, int]]:
    if kind is AlarmKind.NO_FRESH_DATA:
        return [(now, conditions.fresh_code(room, now, limits))]
    climate = room.climate
    if climate is None:
        return []
    last = alarm.evaluated_at.timestamp()
    times = climate.time_s[(climate.time_s > last) & (climate.time_s <= now.timestamp())]
    held = now.timestamp() - climate.newest_s
    fresh = conditions.fresh_code(room, now, limits) != conditions.ON
    if fresh and held >= OVERDUE_CADENCES * climate.cadence_s and now.timestamp() > last:
        times = np.append(times, now.timestamp())
    if not len(times):
        return []
    codes = conditions.codes(room, times, limits)[kind]
    return [(datetime.fromtimestamp(float(t), UTC), int(code)) for t, code in zip(times, codes, strict=True)]


def _notice(room: Occupied, alarm: Alarm, event: Event, now: datetime, limits: Limits, local: Local) -> Notice:
    title, text = alarm_words.say(room, alarm.kind, event, now, limits, local)
    return Notice(
        key=f"alarm/{alarm.kind}/{_ascii(room.name)}/{event.effect}/{int(event.at.timestamp())}",
        kind=_KIND[event.effect],
        created_at=now,
        title=title,
        text=text,
        urgent=alarm.kind in alarms.URGENT and event.effect is not Effect.OVER,
        expires_at=now + NOTICE_EXPIRES_AFTER,
        room=room.name,
        data={"alarm": alarm.kind.value, "effect": event.effect.value, "at": event.at.isoformat()},
    )


def _ascii(name: str) -> str:
    """A room's name as it may stand in a header: other letters as their code points."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else f"_{ord(c):x}_" for c in name)
