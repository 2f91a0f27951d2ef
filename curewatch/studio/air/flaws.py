"""A room's readings as arrays, and what can be wrong with them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TYPED = "typed"
QUANTITIES = ("temp_c", "rh_pct")


class Flaw(StrEnum):
    SPIKE = "spike"
    STUCK = "stuck"
    IMPOSSIBLE = "impossible"
    DRIFT = "drift"
    SILENT = "silent"
    BATTERY = "battery"
    DISAGREE = "disagree"
    GAP = "gap"


@dataclass(frozen=True)
class Finding:
    """Something that is wrong with a room's record. `source` and `quantity` are None where it is about all of them."""

    flaw: Flaw
    since_s: float
    until_s: float
    source: str | None = None
    quantity: str | None = None
    size: float | None = None
    """How far off [°C, %]: of a spike, of a disagreement, of a drift; negative below. The last value of impossible
    ones, and of a battery [%]."""
    count: int = 1
    """How many readings it is about."""
    others: int = 0
    """How many sensors it was held against; of a stuck one, how many others tell of the room."""
    after_s: float = 0.0
    """How long it had to last before it could be found [s]."""
    sure: bool = False
    """Of a stuck sensor: it speaks so finely that no recorded room ever stood still for so long."""

    def overlaps(self, other: Finding) -> bool:
        """Whether some moment belongs to both."""
        return self.since_s <= other.until_s and other.since_s <= self.until_s


@dataclass(frozen=True)
class Readings:
    """Readings of one room in time order; NaN where one lacks the quantity."""

    epoch_s: Array
    temp_c: Array
    rh_pct: Array
    source: NDArray[np.int64]
    """Index into `sources`."""
    sources: tuple[str, ...]
    live: Flags
    """Whether a reading proves that its source lives: not one that a broker had kept from earlier."""
