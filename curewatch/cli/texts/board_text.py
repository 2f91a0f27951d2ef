"""The board as a page of text."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from itertools import zip_longest

from curewatch.cli.output import Page, text_of, wrapped
from curewatch.cli.texts.alarms_text import ENDING, alarm_said, close_text
from curewatch.language import Joined, Percent, Temperature, Value, joined, phrase, phrase_n, reads
from curewatch.records import MilestoneKind
from curewatch.studio import wording
from curewatch.studio.board import NOT_KNOWN
from curewatch.views.alarms import AlarmOut
from curewatch.views.board import AnswerOut, BoardOut, PieceOut, RoomOut, SeriesOut

_DATE = 14
_NAME_MOST = 20
_FINDINGS = 2
"""Flaws of a room's readings that the page has room for, the newest; --json has them all."""
STAGES = {str(one): one for one in (*wording.STAGES.values(), wording.TACKY, NOT_KNOWN)}
"""By what a view calls them."""


def text(seen: BoardOut, page: Page) -> str:
    """The board, at most `page.width` wide: pieces by next date, then rooms, then alarms."""
    r = reads()
    head = phrase("The studio on {day}, {time} ({zone})", day=r.day(seen.at), time=r.time(seen.at), zone=seen.zone)
    none = phrase("No pieces yet: {command}.", command="`curewatch pour NAME --room ROOM …`")
    parts = [page.bold(text_of(head)), _table(_rows(seen), seen.at, page) if seen.pieces else text_of(none)]
    if seen.rooms:
        rooms = [_room(room, seen.at, page) for room in seen.rooms]
        parts.append("\n".join([page.bold(text_of(phrase("Rooms"))), *rooms]))
    if seen.pieces:
        parts.append("\n".join(line for one in seen.answers for line in _answer(one, page)))
    parts += [close_text(seen.close, page)] if seen.close else []
    quiet = phrase("No alarm is on.") if seen.close else phrase("No alarms.")
    parts.append(_alarms(seen.alarms, seen.at, page) if seen.alarms else text_of(quiet))
    return "\n\n".join(parts)


def series_text(seen: SeriesOut, now: datetime, page: Page) -> str:
    """The pieces of a series, a line each."""
    rows: list[Row] = [(one.name, one, wording.where(one.room, one.place), _promised([one])) for one in seen.pieces]
    return f"{page.bold(text_of(wording.together(seen.name, len(rows))))}\n\n{_table(rows, now, page)}"


Row = tuple[str, PieceOut, str, list[str]]
"""Of a piece or series: its name, the piece that comes next, where it lies, and what is said beneath."""


def _table(rows: Sequence[Row], now: datetime, page: Page) -> str:
    said = phrase("Piece"), phrase("Stage"), phrase("Next"), phrase("Worth checking"), phrase("Safe to assume")
    heads = list(map(text_of, said))
    stages = max(len(heads[1]), *(len(_stage(one)) for _, one, *_ in rows))
    nexts = max(len(heads[2]), *(len(_next(one)) for _, one, *_ in rows))
    left = page.width - (2 + stages + 1 + nexts + 1 + 2 * _DATE + 1)
    width = min(max(len(heads[0]), *(len(name) for name, *_ in rows)), _NAME_MOST, left)
    where = max(0, min(left - width - 1, 24))
    wide = (width + 1, stages, nexts, _DATE, _DATE)
    heads += [text_of(phrase("Where"))] if where > 8 else []
    lines = [page.bold(line) for line in headings(heads, [*wide, where])]
    for name, one, place, beside in rows:
        held = one.next is not None and one.milestones[one.next].held
        safe = text_of(phrase("once found dry")) if held else _date(one, one.safe_at, now)
        cells = [clipped(name, width), _stage(one), _next(one), _date(one, one.worth_checking_at, now), safe]
        row = " ".join(f"{cell:<{n}}" for cell, n in zip(cells, wide, strict=True))
        lines.append((row + (f" {clipped(place, where - 1)}" if where > 8 else "")).rstrip())
        lines += [line for text in beside for line in wrapped(text, page.width, "    ")]
    return "\n".join(lines)


