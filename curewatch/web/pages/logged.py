"""What people logged: the line that says so, the list of late, and the button that takes it back."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.desk import Desk
from curewatch.desk.commands import alarm_care
from curewatch.desk.commands import undoing as commands_undoing
from curewatch.desk.commands import undoing as slips
from curewatch.desk.commands.undoing import TYPED, UNDO_WITHIN
from curewatch.desk.orders import DEFAULT_RECIPE
from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.reports.learned import Seen, seen_of
from curewatch.records import Damage, Piece
from curewatch.records.errors import Field, InputError
from curewatch.store import Transaction
from curewatch.studio.alarms.alarm_notices import TITLES
from curewatch.studio.alarms.lifecycle import is_seen_to
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.texts import finding
from curewatch.views.sheet import HOW
from curewatch.web.pages.alarms import kind_of
from curewatch.web.site import Here, Site, Typed, page, text_of
from curewatch.web.texts import Words, number


@dataclass(frozen=True)
class LoggedNote:
    text: str
    done: str
    of: tuple[str, ...]

    @property
    def can_be_undone(self) -> bool:
        return self.done != "undone"


def just_done(done: str, of: Sequence[str], kept: CachedBoard, desk: Desk) -> LoggedNote | None:
    """What the address of the page says was logged; None where it says nothing, or nothing that is so."""
    if not done:
        return None
    with desk.store.read() as tx:
        return told(done, of, kept, tx)


def told(done: str, of: Sequence[str], kept: CachedBoard, tx: Transaction) -> LoggedNote | None:
    """As `just_done`, within a transaction."""
    if done == "undone":
        return LoggedNote("Taken back.", done, ())
    text = _told(done, of, kept, tx) if of else None
    return None if text is None else LoggedNote(text, done, tuple(of))


def _told(done: str, of: Sequence[str], kept: CachedBoard, tx: Transaction) -> str | None:
    names = {str(drying.piece.id): drying for drying in kept.snapshot.dryings}
    if done == "pour" and all(one in names for one in of):
        logged = [names[one] for one in of]
        return " ".join([f"Logged: {', '.join(one.piece.name for one in logged)}.", *_unknown(logged[0], kept, tx)])
    if done == "reading" and any(room.name == of[0] for room in kept.rooms):
        return f"Reading of {of[0]} logged."
    if done == "move" and (moved := kept.dryings.get(of[0])):
        where = f"{moved.room}, {moved.place}" if moved.place else moved.room
        return f"{of[0]} now lies in {where}."
    if done == "gone":
        left = [piece for piece in tx.pieces(gone=True) if str(piece.id) == of[0]]
        poured = left and tx.pours([left[0].id])  # without its pour: taken back, it never was
        return f"{left[0].name} is marked gone: its name and its place are free." if poured else None
    if done == "cleared" and of[0] in kept.dryings:
        return f"{of[0]} is looked over: nothing stands against it any more."
    if len(of) > 1 and (here := kept.dryings.get(of[0])):
        return _told_of_piece(done, of[1], here.piece.id, tx)
    return None


def _unknown(poured: Drying, kept: CachedBoard, tx: Transaction) -> Iterator[str]:
    """What the studio does not know of a pour's room and recipe: a slip of the finger makes new ones."""
    if any(room.name == poured.room and room.data_at is None for room in kept.rooms):
        read = [room.name for room in kept.rooms if room.data_at is not None]
        yield f"Room “{poured.room}” was never read{_meant(poured.room, read)}"
    recipe = poured.recipe
    if not recipe.stated and recipe.name != DEFAULT_RECIPE:
        stated = [one.name for one in tx.recipes() if one.stated]
        taken = f"taken as {recipe.solids:.0%} solids, {recipe.glycol:.0%} glycol"
        yield f"Recipe “{recipe.name}” was never described and is {taken}{_meant(recipe.name, stated)}"


def _meant(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, 1)
    return f"; did you mean “{near[0]}”?" if near else "."


def _told_of_piece(done: str, which: str, piece_id: int, tx: Transaction) -> str | None:
    if done == "found":
        seen = next((one for one in seen_of(tx, piece_id) if str(one.observation.id) == which), None)
        return None if seen is None else f"Logged: {finding(seen.observation)}. {_so(seen.notes)}"
    steps = {str(one.id): one for one in tx.steps([piece_id])} if done == "step" else {}
    if which in steps and steps[which].undone_at is None:
        early = " That was before it was safe to assume: watch the piece." if steps[which].too_early else ""
        return f"Written down as done: {steps[which].step}.{early}"
    return None


def _so(notes: Sequence[str]) -> str:
    """What came of an observation: one that is questioned, or says nothing yet, has moved no date."""
    said = [f"{note[0].upper()}{note[1:]}{'' if note.endswith('?') else '.'}" for note in notes]
    return " ".join(said) or "Its dates follow from that in a moment."


@dataclass(frozen=True)
class ObservationRow:
    number: int
    at: str
    how: str
    found: str
    notes: tuple[str, ...]


def observation_rows(seen: list[Seen], words: Words) -> list[ObservationRow]:
    """The newest first."""
    return [
        ObservationRow(
            one.observation.id,
            f"{words.date(one.observation.at)} ({words.age(one.observation.at)})",
            HOW[one.observation.kind.value],
            finding(one.observation),
            one.notes,
        )
        for one in reversed(seen)
    ]


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


NEEDS = {"pour": 1, "gone": 1, "move": 1, "reading": 2, "found": 2, "step": 2, "acknowledge": 2, "cleared": 1}
"""By what was logged, how many words name it."""


@router.post("/undo")
def undo(site: Here, form: Typed) -> Response:
    """Take back what was just logged."""
    now, done = site.clock.now(), text_of(form, "done")
    take_back(site, done, [str(one) for one in form.getlist("of")], now)
    piece = text_of(form, "piece")
    if text_of(form, "back") == "lately":
        return RedirectResponse("/lately?done=undone", 303)
    return RedirectResponse(f"/piece/{quote(piece, safe='')}?done=undone" if piece else "/?done=undone", 303)


def take_back(site: Site, done: str, of: Sequence[str], now: datetime) -> None:
    """What `just_done` told, undone. InputError where that is no more, or never was."""
    undoing: dict[str, Callable[[], object]] = {
        "pour": lambda: commands_undoing.undo_pours(site.desk, [_number(one) for one in of], now),
        "gone": lambda: commands_undoing.undo_leaving(site.desk, _number(of[0]), now),
        "move": lambda: commands_undoing.undo_move(site.desk, of[0], now),
        "reading": lambda: commands_undoing.undo_reading(site.desk, of[0], _instant(of[1]), now),
        "found": lambda: slips.undo_observation(site.desk, of[0], _number(of[1])),
        "acknowledge": lambda: alarm_care.undo_acknowledgement(site.desk, of[0], kind_of(of[1])),
        "cleared": lambda: alarm_care.undo_clearing(site.desk, of[0], now),
        "step": lambda: slips.undo_step(site.desk, of[0], _number(of[1]), now),
    }
    if done not in undoing or len(of) < NEEDS[done]:
        raise InputError(Field.UNDO, done, f"something that was just logged: {', '.join(undoing)}")
    undoing[done]()
    site.changed(now)


def _number(text: str) -> int:
    if not re.fullmatch(r"[0-9]{1,15}", text):
        raise InputError(Field.NUMBER, text, "the number of a piece, an observation or a step")
    return int(text)


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(Field.AT, text, "ISO 8601 with its zone") from None
    if at.tzinfo is None:
        raise InputError(Field.AT, text, "ISO 8601 with its zone")
    return at
