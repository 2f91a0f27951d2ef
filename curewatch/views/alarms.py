"""Alarms as they are shown: on, muted, past; and the harm that they warn of."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.commands.alarm_care import AlarmsNow
from curewatch.records import (
    Alarm,
    AlarmEvent,
    AlarmHappening,
    AlarmKind,
    AlarmState,
    Damage,
)
from curewatch.studio.alarms import damage as damages
from curewatch.views.base import View, local, said


class AlarmOut(View):
    alarm: str
    room: str
    state: str
    raised_at: datetime | None
    judged_at: datetime
    acknowledged_at: datetime | None
    muted_until: datetime | None
    text: str

    @property
    def is_ending(self) -> bool:
        """Whether what was read last is in range again, for too short a time to end it."""
        return self.state == AlarmState.CLEARING

    @classmethod
    def of(cls, alarm: Alarm, tz: ZoneInfo) -> AlarmOut:
        return cls(
            alarm=alarm.kind.value,
            room=alarm.room,
            state=alarm.state.value,
            raised_at=local(alarm.raised_at, tz),
            judged_at=local(alarm.evaluated_at, tz),
            acknowledged_at=local(alarm.acknowledged_at, tz),
            muted_until=local(alarm.muted_until, tz),
            text=said(alarm.text, tz),
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
            began_at=local(one.began_at, tz),
            counted_until=local(one.counted_until, tz),
            cleared_at=local(one.cleared_at, tz),
            text=said(damages.in_words(one), tz),
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
            at=local(one.at, tz),
            recorded_at=local(one.recorded_at, tz),
            muted_until=local(one.muted_until, tz),
        )


class AlarmsOut(View):
    """Everything about alarms that asks for somebody's eye."""

    active: list[AlarmOut]
    muted: list[AlarmOut] = Field(description="Quiet ones that would not be told of if they were raised")
    harm: list[HarmOut] = Field(description="That nobody has looked over")
    history: list[AlarmEventOut] = Field(description="The newest first; empty unless asked for")

    @classmethod
    def of(cls, seen: AlarmsNow, tz: ZoneInfo) -> AlarmsOut:
        return cls(
            active=[AlarmOut.of(one, tz) for one in seen.active],
            muted=[AlarmOut.of(one, tz) for one in seen.muted],
            harm=[HarmOut.of(one.piece, one.damage, tz) for one in seen.harmed],
            history=[AlarmEventOut.of(one, tz) for one in seen.history],
        )
