"""What people logged: the line that says so, the list of late, and the button that takes it back."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.desk import Desk
from curewatch.desk.commands import undo
from curewatch.desk.commands.log import UNDO_WITHIN, LogEntry, LogKind, logged_lately
from curewatch.desk.commands.readings import reading_remarks
from curewatch.desk.orders import DEFAULT_RECIPE
from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.snapshot.pieces import Seen, seen_of
from curewatch.language import Capital, reads
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import TYPED
from curewatch.store import Transaction
from curewatch.studio import wording
from curewatch.studio.care.aftercare import LEVEL_FOR, TORCH, step_words
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.texts import finding
from curewatch.views.corrections import in_words
from curewatch.views.logged import logged_text
from curewatch.views.sheet import HOW, PHOTO_KINDS
from curewatch.web.reading import phrase
from curewatch.web.site import Here, Site, Typed, page, text_of
from curewatch.web.texts import Words


def shown_at(done: str, of: Sequence[object]) -> RedirectResponse:
    """To the page that says what was logged: the piece's, or the board."""
    there = f"/piece/{quote(str(of[0]), safe='')}" if done in (LogKind.FOUND, LogKind.STEP, LogKind.PHOTO) else "/"
    return RedirectResponse(f"{there}?{urlencode({'done': done, 'of': of}, doseq=True)}", 303)


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
        return LoggedNote(phrase("Taken back."), done, ())
    text = _put_right(done, of[0], tx) if done in CORRECTIONS and of else _told(done, of, kept, tx) if of else None
    return None if text is None else LoggedNote(text, done, tuple(of))


CORRECTIONS = (LogKind.CORRECT, LogKind.DELETE, LogKind.NAME, LogKind.RECIPE)


def _put_right(done: str, which: str, tx: Transaction) -> str | None:
    one = next((one for one in tx.corrections() if str(one.id) == which), None)
    if one is None:
        return None
    said = in_words(one, tx.changes([one.id]))
    if done == LogKind.DELETE:
        return phrase("{piece} is deleted, as if it had never been poured.", piece=one.name)
    if done == LogKind.CORRECT:
        return phrase("Corrected: {what}. Its dates follow.", what=said)
    return reads().read(Capital(said))


def _told(done: str, of: Sequence[str], kept: CachedBoard, tx: Transaction) -> str | None:
    names = {str(drying.piece.id): drying for drying in kept.snapshot.dryings}
    if done == "pour" and all(one in names for one in of):
        logged = [names[one] for one in of]
        names_said = ", ".join(one.piece.name for one in logged)
        said = [phrase("Logged: {names}.", names=names_said), *_unknown(logged[0], kept, tx)]
        logged_at, poured_at = logged[0].stays[0].logged_at, logged[0].pour.at
        return " ".join([*said, *([reads().read(TORCH)] if logged_at and logged_at - poured_at < LEVEL_FOR else [])])
    if done == "reading" and any(room.name == of[0] for room in kept.rooms):
        at = _moment(of[1]) if len(of) > 1 else None
        stored = [] if at is None else tx.readings(of[0], since=at, until=at, source=TYPED)
        remarks = wording.sentences(remark for one in stored for remark in reading_remarks(tx, one))
        said = [phrase("Reading of {room} logged.", room=of[0]), reads().read(remarks)]
        return " ".join(said).rstrip()
    if done == "move" and (moved := kept.dryings.get(of[0])):
        where = f"{moved.room}, {moved.place}" if moved.place else moved.room
        return phrase("{piece} now lies in {place}.", piece=of[0], place=where)
    if done == "gone":
        left = [piece for piece in tx.pieces(gone=True) if str(piece.id) == of[0]]
        poured = left and tx.pours([left[0].id])  # without its pour: taken back, it never was
        return (
            phrase("{piece} is marked gone: its name and its place are free.", piece=left[0].name) if poured else None
        )
    if done == "promise" and (here := kept.dryings.get(of[0])):
        if here.promise is None:
            return phrase("{piece}: no longer promised.", piece=of[0])
        return phrase("{piece}: its date is written down.", piece=of[0])
    if done == "cleared" and of[0] in kept.dryings:
        return phrase("{piece} is looked over: nothing stands against it any more.", piece=of[0])
    if len(of) > 1 and (here := kept.dryings.get(of[0])):
        return _told_of_piece(done, of[1], here.piece.id, tx)
    return None


def _moment(iso: str) -> datetime | None:
    """Of an address, which anybody may write."""
    try:
        at = datetime.fromisoformat(iso)
    except ValueError:
        return None
    return at if at.tzinfo is not None else None


