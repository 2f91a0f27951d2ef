"""The board as a page of text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime

from curewatch.cli.output import Page
from curewatch.cli.texts.dates import short_date
from curewatch.records import MilestoneKind
from curewatch.studio import wording
from curewatch.views.alarms import AlarmOut
from curewatch.views.board import BoardOut, PieceOut, RoomOut

_DATE = 14
_NAME_MOST = 20
_FINDINGS = 2
"""Flaws of a room's readings that the page has room for, the newest; --json has them all."""


def text(seen: BoardOut, page: Page) -> str:
    """The board, at most `page.width` wide: pieces by next date, then rooms, then alarms."""
    parts = [page.bold(f"The studio on {seen.at:%a %d %b %Y, %H:%M} ({seen.zone})")]
    parts.append(_pieces(seen, page) if seen.pieces else "No pieces yet: `curewatch pour NAME --room ROOM …`.")
    if seen.rooms:
        parts.append(page.bold("Rooms") + "\n" + "\n".join(_room(room, seen.at, page) for room in seen.rooms))
    parts.append(_alarms(seen.alarms, seen.at, page))
    return "\n\n".join(parts)


def _pieces(seen: BoardOut, page: Page) -> str:
    longest = max(len(one.name) for one in seen.pieces)
    width = min(max(longest, len("Piece")), _NAME_MOST)
    where = max(0, min(page.width - (width + 2 + 15 + 14 + 2 * (_DATE + 1)), 24))
    head = f"{'Piece':<{width}}  {'Stage':<14} {'Next':<13} {'Worth checking':<{_DATE}} {'Safe to assume':<{_DATE}}"
    rows = [page.bold((head + (" Where" if where > 8 else "")).rstrip())]
    for one in seen.pieces:
        stage = one.stage + ("" if one.stage_is_safe else "?")  # marked where it holds at even odds only
        dates = (_date(one, at, seen.at) for at in (one.worth_checking_at, one.safe_at))
        row = f"{clipped(one.name, width):<{width}}  {stage:<14} {_next(one):<13} " + " ".join(
            f"{date:<{_DATE}}" for date in dates
        )
        place = f"{one.room}, {one.place}" if one.place else one.room
        rows.append((row + (f" {clipped(place, where - 1)}" if where > 8 else "")).rstrip())
    return "\n".join(rows)


def _next(one: PieceOut) -> str:
    if one.reason:
        return "no readings"
    return "-" if one.next is None else wording.STAGES[MilestoneKind(one.next)]


def _date(one: PieceOut, at: datetime | None, now: datetime) -> str:
    if one.next is None:
        return "-"
    if at is None:
        return "not foreseen"
    return "now" if at <= now else short_date(at, now)


def _room(room: RoomOut, now: datetime, page: Page) -> str:
    temp = "?" if room.temp_c is None else f"{room.temp_c:.1f} °C"
    rh = "?" if room.rh_pct is None else f"{room.rh_pct:.0f} %"
    pieces = f"{room.pieces} piece{'' if room.pieces == 1 else 's'}"
    read = "never read" if room.read_at is None else f"read {wording.age(room.read_at, now)}"
    lines = [f"{clipped(room.name, 24):<24} {temp:>8} {rh:>6}   {read:<18} {pieces}"]
    for finding in room.quality[-_FINDINGS:]:
        lines += [f"    {line}" for line in textwrap.wrap(finding.text, page.width - 4)]
    return "\n".join(lines)


def _alarms(alarms: Sequence[AlarmOut], now: datetime, page: Page) -> str:
    if not alarms:
        return "No alarms."
    rows = [page.bold("Alarms")]
    for alarm in alarms:
        since = short_date(alarm.raised_at or alarm.judged_at, now)
        seen = ", acknowledged" if alarm.acknowledged_at is not None else ""
        muted = f", muted until {short_date(alarm.muted_until, now)}" if alarm.muted_until else ""
        rows.append(f"! {alarm.alarm.replace('_', ' ')} in {alarm.room}, since {since}{seen}{muted}")
        rows += [f"    {line}" for line in textwrap.wrap(alarm.text, page.width - 4)]
    return "\n".join(rows)


def clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
