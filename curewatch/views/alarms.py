"""Alarms as they are shown: on, muted, past; and the harm that they warn of."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.records import (
    Alarm,
    AlarmEvent,
    AlarmHappening,
    AlarmKind,
    Damage,
)
from curewatch.studio.alarms import damage as damages
from curewatch.views.base import View, local


class AlarmOut(View):
    alarm: str
    room: str
    state: str
    raised_at: datetime | None
    judged_at: datetime
    acknowledged_at: datetime | None
    muted_until: datetime | None
    text: str

    @classmethod
    def of(cls, alarm: Alarm, tz: ZoneInfo) -> AlarmOut:
        return cls(
            alarm=alarm.kind.value,
            room=alarm.room,
            state=alarm.state.value,
            raised_at=local(alarm.raised_at, tz),
            judged_at=alarm.evaluated_at.astimezone(tz),
            acknowledged_at=local(alarm.acknowledged_at, tz),
            muted_until=local(alarm.muted_until, tz),
            text=alarm.text,
        )


class HarmOut(View):
    """`cold` or `frost` that a wet film had; it stands until somebody has looked the piece over."""

    piece: str
    kind: AlarmKind
    hours: float
    coldest_c: float
    began_at: datetime
    counted_until: datetime
    cleared_at: datetime | None
    text: str

    @classmethod
    def of(cls, piece: str, one: Damage, tz: ZoneInfo) -> HarmOut:
        return cls(
            piece=piece,
            kind=one.kind,
            hours=round(one.hours, 2),
            coldest_c=round(one.worst_c, 2),
            began_at=one.began_at.astimezone(tz),
            counted_until=one.counted_until.astimezone(tz),
            cleared_at=local(one.cleared_at, tz),
            text=damages.in_words(one),
        )


class AlarmEventOut(View):
    """One line of an alarm's history; `at` is the data's own time."""

    alarm: AlarmKind
    room: str
    happening: AlarmHappening
    at: datetime
    recorded_at: datetime
    muted_until: datetime | None

    @classmethod
    def of(cls, one: AlarmEvent, tz: ZoneInfo) -> AlarmEventOut:
        return cls(
            alarm=one.kind,
            room=one.room,
            happening=one.happening,
            at=one.at.astimezone(tz),
            recorded_at=one.recorded_at.astimezone(tz),
            muted_until=local(one.muted_until, tz),
        )