def _unknown(poured: Drying, kept: CachedBoard, tx: Transaction) -> Iterator[str]:
    """What the studio does not know of a pour's room and recipe: a slip of the finger makes new ones."""
    if any(room.name == poured.room and room.data_at is None for room in kept.rooms):
        read = [room.name for room in kept.rooms if room.data_at is not None]
        yield _meant(phrase("Room “{room}” was never read.", room=poured.room), poured.room, read)
    recipe = poured.recipe
    if not recipe.stated and recipe.name != DEFAULT_RECIPE:
        stated = [one.name for one in tx.recipes() if one.stated]
        taken = phrase(
            "Recipe “{recipe}” was never described and is taken as {solids} solids, {glycol} glycol.",
            recipe=recipe.name, solids=f"{recipe.solids:.0%}", glycol=f"{recipe.glycol:.0%}",
        )  # fmt: skip
        yield _meant(taken, recipe.name, stated)


def _meant(said: str, name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, 1)
    return " ".join([said, phrase("Did you mean “{name}”?", name=near[0])]) if near else said


def _told_of_piece(done: str, which: str, piece_id: int, tx: Transaction) -> str | None:
    if done == "found":
        seen = next((one for one in seen_of(tx, piece_id) if str(one.observation.id) == which), None)
        if seen is None:
            return None
        follow = reads().read(wording.sentences(seen.remarks)) or phrase("Its dates follow from that in a moment.")
        return " ".join([phrase("Logged: {finding}.", finding=finding(seen.observation)), follow])
    if done == "photo":
        kinds = (one.kind for one in tx.photos([piece_id]) if str(one.id) == which)
        return next((phrase("Kept: a photo, {kind}.", kind=PHOTO_KINDS[kind]) for kind in kinds), None)
    steps = {str(one.id): one for one in tx.steps([piece_id])} if done == "step" else {}
    if which in steps and steps[which].undone_at is None:
        said = phrase("Written down as done: {step}.", step=step_words(steps[which].step))
        early = phrase("That was before it was safe to assume: watch the piece.") if steps[which].too_early else ""
        return f"{said} {early}".rstrip()
    return None


@dataclass(frozen=True)
class ObservationRow:
    number: int
    at: str
    how: str
    found: str
    notes: tuple[str, ...]
    can_be_undone: bool


def observation_rows(seen: list[Seen], words: Words) -> list[ObservationRow]:
    """The newest first."""
    return [
        ObservationRow(
            one.observation.id,
            f"{words.date(one.observation.at)} ({words.age(one.observation.at)})",
            reads().read(HOW[one.observation.kind.value]) + reads().read(wording.by(one.observation.logged_by)),
            reads().read(finding(one.observation)),
            tuple(words.reader.read(note) for note in wording.notes(one.remarks)),
            one.observation.logged_at is not None and words.now - one.observation.logged_at <= UNDO_WITHIN,
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
    return page(request, "lately.html", now, logged=to_undo(site.desk, now), done=undone)


def to_undo(desk: Desk, now: datetime) -> list[Entry]:
    """The newest `MOST` things that people logged and that can be taken back, the newest first."""
    with desk.store.read() as tx:
        log = [one for one in logged_lately(tx, now) if one.only_if is None]
    found = []
    for (kind, at, _), alike in groupby(log, _together):
        entries = list(alike)
        for first in range(0, len(entries), ALIKE_MOST):
            some = entries[first : first + ALIKE_MOST]
            of = tuple(name for one in some for name in one.of)
            found.append(Entry(at, LoggedNote(reads().read(logged_text(some)), kind.value, of)))
    return sorted(found, key=lambda one: one.at, reverse=True)[:MOST]


def _together(entry: LogEntry) -> tuple[LogKind, datetime, tuple[str, ...]]:
    """Pours of one moment are one line."""
    return entry.kind, entry.logged_at, () if entry.kind is LogKind.POUR else entry.of


@router.post("/undo")
def undo_logged(site: Here, form: Typed) -> Response:
    """Take back what was just logged."""
    now, done = site.clock.now(), text_of(form, "done")
    take_back(site, done, [str(one) for one in form.getlist("of")], now)
    piece = text_of(form, "piece")
    if text_of(form, "back") == "lately":
        return RedirectResponse("/lately?done=undone", 303)
    return RedirectResponse(f"/piece/{quote(piece, safe='')}?done=undone" if piece else "/?done=undone", 303)


def take_back(site: Site, done: str, of: Sequence[str], now: datetime) -> None:
    """What `just_done` told, undone. InputError where that is no more, or never was."""
    if done not in set(LogKind):
        raise InputError(Field.UNDO, done, phrase("something that was just logged: {names}", names=", ".join(LogKind)))
    undo.undo(site.desk, LogKind(done), of, now)
    site.changed(now)
