"""The line that says what was just logged, with the button that takes it back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from curewatch.desk.kept_board import Kept


@dataclass(frozen=True)
class JustDone:
    text: str
    done: str
    of: tuple[str, ...]

    @property
    def can_be_undone(self) -> bool:
        return self.done != "undone"


def just_done(done: str, of: Sequence[str], kept: Kept) -> JustDone | None:
    """What the address of the page says was logged; None where it says nothing, or nothing that is so."""
    names = {str(drying.piece.id): drying for drying in kept.scene.dryings}
    if done == "undone":
        return JustDone("Taken back.", done, ())
    if not of:
        return None
    if done == "pour" and all(one in names for one in of):
        return JustDone(f"Logged: {', '.join(names[one].piece.name for one in of)}.", done, tuple(of))
    if done == "reading" and any(room.name == of[0] for room in kept.rooms):
        return JustDone(f"Reading of {of[0]} logged.", done, tuple(of))
    if done == "move" and (moved := kept.dryings.get(of[0])):
        where = f"{moved.room}, {moved.place}" if moved.place else moved.room
        return JustDone(f"{of[0]} now lies in {where}.", done, tuple(of))
    if done == "gone" and of[0] not in names:
        return JustDone("Marked gone: its name and its place are free.", done, tuple(of))
    return None
