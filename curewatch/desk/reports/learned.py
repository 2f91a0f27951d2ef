"""What was found of one piece, and what is believed of recipes and places: why its dates are as they are."""

from __future__ import annotations

from dataclasses import dataclass

from curewatch.desk.desk import Desk
from curewatch.desk.snapshot.lessons import learned_effects, lesson_of
from curewatch.records.facts import Observation, Subject
from curewatch.records.remarks import Remark
from curewatch.store import Transaction
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.learning import place_of
from curewatch.studio.learning.texts import LearnedEffect, remarks_of
from curewatch.studio.standing import contradicted


@dataclass(frozen=True)
class Seen:
    """An observation, and what came of it."""

    observation: Observation
    remarks: tuple[Remark, ...]


def seen_of(tx: Transaction, piece_id: int) -> list[Seen]:
    """Everything observed of a piece, in the order of time."""
    observations = tx.observations([piece_id])
    if not observations:
        return []
    (pour,), lesson = tx.pours([piece_id]), lesson_of(tx, piece_id)
    fallen = contradicted(observations, pour.at, observations[-1].at)
    return [Seen(one, remarks_of(one, lesson, fallen)) for one in observations]


def beliefs_about(tx: Transaction, drying: Drying) -> list[LearnedEffect]:
    """Of the piece's recipe and place; nothing where nothing was learned of either."""
    wanted = {(Subject.RECIPE, drying.recipe.name), (Subject.PLACE, place_of(drying))}
    return [one for one in learned_effects(tx) if (one.subject, one.name) in wanted]


def what_was_learned(desk: Desk) -> list[LearnedEffect]:
    """What the studio had come to believe of its recipes and places when it was last refreshed or told something."""
    with desk.store.read() as tx:
        return learned_effects(tx)
