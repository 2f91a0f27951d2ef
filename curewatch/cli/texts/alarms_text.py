"""Alarms as a page of text, and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.session import Values, iso
from curewatch.cli.texts.piece_text import alarm_values
from curewatch.desk.commands.alarm_care import AlarmsNow, DamagedPiece
from curewatch.records import Alarm, AlarmEvent, AlarmHappening, Damage
from curewatch.studio.alarms import damage as damages
from curewatch.studio.alarms.lifecycle import is_muted
from curewatch.studio.wording import date

_HAPPENED = {
    AlarmHappening.RAISED: "raised",
    AlarmHappening.OVER: "over",
    AlarmHappening.REMINDED: "not acknowledged, told again",
    AlarmHappening.MUTE_ENDED: "the mute ended and it was on",
    AlarmHappening.ASLEEP: "nothing wet there any more",
    AlarmHappening.ACKNOWLEDGED: "acknowledged",
    AlarmHappening.MUTED: "muted",
    AlarmHappening.UNMUTED: "no longer muted",
}


def values(tz: ZoneInfo, seen: AlarmsNow) -> Values:
    """What --json prints."""
    return {
        "active": [alarm_values(tz, alarm) for alarm in seen.active],
        "muted": [alarm_values(tz, alarm) for alarm in seen.muted],
        "damages": [damage_values(tz, harmed.piece, harmed.damage) for harmed in seen.harmed],
        "history": [_event_values(tz, event) for event in seen.history],
    }


def damage_values(tz: ZoneInfo, piece: str, damage: Damage) -> Values:
    return {
        "piece": piece,
        "damage": damage.kind.value,
        "hours": round(damage.hours, 2),
        "coldest_c": round(damage.worst_c, 2),
        "began_at": iso(damage.began_at, tz),
        "counted_until": iso(damage.counted_until, tz),
        "text": damages.in_words(damage),
    }


def _event_values(tz: ZoneInfo, event: AlarmEvent) -> Values:
    return {
        "alarm": event.kind.value,
        "room": event.room,
        "happening": event.happening.value,
        "at": iso(event.at, tz),
        "recorded_at": iso(event.recorded_at, tz),
        "muted_until": iso(event.muted_until, tz),
    }


def text(tz: ZoneInfo, seen: AlarmsNow, now: datetime, page: Page, *, with_history: bool) -> str:
    """The page, at most `page.width` wide."""
    parts = [_active(tz, seen.active, now, page) if seen.active else "No alarms."]
    if seen.muted:
        rows = [f"  {_kind(a)} in {a.room}, until {_date(tz, a.muted_until, now)}" for a in seen.muted]
        parts.append("\n".join([page.bold("Muted, and quiet now"), *rows]))
    if seen.harmed:
        parts.append(_harmed(seen.harmed, page))
    if with_history:
        rows = [_event(tz, event, now) for event in seen.history] or ["  nothing yet"]
        parts.append("\n".join([page.bold("What happened, the newest first"), *rows]))
    return "\n\n".join(parts)


def _active(tz: ZoneInfo, active: Sequence[Alarm], now: datetime, page: Page) -> str:
    rows = [page.bold("Alarms")]
    for alarm in active:
        notes = [f"since {_date(tz, alarm.raised_at or alarm.since, now)}"]
        if alarm.acknowledged_at is not None:
            notes.append(f"acknowledged {_date(tz, alarm.acknowledged_at, now)}")
        if is_muted(alarm, now):
            notes.append(f"muted until {_date(tz, alarm.muted_until, now)}")
        rows.append(f"! {_kind(alarm)} in {alarm.room}, {', '.join(notes)}")
        rows += textwrap.wrap(alarm.text, page.width, initial_indent="    ", subsequent_indent="    ")
    return "\n".join(rows)


def _harmed(harmed: Sequence[DamagedPiece], page: Page) -> str:
    rows = [page.bold("Harmed, until you say `curewatch cleared PIECE`")]
    for one in harmed:
        said = f"{one.piece}: {damages.in_words(one.damage)}"
        rows += textwrap.wrap(said, page.width, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(rows)


def _event(tz: ZoneInfo, event: AlarmEvent, now: datetime) -> str:
    until = f" until {_date(tz, event.muted_until, now)}" if event.muted_until else ""
    kind = event.kind.value.replace("_", " ")
    return f"  {_date(tz, event.at, now):<18} {event.room}: {kind}, {_HAPPENED[event.happening]}{until}"


def _kind(alarm: Alarm) -> str:
    return alarm.kind.value.replace("_", " ")


def _date(tz: ZoneInfo, at: datetime | None, now: datetime) -> str:
    return "-" if at is None else date(at, lambda moment: moment.astimezone(tz), now)
