"""What came of what a person logged: kinds, with their data, whose words `studio.wording` has."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from curewatch.language import Words
from curewatch.records.facts import Recipe


class RemarkKind(StrEnum):
    ROOM_NEW = "room_new"
    """Of `name`; `near` may have been meant."""
    RECIPE_NEW = "recipe_new"
    """As ROOM_NEW; `recipe` is what it is taken to be."""
    READING_STORED_ALREADY = "reading_stored_already"
    """In the room `name`, `temp_c` and `rh_pct` of the same moment."""
    READING_AGAIN = "reading_again"
    """In the room `name`, where `temp_c` and `rh_pct` were typed just before: far from this one."""
    SENSOR_AGREES = "sensor_agrees"
    """`name`, which said `temp_c` and `rh_pct`, with a reading typed beside it."""
    SENSOR_APART = "sensor_apart"
    FORGOTTEN = "forgotten"
    """What was learned of `name`, a recipe or a place as `subject` says."""
    OUT_OF_TURN = "out_of_turn"
    """A step, although those in `name` have to come first."""
    BETTER_AFTER = "better_after"
    """A step, although those in `name` had better come first."""
    TOO_EARLY = "too_early"
    """A step before its safe date, which risks `name`."""
    NEVER_SAFE = "never_safe"
    """A step that no date is foreseen for."""
    QUESTIONED = "questioned"
    """An observation that goes against the model."""
    UNLIKELY = "unlikely"
    """A finger test far outside what the dates shown until then said."""
    HARDLY_LIKELY = "hardly_likely"
    """One far outside what all that was learned says."""
    OTHERWISE = "otherwise"
    """One that says otherwise than the last, which found the piece as `name` says."""
    CONTRADICTED = "contradicted"
    """One that a later test speaks against."""
    PRESS = "press"
    """Said to be touch-dry where it may be dry through."""
    ONE_WEIGHING = "one_weighing"
    TEACHES_NOTHING = "teaches_nothing"


@dataclass(frozen=True)
class Remark:
    kind: RemarkKind
    name: Words | None = None
    near: str | None = None
    recipe: Recipe | None = None
    subject: str | None = None
    temp_c: float | None = None
    rh_pct: float | None = None
