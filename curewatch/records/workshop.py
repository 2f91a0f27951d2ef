"""What people do beside pouring, as frozen records: how they mix, how level it lay, and the steps after."""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from curewatch.records import MilestoneKind, Moment, Name, Record

MOST_TILT_RAD = math.pi / 4
"""Steeper than this is no support to pour on."""


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


class Tilt(Record):
    """How far from level a piece's support was found to be."""

    piece_id: int
    measured_at: Moment
    tilt_rad: Annotated[float, Field(ge=0, le=MOST_TILT_RAD)]
    logged_at: Moment | None = None
    """None: with the pour, or not known."""


class Paint(Record):
    """What was poured over a piece, by its mass or by its volume; it and the weighings tell what ran off."""

    piece_id: int
    poured_g: Annotated[float, Field(gt=0, le=100_000)] | None = None
    """By the scale: the full cup less the empty one [g]."""
    poured_m3: Annotated[float, Field(gt=0, le=0.05)] | None = None
    ran_off_m3: Annotated[float, Field(ge=0, le=0.05)] | None = None
    """Of that volume, what was caught on the mat [m3]."""

    @model_validator(mode="after")
    def _one_way(self) -> Paint:
        if (self.poured_g is None) == (self.poured_m3 is None):
            raise ValueError("paint is told by its mass or by its volume")
        if self.ran_off_m3 is not None and (self.poured_m3 is None or self.ran_off_m3 >= self.poured_m3):
            raise ValueError("what ran off is part of a volume poured")
        return self


class PhotoKind(StrEnum):
    """What a photo shows of a piece: colours darken as it dries, so wet and dry are looked at side by side."""

    WET = "wet"
    SETTLED = "settled"
    DRY = "dry"
    FLAW = "flaw"


PHOTO_MOST_BYTES = 400_000
"""No picture that is kept is larger."""


class Photo(Record):
    """A picture of a piece. The file it lies in is named after what it holds."""

    id: int = 0
    """Given by the store."""
    piece_id: int
    kind: PhotoKind
    at: Moment
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    width_px: Annotated[int, Field(ge=1, le=20_000)]
    height_px: Annotated[int, Field(ge=1, le=20_000)]
    logged_at: Moment


class Promise(Record):
    """By when a piece is to be ready. Of several the one logged last counts; without a date nobody waits for it."""

    piece_id: int
    due_at: Moment | None
    ready: MilestoneKind = MilestoneKind.HANDLE
    """What it is to have reached by then."""
    occasion: Name | None = None
    logged_at: Moment
    logged_by: Name | None = None


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
    logged_by: Name | None = None
    """Who did it, as far as it was told."""
