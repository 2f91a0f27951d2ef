"""What people find out about a piece with a finger, a scale or an infrared thermometer: facts, as frozen records."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field, model_validator

from curewatch.records import Moment, Name, Record

GRAMS_RANGE = (0.1, 100_000.0)
"""What a piece may weigh with its support [g]."""
SURFACE_C_RANGE = (-30.0, 60.0)
"""What a film's surface may read [°C]."""


class ObservationKind(StrEnum):
    FINGER = "finger"
    WEIGHING = "weighing"
    SURFACE = "surface"


class Spot(StrEnum):
    """Where on a piece a finger was put."""

    EDGE = "edge"
    MIDDLE = "middle"


class Finger(StrEnum):
    """What a finger says, from wet to dry."""

    TACKY = "tacky"
    TOUCH_DRY = "touch-dry"
    DRY_THROUGH = "dry-through"


class Observation(Record):
    """One finger test, weighing or surface temperature of a piece. `id` is given by the store (0: not stored yet)."""

    id: int = 0
    piece_id: int
    at: Moment
    kind: ObservationKind
    finger: Finger | None = None
    spot: Spot = Spot.EDGE
    """Where the finger was: an inconspicuous edge unless it was said otherwise, and dry there sooner."""
    odds: Annotated[float, Field(ge=0, le=1)] | None = None
    """How likely a finger was to find this, by the dates that were shown when it was logged; None: not known."""
    grams: Annotated[float, Field(ge=GRAMS_RANGE[0], le=GRAMS_RANGE[1])] | None = None
    """The piece with its support, whatever lies on the scale each time alike [g]."""
    resolution_g: Annotated[float, Field(gt=0, le=1000)] | None = None
    """The scale's smallest step [g]: it counts as noise."""
    surface_c: Annotated[float, Field(ge=SURFACE_C_RANGE[0], le=SURFACE_C_RANGE[1])] | None = None
    """Temperature of the film's surface [°C]."""
    logged_at: Moment | None = None
    """None: not known."""
    logged_by: Name | None = None
    """Who says so, as far as it was told."""

    @model_validator(mode="after")
    def _holds_what_its_kind_is_about(self) -> Observation:
        held = {
            ObservationKind.FINGER: (self.finger,),
            ObservationKind.WEIGHING: (self.grams, self.resolution_g),
            ObservationKind.SURFACE: (self.surface_c,),
        }
        if any((value is not None) != (kind is self.kind) for kind, values in held.items() for value in values):
            raise ValueError(f"an observation of kind {self.kind.value!r} holds that and nothing else")
        return self


class Subject(StrEnum):
    """What is learned about and carries over to the next pour."""

    RECIPE = "recipe"
    PLACE = "place"


class Forgetting(Record):
    """A person's word that what was observed before `at` is to teach nothing more about a recipe or place."""

    subject: Subject
    name: Name
    at: Moment