def headings(heads: Sequence[str], wide: Sequence[int]) -> list[str]:
    """The heads of columns so wide, on as many lines as the longest takes."""
    cells = [textwrap.wrap(head, n) if n else [head] for head, n in zip(heads, wide, strict=False)]
    return [
        " ".join(f"{cell:<{n}}" for cell, n in zip(row, wide, strict=False)).rstrip()
        for row in zip_longest(*cells, fillvalue="")
    ]


def _rows(seen: BoardOut) -> list[Row]:
    series = {one.name: one for one in seen.series}
    found: list[Row] = []
    for piece in seen.pieces:
        alike = series.get(piece.series or "")
        if alike is None:
            found.append((piece.name, piece, wording.where(piece.room, piece.place), _promised([piece])))
        elif piece.name == alike.pieces[0].name:
            where = " / ".join(dict.fromkeys(wording.where(one.room, one.place) for one in alike.pieces))
            beside = [_spread(alike)] if len(alike.stages) > 1 else []
            beside += _promised(alike.pieces)
            found.append((f"{alike.name} \u00d7{len(alike.pieces)}", piece, where, beside))
    return found


def _spread(alike: SeriesOut) -> str:
    spread = [
        phrase("{n} {stage}", n=count, stage=joined(STAGES[stage.rstrip("?")], stage[len(stage.rstrip("?")) :], by=""))
        for stage, count in alike.stages.items()
    ]
    return text_of(phrase("of {n}: {spread}", n=len(alike.pieces), spread=Joined(tuple(spread), ", ")))


def _promised(pieces: Sequence[PieceOut]) -> list[str]:
    """Each promise once, as it stands of the piece whose odds are lowest."""
    found = sorted(
        (one.promised for one in pieces if one.promised), key=lambda one: 1.0 if one.odds is None else one.odds
    )
    return list({(one.due_at, one.ready): one.text for one in reversed(found)}.values())


def _stage(one: PieceOut) -> str:
    """Marked where it holds at even odds only."""
    return text_of(STAGES[one.stage]) + ("" if one.stage_is_safe else "?")


def _next(one: PieceOut) -> str:
    if one.reason:
        return text_of(phrase("no readings"))
    return "-" if one.next is None else text_of(wording.STAGES[MilestoneKind(one.next)])


def _date(one: PieceOut, at: datetime | None, now: datetime) -> str:
    if one.next is None:
        return "-"
    if at is None:
        return text_of(phrase("not foreseen"))
    return text_of(phrase("now")) if at <= now else reads().short(at, now)


def _room(room: RoomOut, now: datetime, page: Page) -> str:
    temp = "?" if room.temp_c is None else text_of(Temperature(room.temp_c, 1))
    rh = "?" if room.rh_pct is None else text_of(Percent(room.rh_pct))
    read = phrase("never read") if room.read_at is None else phrase("read {ago}", ago=reads().age(room.read_at, now))
    pieces = text_of(phrase_n("{n} piece", "{n} pieces", room.pieces))
    lines = [f"{clipped(room.name, 24):<24} {temp:>8} {rh:>6}   {text_of(read):<18} {pieces}"]
    for finding in room.quality[-_FINDINGS:]:
        lines += wrapped(finding.text, page.width, "    ")
    return "\n".join(lines)


def _alarms(alarms: Sequence[AlarmOut], now: datetime, page: Page) -> str:
    rows = [page.bold(text_of(phrase("Alarms")))]
    for alarm in alarms:
        notes: list[Value] = [phrase("since {date}", date=reads().short(alarm.raised_at or alarm.judged_at, now))]
        notes += [ENDING] if alarm.is_ending else []
        notes += [phrase("acknowledged")] if alarm.acknowledged_at is not None else []
        notes += [phrase("muted until {date}", date=reads().short(alarm.muted_until, now))] if alarm.muted_until else []
        rows += alarm_said(alarm, notes, page)
    return "\n".join([*rows, *wrapped(wording.SAFETY, page.width)])


def _answer(one: AnswerOut, page: Page) -> list[str]:
    return wrapped(one.text, page.width, f"{one.question:<16}  ")


def clipped(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"
