"""What people logged lately, the newest first, each with the button that takes it back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from curewatch.desk import Desk
from curewatch.desk.commands.moves import TYPED, UNDO_WITHIN
from curewatch.records import Damage, Piece
from curewatch.store import Transaction
from curewatch.studio.alarms.alarm_notices import TITLES
from curewatch.studio.alarms.lifecycle import is_seen_to
from curewatch.web.pages.logged import LoggedNote, finding, just_done
from curewatch.web.part_web_site import Here, page
from curewatch.web.texts import number

router = APIRouter(include_in_schema=False)

MOST = 12
ALIKE_MOST = 50
"""So many of one series are taken back with one press; a longer one takes several."""


@dataclass(frozen=True)
class Entry:
    """One thing that was logged, and when."""

    at: datetime
    what: LoggedNote


@router.get("/lately")
def lately(request: Request, site: Here, done: str = "") -> HTMLResponse:
    """What can still be taken back."""
    now = site.clock.now()
    undone = just_done(done, [], site.boards.look(now), site.desk) if done == "undone" else None
    return page(request, "lately.html", now, logged=logged_lately(site.desk, now), done=undone)


def logged_lately(desk: Desk, now: datetime) -> list[Entry]:
    """The newest `MOST` things that people logged and that can be taken back, the newest first."""
    since = now - UNDO_WITHIN
    with desk.store.read() as tx:
        here = {piece.id: piece for piece in tx.pieces()}
        found = [
            *_pours_and_what_was_found(tx, here),
            *_moves(tx, here),
            *_gone(tx, here.values(), since),
            *_readings(tx, since),
            *_about_alarms(tx, here),
        ]
    return sorted((one for one in found if since < one.at <= now), key=lambda one: one.at, reverse=True)[:MOST]


def _entry(at: datetime, text: str, done: str, *of: object) -> Entry:
    return Entry(at, LoggedNote(text, done, tuple(map(str, of))))


def _pours_and_what_was_found(tx: Transaction, here: Mapping[int, Piece]) -> Iterator[Entry]:
    """A pour only while nothing was found of the piece or done to it; of the steps, the last of each piece."""
    seen = tx.observations(list(here))
    steps = {one.piece_id: one for one in tx.steps(list(here)) if one.undone_at is None}
    for one in seen:
        yield _entry(one.at, f"{here[one.piece_id].name}: {finding(one)}", "found", here[one.piece_id].name, one.id)
    for step in steps.values():
        name = here[step.piece_id].name
        yield _entry(step.recorded_at, f"{name}: {step.step} done", "step", name, step.id)
    untouched = [piece for piece in here.values() if piece.id not in steps.keys() | {one.piece_id for one in seen}]
    for at, series in groupby(sorted(untouched, key=lambda one: (one.created_at, one.id)), lambda one: one.created_at):
        alike = list(series)
        for first in range(0, len(alike), ALIKE_MOST):
            some = alike[first : first + ALIKE_MOST]
            yield _entry(at, f"Poured: {_names(some)}", "pour", *(piece.id for piece in some))


def _names(pieces: Sequence[Piece]) -> str:
    if len(pieces) <= 3:
        return ", ".join(piece.name for piece in pieces)
    return f"{pieces[0].name} to {pieces[-1].name}, {len(pieces)} pieces"


def _moves(tx: Transaction, here: Mapping[int, Piece]) -> Iterator[Entry]:
    for piece_id, stays in groupby(tx.stays(list(here)), lambda one: one.piece_id):
        *before, last = stays
        if before:
            where = f"{last.room}, {last.place}" if last.place else last.room
            yield _entry(last.since, f"{here[piece_id].name} moved to {where}", "move", here[piece_id].name)


def _gone(tx: Transaction, here: Iterable[Piece], since: datetime) -> Iterator[Entry]:
    """Those whose name is free still. One without its pour was itself taken back."""
    taken = {piece.name for piece in here}
    left = {one.id: one for one in tx.pieces(gone=True) if one.gone_at and one.gone_at > since}
    for pour in tx.pours(list(left)):
        piece = left[pour.piece_id]
        if piece.gone_at is not None and piece.name not in taken:
            yield _entry(piece.gone_at, f"{piece.name} left the studio", "gone", piece.id)


def _readings(tx: Transaction, since: datetime) -> Iterator[Entry]:
    typed = {(one.room, one.at): one for one in tx.received_since(TYPED, since)}
    for (room, at), one in typed.items():
        air = f"{number(one.temp_c, 1)} °C, {number(one.rh_pct)} %"
        yield _entry(one.received_at, f"Reading of {room}: {air}", "reading", room, at.isoformat())


def _about_alarms(tx: Transaction, here: Mapping[int, Piece]) -> Iterator[Entry]:
    for alarm in tx.alarms():
        if is_seen_to(alarm) and alarm.acknowledged_at is not None:
            said = f"{alarm.room}: {TITLES[alarm.kind]}, seen to"
            yield _entry(alarm.acknowledged_at, said, "acknowledge", alarm.room, alarm.kind.value)
    counts: dict[int, list[Damage]] = {}
    for one in tx.damages(list(here)):
        counts.setdefault(one.piece_id, []).append(one)
    for piece_id, known in counts.items():
        last = max((one.cleared_at for one in known if one.cleared_at), default=None)
        grown = {one.kind for one in known if one.cleared_at is None}
        if last is not None and not grown & {one.kind for one in known if one.cleared_at == last}:
            yield _entry(last, f"{here[piece_id].name}: looked over", "cleared", here[piece_id].name)
