"""The board as a page of text, and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.session import Values, iso
from curewatch.cli.texts.piece_text import alarm_values, milestone_values
from curewatch.records import Alarm
from curewatch.studio import wording
from curewatch.studio.air import flaws
from curewatch.studio.air.flaws import Finding
from curewatch.studio.board import Board, PieceLine, RoomLine

_DATE = 14
_NAME_MOST = 20
_FINDINGS = 2
"""Flaws of a room's readings that the page has room for, the newest; --json has them all."""


def values(tz: ZoneInfo, seen: Board) -> Values:
    """What --json prints of the board."""
    return {
        "at": iso(seen.at, tz),
        "zone": tz.key,
        "pieces": [_piece_values(tz, line) for line in seen.pieces],
        "rooms": [
            {
                "name": room.name,
                "temp_c": room.temp_c,
                "rh_pct": room.rh_pct,
                "read_at": iso(room.data_at, tz),
                "age_s": None if room.data_at is None else round((seen.at - room.data_at).total_seconds()),
                "pieces": room.pieces,
                "quality": [_finding_values(tz, finding) for finding in room.quality],
            }
            for room in seen.rooms
        ],
        "alarms": [alarm_values(tz, alarm) for alarm in seen.alarms],
    }


def _finding_values(tz: ZoneInfo, finding: Finding) -> Values:
    """What was wrong with readings: `flaw` is spike, stuck, disagree or gap."""
    since, until = (iso(datetime.fromtimestamp(s, UTC), tz) for s in (finding.since_s, finding.until_s))
    return {
        "flaw": finding.flaw.value,
        "source": finding.source,
        "quantity": finding.quantity,
        "since": since,
        "until": until,
        "size": None if finding.size is None else round(finding.size, 2),
        "text": flaws.text(finding, lambda at: at.astimezone(tz)),
    }


def _piece_values(tz: ZoneInfo, line: PieceLine) -> Values:
    return {
        "name": line.name,
        "room": line.room,
        "place": line.place,
        "poured_at": iso(line.poured_at, tz),
        "stage": line.stage_in_words,
        "stage_is_safe": line.stage_is_safe,
        "next": None if line.next is None else line.next.kind.value,
        "worth_checking_at": None if line.next is None else iso(line.next.worth_checking_at, tz),
        "safe_at": None if line.next is None else iso(line.next.safe_at, tz),
        "milestones": milestone_values(tz, line.forecast),
    }


def text(tz: ZoneInfo, seen: Board, page: Page) -> str:
    """The board, at most `page.width` wide: pieces by next date, then rooms, then alarms; times in `tz`."""
    parts = [page.bold(f"The studio on {seen.at.astimezone(tz):%a %d %b %Y, %H:%M} ({tz.key})")]
    parts.append(_pieces(tz, seen, page) if seen.pieces else "No pieces yet: `curewatch pour NAME --room ROOM …`.")
    if seen.rooms:
        parts.append(page.bold("Rooms") + "\n" + "\n".join(_room(tz, room, seen.at, page) for room in seen.rooms))
    parts.append(_alarms(tz, seen.alarms, seen.at, page))
    return "\n\n".join(parts)


def _pieces(tz: ZoneInfo, seen: Board, page: Page) -> str:
    longest = max(len(line.name) for line in seen.pieces)
    width = min(max(longest, len("Piece")), _NAME_MOST)
    where = max(0, min(page.width - (width + 2 + 15 + 14 + 2 * (_DATE + 1)), 24))
    head = f"{'Piece':<{width}}  {'Stage':<14} {'Next':<13} {'Worth checking':<{_DATE}} {'Safe to assume':<{_DATE}}"
    rows = [page.bold((head + (" Where" if where > 8 else "")).rstrip())]
    for line in seen.pieces:
        row = (
            f"{clipped(line.name, width):<{width}}  {_stage(line):<14} {_next(line):<13} "
            f"{_date(tz, line, seen.at, safe=False):<{_DATE}} {_date(tz, line, seen.at, safe=True):<{_DATE}}"
        )
        place = f"{line.room}, {line.place}" if line.place else line.room
        rows.append((row + (f" {clipped(place, where - 1)}" if where > 8 else "")).rstrip())
    return "\n".join(rows)


def _stage(line: PieceLine) -> str:
    """Marked where it holds at even odds only."""
    return line.stage_in_words + ("" if line.stage_is_safe else "?")


def _next(line: PieceLine) -> str:
    if line.forecast is None or line.forecast.reason:
        return "no readings"
    return "-" if line.next is None else wording.STAGES[line.next.kind]


def _date(tz: ZoneInfo, line: PieceLine, now: datetime, *, safe: bool) -> str:
    if line.next is None:
        return "-"
    at = line.next.safe_at if safe else line.next.worth_checking_at
    if at is None:
        return "not foreseen"
    return "now" if at <= now else short_date(at, tz, now)


def short_date(at: datetime, tz: ZoneInfo, now: datetime) -> str:
    """`today 16:40`, `Fri 03:30` within the week, `16 Jan` beyond, `16 Jan 2027` in another year."""
    there, here = at.astimezone(tz), now.astimezone(tz)
    days = (there.date() - here.date()).days
    if -1 <= days <= 1:
        return f"{('yesterday', 'today', 'tomorrow')[days + 1]} {there:%H:%M}"
    if 0 < days < 7:
        return f"{there:%a %H:%M}"
    return f"{there.day} {there:%b}" + (f" {there.year}" if there.year != here.year else "")


def _room(tz: ZoneInfo, room: RoomLine, now: datetime, page: Page) -> str:
    temp = "?" if room.temp_c is None else f"{room.temp_c:.1f} °C"
    rh = "?" if room.rh_pct is None else f"{room.rh_pct:.0f} %"
    pieces = f"{room.pieces} piece{'' if room.pieces == 1 else 's'}"
    read = "never read" if room.data_at is None else f"read {wording.age(room.data_at, now)}"
    lines = [f"{clipped(room.name, 24):<24} {temp:>8} {rh:>6}   {read:<18} {pieces}"]
    for finding in room.quality[-_FINDINGS:]:
        told = flaws.text(finding, lambda at: at.astimezone(tz))
        lines += [f"    {line}" for line in wrapped(told, page.width - 4)]
    return "\n".join(lines)


def _alarms(tz: ZoneInfo, alarms: Sequence[Alarm], now: datetime, page: Page) -> str:
    if not alarms:
        return "No alarms."
    rows = [page.bold("Alarms")]
    for alarm in alarms:
        since = short_date(alarm.raised_at or alarm.since, tz, now)
        seen = ", acknowledged" if alarm.acknowledged_at is not None else ""
        muted = f", muted until {short_date(alarm.muted_until, tz, now)}" if alarm.muted_until else ""
        rows.append(f"! {alarm.kind.value.replace('_', ' ')} in {alarm.room}, since {since}{seen}{muted}")
        rows += [f"    {line}" for line in wrapped(alarm.text, page.width - 4)]
    return "\n".join(rows)


def wrapped(text: str, width: int) -> list[str]:

    return textwrap.wrap(text, width)


def clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
