"""What people do beside pouring, as frozen records: how they mix, and the steps they do to a piece afterwards."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from curewatch.records import Moment, Name, Record


class Part(Record):
    """One material in a mix."""

    material: Name
    amount: Annotated[float, Field(gt=0, le=1000)]
    """In parts, by volume or by weight as the mix says."""


class RecipeMix(Record):
    """How a recipe is mixed. What it comes out at stands in its Recipe."""

    recipe: Name
    by_weight: bool = False
    parts: Annotated[tuple[Part, ...], Field(min_length=1, max_length=40)]


class StepDone(Record):
    """Something a person did to a piece after its pour. Undone, it stays in the history."""

    id: int = 0
    """Given by the store."""
    piece_id: int
    step: Name
    done_at: Moment
    recorded_at: Moment
    too_early: bool = False
    """It was done before the date from which it was safe to assume that the piece was ready for it."""
    undone_at: Moment | None = None
