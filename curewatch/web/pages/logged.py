"""The line that says what was just logged, with the button that takes it back."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from curewatch.desk import Desk
from curewatch.desk.part_desk_naming import DEFAULT_RECIPE
from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.reports.learned import seen_of
from curewatch.records.observations import Observation
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.texts import SAYS
from curewatch.web.texts import number


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
    if done == "undone":
        return LoggedNote("Taken back.", done, ())
    text = _told(done, of, kept, desk) if of else None
    return None if text is None else LoggedNote(text, done, tuple(of))


def _told(done: str, of: Sequence[str], kept: CachedBoard, desk: Desk) -> str | None:
    names = {str(drying.piece.id): drying for drying in kept.snapshot.dryings}
    if done == "pour" and all(one in names for one in of):
        logged = [names[one] for one in of]
        return " ".join([f"Logged: {', '.join(one.piece.name for one in logged)}.", *_unknown(logged[0], kept, desk)])
    if done == "reading" and any(room.name == of[0] for room in kept.rooms):
        return f"Reading of {of[0]} logged."
    if done == "move" and (moved := kept.dryings.get(of[0])):
        where = f"{moved.room}, {moved.place}" if moved.place else moved.room
        return f"{of[0]} now lies in {where}."
    if done == "gone":
        return _told_gone(of[0], desk)
    if done == "cleared" and of[0] in kept.dryings:
        return f"{of[0]} is looked over: nothing stands against it any more."
    if len(of) > 1 and (here := kept.dryings.get(of[0])):
        return _told_of_piece(done, of[1], here.piece.id, desk)
    return None


def _told_gone(piece_id: str, desk: Desk) -> str | None:
    with desk.store.read() as tx:
        left = [piece for piece in tx.pieces(gone=True) if str(piece.id) == piece_id]
        if not left or not tx.pours([left[0].id]):  # without its pour: taken back, it never was
            return None
    return f"{left[0].name} is marked gone: its name and its place are free."


def _unknown(poured: Drying, kept: CachedBoard, desk: Desk) -> Iterator[str]:
    """What the studio does not know of a pour's room and recipe: a slip of the finger makes new ones."""
    if any(room.name == poured.room and room.data_at is None for room in kept.rooms):
        read = [room.name for room in kept.rooms if room.data_at is not None]
        yield f"Room “{poured.room}” was never read{_meant(poured.room, read)}"
    recipe = poured.recipe
    if not recipe.stated and recipe.name != DEFAULT_RECIPE:
        with desk.store.read() as tx:
            stated = [one.name for one in tx.recipes() if one.stated]
        taken = f"taken as {recipe.solids:.0%} solids, {recipe.glycol:.0%} glycol"
        yield f"Recipe “{recipe.name}” was never described and is {taken}{_meant(recipe.name, stated)}"


def _meant(name: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(name, known, 1)
    return f"; did you mean “{near[0]}”?" if near else "."


def _told_of_piece(done: str, which: str, piece_id: int, desk: Desk) -> str | None:
    if done == "found":
        seen = next((one for one in seen_of(desk, piece_id) if str(one.observation.id) == which), None)
        return None if seen is None else f"Logged: {finding(seen.observation)}. {_so(seen.notes)}"
    with desk.store.read() as tx:
        steps = {str(one.id): one for one in tx.steps([piece_id])} if done == "step" else {}
    if which in steps and steps[which].undone_at is None:
        early = " That was before it was safe to assume: watch the piece." if steps[which].too_early else ""
        return f"Written down as done: {steps[which].step}.{early}"
    return None


def _so(notes: Sequence[str]) -> str:
    """What came of an observation: one that is questioned, or says nothing yet, has moved no date."""
    said = [f"{note[0].upper()}{note[1:]}{'' if note.endswith('?') else '.'}" for note in notes]
    return " ".join(said) or "Its dates follow from that in a moment."


def finding(one: Observation) -> str:
    """What a finger, a scale or a thermometer found: `touch-dry`, `512 g`, `surface 17.5 °C`."""
    if one.finger is not None:
        return SAYS[one.finger]
    if one.grams is not None:
        return f"{one.grams:g} g, to {one.resolution_g:g} g"
    return f"surface {number(one.surface_c, 1)} °C"
