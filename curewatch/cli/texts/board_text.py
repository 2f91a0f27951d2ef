"""The board as a page of text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime

from curewatch.cli.output import Page
from curewatch.cli.texts.alarms_text import ENDING, close_text
from curewatch.cli.texts.dates import short_date
from curewatch.records import MilestoneKind
from curewatch.studio import wording
from curewatch.views.alarms import AlarmOut
from curewatch.views.board import AnswerOut, BoardOut, PieceOut, RoomOut, SeriesOut

_DATE = 14
_NAME_MOST = 20
_FINDINGS = 2
"""Flaws of a room's readings that the page has room for, the newest; --json has them all."""


def text(seen: BoardOut, page: Page) -> str:
    """The board, at most `page.width` wide: pieces by next date, then rooms, then alarms."""
    parts = [page.bold(f"The studio on {seen.at:%a %d %b %Y, %H:%M} ({seen.zone})")]
    parts.append(
        _table(_rows(seen), seen.at, page) if seen.pieces else "No pieces yet: `curewatch pour NAME --room ROOM …`."
    )
    if seen.rooms:
        parts.append(page.bold("Rooms") + "\n" + "\n".join(_room(room, seen.at, page) for room in seen.rooms))
    if seen.pieces:
        parts.append("\n".join(line for one in seen.answers for line in _answer(one, page)))
    parts += [close_text(seen.close, page)] if seen.close else []
    parts.append(
        _alarms(seen.alarms, seen.at, page) if seen.alarms else "No alarm is on." if seen.close else "No alarms."
    )
    return "\n\n".join(parts)


def series_text(seen: SeriesOut, now: datetime, page: Page) -> str:
    """The pieces of a series, a line each."""
    rows: list[Row] = [(one.name, one, wording.where(one.room, one.place), _promised([one])) for one in seen.pieces]
    return f"{page.bold(str(wording.together(seen.name, len(rows))))}\n\n{_table(rows, now, page)}"


Row = tuple[str, PieceOut, str, list[str]]
"""Of a piece or series: its name, the piece that comes next, where it lies, and what is said beneath."""


def _table(rows: Sequence[Row], now: datetime, page: Page) -> str:
    stages = max(len("Stage"), *(len(_stage(one)) for _, one, *_ in rows))
    nexts = max(len("Next"), *(len(_next(one)) for _, one, *_ in rows))
    left = page.width - (2 + stages + 1 + nexts + 1 + 2 * _DATE + 1)
    width = min(max(len("Piece"), *(len(name) for name, *_ in rows)), _NAME_MOST, left)
    where = max(0, min(left - width - 1, 24))
    head = f"{'Piece':<{width}}  {'Stage':<{stages}} {'Next':<{nexts}} {'Worth checking':<{_DATE}} "
    head += f"{'Safe to assume':<{_DATE}}"
    lines = [page.bold((head + (" Where" if where > 8 else "")).rstrip())]
    for name, one, place, beside in rows:
        held = one.next is not None and one.milestones[one.next].held
        safe = "once found dry" if held else _date(one, one.safe_at, now)
        dates = (_date(one, one.worth_checking_at, now), safe)
        row = f"{clipped(name, width):<{width}}  {_stage(one):<{stages}} {_next(one):<{nexts}} " + " ".join(
            f"{date:<{_DATE}}" for date in dates
        )
        lines.append((row + (f" {clipped(place, where - 1)}" if where > 8 else "")).rstrip())
        lines += [f"    {said}" for text in beside for said in textwrap.wrap(text, page.width - 4)]
    return "\n".join(lines)


def _rows(seen: BoardOut) -> list[Row]:
    series = {one.name: one for one in seen.series}
    found: list[Row] = []
    for piece in seen.pieces:
        alike = series.get(piece.series or "")
        if alike is None:
            found.append((piece.name, piece, wording.where(piece.room, piece.place), _promised([piece])))
        elif piece.name == alike.pieces[0].name:
            spread = ", ".join(f"{count} {stage}" for stage, count in alike.stages.items())
            where = " / ".join(dict.fromkeys(wording.where(one.room, one.place) for one in alike.pieces))
            beside = [f"of {len(alike.pieces)}: {spread}"] if len(alike.stages) > 1 else []
            beside += _promised(alike.pieces)
            found.append((f"{alike.name} \u00d7{len(alike.pieces)}", piece, where, beside))
    return found


def _promised(pieces: Sequence[PieceOut]) -> list[str]:
    """Each promise once, as it stands of the piece whose odds are lowest."""
    found = sorted(
        (one.promised for one in pieces if one.promised), key=lambda one: 1.0 if one.odds is None else one.odds
    )
    return list({(one.due_at, one.ready): one.text for one in reversed(found)}.values())


def _stage(one: PieceOut) -> str:
    """Marked where it holds at even odds only."""
    return one.stage + ("" if one.stage_is_safe else "?")


def _next(one: PieceOut) -> str:
    if one.reason:
        return "no readings"
    return "-" if one.next is None else str(wording.STAGES[MilestoneKind(one.next)])


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
    rows = [page.bold("Alarms")]
    for alarm in alarms:
        since = short_date(alarm.raised_at or alarm.judged_at, now)
        seen = f", {ENDING}" if alarm.is_ending else ""
        seen += ", acknowledged" if alarm.acknowledged_at is not None else ""
        muted = f", muted until {short_date(alarm.muted_until, now)}" if alarm.muted_until else ""
        head = f"! {alarm.alarm.replace('_', ' ')} in {alarm.room}, since {since}{seen}{muted}"
        rows += textwrap.wrap(head, page.width, subsequent_indent="  ")
        rows += [f"    {line}" for line in textwrap.wrap(alarm.text, page.width - 4)]
    return "\n".join([*rows, *textwrap.wrap(str(wording.SAFETY), page.width)])


def _answer(one: AnswerOut, page: Page) -> list[str]:
    return textwrap.wrap(f"{one.question:<16}  {one.text}", page.width, subsequent_indent=" " * 18)


def clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
