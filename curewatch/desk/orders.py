"""What people hand in at the desk, and what they get back."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from curewatch.records import Piece, Support, ThicknessSource
from curewatch.records.workshop import Paint


class FactError(ValueError):
    """A fact that contradicts what is known. `field`, `given` and `allowed` say which, what, and what would do."""

    def __init__(self, field: str, given: str, allowed: str) -> None:
        super().__init__(field, given, allowed)
        self.field, self.given, self.allowed = field, given, allowed

    def __str__(self) -> str:
        return f"{self.field}: got {self.given!r}, expected {self.allowed}"


@dataclass(frozen=True)
class PourOrder:
    """A pour as a person tells it, in SI."""

    name: str
    room: str
    at: datetime
    wet_thickness_m: float
    thickness_source: ThicknessSource
    place: str | None = None
    size_m: tuple[float, float] | None = None
    """Width and height [m]; of a round piece its diameter, twice."""
    round: bool = False
    recipe: str | None = None
    silicone: bool = False
    support: Support = Support.CANVAS
    air_speed_m_s: float | None = None
    """None: as the room's air is set."""
    tilt_rad: float | None = None
    """How far from level its support was found to be; None: not measured."""
    paint: Paint | None = None
    """What was poured over it; whose piece that is, the store will say."""


@dataclass(frozen=True)
class Logged:
    """What was stored, and what was assumed in doing so, in sentences for the person who asked."""

    piece: Piece | None = None
    notes: tuple[str, ...] = field(default=())
