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
    Notice,
)
from curewatch.studio.alarms import damage as damages
from curewatch.studio.board import Close, PieceLine
from curewatch.views.base import View, local, rounded, said


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


class CloseOut(View):
    """What may come to be an alarm: over its limit, not for long enough to be told of; or foretold for hours ahead."""

    alarm: AlarmKind
    room: str
    since: datetime | None = Field(description="Since when it is over its limit")
    from_at: datetime | None = Field(description="From when on it is foretold")
    text: str

    @classmethod
    def of(cls, one: Close, tz: ZoneInfo) -> CloseOut:
        since, from_at = local(one.since, tz), local(one.from_at, tz)
        return cls(alarm=one.kind, room=one.room, since=since, from_at=from_at, text=said(one.text, tz))


class RiskOut(View):
    """A piece that may well miss the date that it is promised for."""

    piece: str
    due_at: datetime
    odds: float | None = Field(description="Of being in time")
    text: str

    @classmethod
    def of(cls, line: PieceLine, tz: ZoneInfo) -> RiskOut:
        assert line.promised is not None
        odds, text = rounded(line.promised.odds, 3), said(line.promised.in_words(), tz)
        return cls(piece=line.name, due_at=local(line.promised.due_at, tz), odds=odds, text=text)


class ToldOut(View):
    """One message of these things; /notices tells what became of it."""

    key: str
    kind: str
    created_at: datetime
    title: str
    withdrawn: bool = Field(description="It was not so, or is not so any more")

    @classmethod
    def of(cls, one: Notice, tz: ZoneInfo) -> ToldOut:
        created_at, title = local(one.created_at, tz), said(one.title, tz)
        return cls(key=one.key, kind=one.kind, created_at=created_at, title=title, withdrawn=one.is_withdrawn)


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

    well: bool = Field(description="Nothing is over a limit or soon to be, nor harmed, at risk or unknown")
    active: list[AlarmOut]
    close: list[CloseOut]
    muted: list[AlarmOut] = Field(description="Quiet ones that would not be told of if they were raised")
    harm: list[HarmOut] = Field(description="That nobody has looked over")
    at_risk: list[RiskOut]
    unread: list[str] = Field(description="Rooms in which something dries and of which nothing was ever read")
    told: list[ToldOut] = Field(description="The newest first")
    history: list[AlarmEventOut] = Field(description="The newest first; empty unless asked for")

    @classmethod
    def of(cls, seen: AlarmsNow, tz: ZoneInfo) -> AlarmsOut:
        return cls(
            well=seen.is_well,
            active=[AlarmOut.of(one, tz) for one in seen.active],
            close=[CloseOut.of(one, tz) for one in seen.close],
            muted=[AlarmOut.of(one, tz) for one in seen.muted],
            harm=[HarmOut.of(one.piece, one.damage, tz) for one in seen.harmed],
            at_risk=[RiskOut.of(one, tz) for one in seen.at_risk],
            unread=list(seen.unread),
            told=[ToldOut.of(one, tz) for one in seen.told],
            history=[AlarmEventOut.of(one, tz) for one in seen.history],
        )
