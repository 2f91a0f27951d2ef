"""The board, the page that opens first: three answers, then every piece on the shared axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

from curewatch.desk.commands.log import LogKind, logged_lately
from curewatch.desk.reports.cure_record import compared
from curewatch.records import Milestone
from curewatch.studio.board import Answer, Board, PieceLine, SeriesLine, in_series
from curewatch.views.sheet import HONESTY, side_by_side
from curewatch.web.pages.logged import ALIKE_MOST, LoggedNote, just_done
from curewatch.web.plots.time_axis import Axis
from curewatch.web.reading import phrase
from curewatch.web.site import Here, page
from curewatch.web.texts import Coming, Words

PER_PAGE = 30
APART = 4.0
"""Signs on one line stand at least so far apart [%]; the one that comes sooner is kept."""


@dataclass(frozen=True)
class BoardQuery:
    """What the person wants to see. Empty texts: everything."""

    room: str = ""
    text: str = ""
    ask: str = ""
    """`touch`, `places` or `danger`: one of the three questions."""
    by: str = ""
    """`room` or `place`: grouped by it."""
    page: int = 1


@dataclass(frozen=True)
class Step:
    """One milestone of one piece on the axis; x in percent."""

    kind: str
    left: float
    width: float
    middle: float | None
    reached: str
    """`safe`, `probably` or `ahead`."""
    open_ended: bool
    """There is no date from which it is safe to assume."""
    cut: str
    """`before` or `after`: on which side of the axis it lies; empty where it is on it."""


@dataclass(frozen=True)
class Row:
    """One piece."""

    line: PieceLine
    stage: str
    coming: Coming
    poured_x: float
    since_before: bool
    """Poured before the axis begins."""
    steps: tuple[Step, ...]
    in_danger: bool
    series: SeriesLine | None = None
    """Of several that were poured together: the one whose date comes next stands for all."""
    promised: tuple[str, ...] = ()
    """By when it is to be ready, and the odds."""

    @property
    def next_step(self) -> str:
        return self.coming.said

    def of(self, kind: str) -> list[Step]:
        return [one for one in self.steps if one.kind == kind]

    @property
    def ahead(self) -> tuple[Step, ...]:
        """What is drawn of it in one line: what comes next with its band, and the signs of what comes later."""
        kind = self.line.next.kind.value if self.line.next else ""
        kinds = [one.kind for one in self.steps]
        later = [one for one in self.steps[kinds.index(kind) :] if not one.cut] if kind in kinds else []
        kept = later[:1]
        for one in later[1:]:
            x = one.middle
            if x is not None and all(abs(x - (seen.middle or 0.0)) >= APART for seen in kept):
                kept.append(replace(one, width=0.0))
        return tuple(kept)


@dataclass(frozen=True)
class BoardView:
    board: Board
    asked: BoardQuery
    answers: Mapping[str, Answer]
    """By what is asked: `touch`, `places`, `danger`."""
    axis: Axis
    groups: tuple[tuple[str, tuple[Row, ...]], ...]
    found: int
    pages: int
    page: int

    @property
    def endangered(self) -> set[str]:
        """The rooms in which an alarm can still harm a piece."""
        return {line.room for line in self.board.in_danger}


def view(board: Board, asked: BoardQuery, words: Words) -> BoardView:
    """The board for one person's question, one page of it."""
    answers = board.answers(words.tz)
    lines = _chosen(board, asked, answers)
    if asked.by:
        lines = sorted(lines, key=_group_of(asked.by))  # stable: by date within each group
    units = [one for _, some in groupby(lines, key=_group_of(asked.by)) for one in in_series(list(some))]
    pages = max(1, -(-len(units) // PER_PAGE))
    page = min(max(asked.page, 1), pages)
    shown = units[(page - 1) * PER_PAGE : page * PER_PAGE]
    axis = axis_of([line for unit in shown for line in _members(unit)], board.at)

    def made(unit: PieceLine | SeriesLine) -> Row:
        danger = any(line.is_in_danger(board.over, board.at) for line in _members(unit))
        whole = unit if isinstance(unit, SeriesLine) else None
        stands = sorted((one.promised for one in _members(unit) if one.promised), key=lambda one: -(one.odds or 0.0))
        told = {
            (one.due_at, one.promise.ready): words.reader.read(one.in_words()) for one in stands
        }  # the worst odds of each
        lead = _members(unit)[0]
        made = row(lead, axis, words, in_danger=danger)
        if not lead.is_held and any(one.stage_found_at != lead.stage_found_at for one in _members(unit)):
            made = replace(made, stage=words.stage(replace(lead, finger=None)))  # not found of all of them
        return replace(made, series=whole, promised=tuple(told.values()))

    key = _group_of(asked.by)
    groups = tuple((n, tuple(map(made, some))) for n, some in groupby(shown, key=lambda unit: key(_members(unit)[0])))
    return BoardView(board, asked, answers, axis, groups, len(lines), pages, page)


def _members(unit: PieceLine | SeriesLine) -> tuple[PieceLine, ...]:
    return unit.members if isinstance(unit, SeriesLine) else (unit,)


def axis_of(lines: Sequence[PieceLine], now: datetime) -> Axis:
    """The axis on which all of these pieces are to be seen whole."""
    ends = [end for line in lines if (end := _last_date(line))]
    return Axis.to_show(now, min((line.poured_at for line in lines), default=None), max(ends, default=None))


def row(line: PieceLine, axis: Axis, words: Words, *, in_danger: bool = False) -> Row:
    """One piece on an axis."""
    milestones = line.forecast.milestones if line.forecast else ()
    return Row(
        line=line,
        stage=words.stage(line),
        coming=words.coming(line),
        poured_x=axis.x(line.poured_at),
        since_before=axis.x(line.poured_at) == 0,
        steps=tuple(step for m in milestones if (step := _step(m, axis))),
        in_danger=in_danger,
    )


def promised_of(line: PieceLine, words: Words) -> tuple[str, ...]:
    return (words.reader.read(line.promised.in_words()),) if line.promised else ()


def _chosen(board: Board, asked: BoardQuery, answers: Mapping[str, Answer]) -> list[PieceLine]:
    answered = {line.name for line in answers[asked.ask].lines} if asked.ask in answers else None
    text = asked.text.strip().casefold()
    return [
        line
        for line in board.pieces
        if (not asked.room or line.room == asked.room)
        and (answered is None or line.name in answered)
        and (not text or text in f"{line.name} {line.place or ''}".casefold())
    ]


def _group_of(by: str) -> Callable[[PieceLine], str]:
    if by == "room":
        return lambda line: line.room
    if by == "place":
        return lambda line: f"{line.room}, {line.place}" if line.place else phrase("{room}, no place", room=line.room)
    return lambda line: ""


def _step(milestone: Milestone, axis: Axis) -> Step | None:
    early, even, safe = milestone.early_at, milestone.worth_checking_at, milestone.safe_at
    if early is None:
        return None
    left, right = axis.x(early), 100.0 if safe is None else axis.x(safe)
    reached = "safe" if safe and safe <= axis.now else "probably" if even and even <= axis.now else "ahead"
    return Step(
        kind=milestone.kind.value,
        left=left,
        width=round(max(right - left, 0.6), 2),
        middle=None if even is None or not 0 < axis.x(even) < 100 else axis.x(even),
        reached=reached,
        open_ended=safe is None,
        cut="before" if safe is not None and right == 0 else "after" if left == 100 else "",
    )


def _last_date(line: PieceLine) -> datetime | None:
    """The last date that is foreseen of a piece."""
    dates = [m.safe_at or m.worth_checking_at for m in (line.forecast.milestones if line.forecast else ())]
    return max((at for at in dates if at is not None), default=None)


router = APIRouter(include_in_schema=False)


@router.get("/")
def board(
    request: Request,
    site: Here,
    room: str = "",
    q: str = "",
    ask: str = "",
    by: str = "",
    page_no: int = 1,
    done: str = "",
    of: Annotated[list[str] | None, Query()] = None,
) -> HTMLResponse:
    """Three answers, then every piece on one axis."""
    now = site.clock.now()
    asked = BoardQuery(room=room, text=q[:80], ask=ask, by=by if by in ("room", "place") else "", page=page_no)
    kept = site.boards.look(now)
    seen = view(kept.board(now), asked, site.words(now))

    def link(**changed: object) -> str:
        """The board with something about the question changed."""
        now_asked = {"room": room, "q": q[:80], "ask": ask, "by": asked.by, "page_no": ""} | changed
        query = urlencode({key: value for key, value in now_asked.items() if value})
        return f"/?{query}" if query else "/"

    told = just_done(done, of or [], kept, site.desk)
    return page(request, "board.html", now, mark=kept.mark, view=seen, link=link, done=told)


WINDOW = 5
"""So many rows further on a wall without scripts begins when it is loaded anew."""


@router.get("/wall")
def wall(request: Request, site: Here, first: Annotated[int, Query(ge=0)] = 0) -> HTMLResponse:
    """The pieces whose dates come next, in letters for three metres; `first`: the row to begin with."""
    now = site.clock.now()
    kept = site.boards.look(now)
    seen = view(kept.board(now), BoardQuery(), site.words(now))
    rows = [one for _, some in seen.groups for one in some]
    first = first if first < len(rows) else 0
    following = first + WINDOW if first + WINDOW < len(rows) else 0
    return page(
        request, "wall.html", now, mark=kept.mark, board=seen.board, endangered=seen.endangered,
        rows=rows[first:] + rows[:first], following=following,
    )  # fmt: skip


@router.get("/series/{name:path}")
def series(request: Request, site: Here, name: str) -> HTMLResponse:
    """The pieces of one series on one axis, and what differs between them side by side."""
    now = site.clock.now()
    kept, words = site.boards.look(now), site.words(now)
    lines = [line for line in kept.board(now).pieces if line.series == name]
    if not lines:
        raise HTTPException(404)
    ids = [drying.piece.id for drying in kept.snapshot.dryings if drying.piece.series == name]
    with site.desk.store.read() as tx:
        log = [one for one in logged_lately(tx, now) if one.kind is LogKind.POUR and int(one.of[0]) in ids]
    undo = len(log) == len(ids) <= ALIKE_MOST and all(one.only_if is None for one in log)
    looked = compared(site.desk, name, None, now) if len(lines) > 1 else []
    axis = axis_of(lines, now)
    return page(
        request, "series.html", now, mark=kept.mark, series=name, axis=axis,
        rows=[replace(row(line, axis, words), promised=promised_of(line, words)) for line in lines],
        names=[one.history.name for one in looked],
        compared=side_by_side(looked, lambda at: "-" if at is None else words.date(at)),
        honesty=HONESTY, undo=LoggedNote(name, LogKind.POUR, tuple(map(str, ids))) if undo else None,
    )  # fmt: skip
