"""The line that says what was just logged, with the button that takes it back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from curewatch.desk.kept_board import Kept
from curewatch.observations import Observation
from curewatch.store import Store
from curewatch.studio.lessons_in_words import SAYS
from curewatch.web.words import number


@dataclass(frozen=True)
class JustDone:
    text: str
    done: str
    of: tuple[str, ...]

    @property
    def can_be_undone(self) -> bool:
        return self.done not in ("undone", "cleared")


def just_done(done: str, of: Sequence[str], kept: Kept, store: Store) -> JustDone | None:
    """What the address of the page says was logged; None where it says nothing, or nothing that is so."""
    if done == "undone":
        return JustDone("Taken back.", done, ())
    text = _told(done, of, kept, store) if of else None
    return None if text is None else JustDone(text, done, tuple(of))


def _told(done: str, of: Sequence[str], kept: Kept, store: Store) -> str | None:
    names = {str(drying.piece.id): drying for drying in kept.scene.dryings}
    if done == "pour" and all(one in names for one in of):
        return f"Logged: {', '.join(names[one].piece.name for one in of)}."
    if done == "reading" and any(room.name == of[0] for room in kept.rooms):
        return f"Reading of {of[0]} logged."
    if done == "move" and (moved := kept.dryings.get(of[0])):
        where = f"{moved.room}, {moved.place}" if moved.place else moved.room
        return f"{of[0]} now lies in {where}."
    if done == "gone" and of[0] not in names:
        return "Marked gone: its name and its place are free."
    if done == "cleared" and of[0] in kept.dryings:
        return f"{of[0]} is looked over: nothing stands against it any more."
    if len(of) > 1 and (here := kept.dryings.get(of[0])):
        return _told_of_piece(done, of[1], here.piece.id, store)
    return None


def _told_of_piece(done: str, which: str, piece_id: int, store: Store) -> str | None:
    with store.read() as tx:
        found = {str(one.id): one for one in tx.observations([piece_id])} if done == "found" else {}
        steps = {str(one.id): one for one in tx.steps([piece_id])} if done == "step" else {}
    if which in found:
        return f"Logged: {finding(found[which])}. Its dates have followed."
    if which in steps and steps[which].undone_at is None:
        early = " That was before it was safe to assume: watch the piece." if steps[which].too_early else ""
        return f"Written down as done: {steps[which].step}.{early}"
    return None


def finding(one: Observation) -> str:
    """What a finger, a scale or a thermometer found: `touch-dry`, `512 g`, `surface 17.5 °C`."""
    if one.finger is not None:
        return SAYS[one.finger]
    if one.grams is not None:
        return f"{one.grams:g} g, to {one.resolution_g:g} g"
    return f"surface {number(one.surface_c, 1)} °C"
