"""What was found of one piece, and what is believed of recipes and places: why its dates are as they are."""

from __future__ import annotations

from dataclasses import dataclass

from curewatch.desk.desk import Desk
from curewatch.desk.snapshot.lessons import learned_so_far
from curewatch.records.observations import Observation, Subject
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.learning import place_of
from curewatch.studio.learning.texts import LearnedEffect, beliefs, said_of


@dataclass(frozen=True)
class Seen:
    """An observation, and what there is to say of it."""

    observation: Observation
    notes: tuple[str, ...]


def seen_of(desk: Desk, piece_id: int) -> list[Seen]:
    """Everything observed of a piece, in the order of time."""
    with desk.store.read() as tx:
        observations = tx.observations([piece_id])
        if not observations:
            return []
        lesson = next((one for one in learned_so_far(tx).lessons if one.piece_id == piece_id), None)
    return [Seen(one, said_of(one, lesson)) for one in observations]


def beliefs_about(desk: Desk, drying: Drying) -> list[LearnedEffect]:
    """Of the piece's recipe and place; nothing where nothing was learned of either."""
    wanted = {(Subject.RECIPE, drying.recipe.name), (Subject.PLACE, place_of(drying))}
    return [one for one in what_was_learned(desk) if (one.subject, one.name) in wanted]


def what_was_learned(desk: Desk) -> list[LearnedEffect]:
    """What the studio has come to believe of its recipes and places."""
    with desk.store.read() as tx:
        so_far = learned_so_far(tx)
        seen = {one.id: one for one in tx.observations()}
        return beliefs(so_far, seen, {recipe.name: recipe for recipe in tx.recipes()})
