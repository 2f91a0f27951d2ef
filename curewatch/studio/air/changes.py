"""What a person might do to the air over a piece: heat it, dry it, cover it, a fan on or off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from curewatch.physics import air as moist
from curewatch.physics.air import ZERO_C, Array

RH_FLOOR, RH_CEILING = 5.0, 98.0
"""No change makes air drier or damper than this [%], unless it was so before."""


@dataclass(frozen=True)
class Change:
    """A change of the air. A room that is heated keeps its water, so it also gets drier."""

    name: str
    warmer_k: float = 0.0
    drier_pct: float = 0.0
    air_speed: float | None = None
    """Over the piece [m/s]; None: as it is."""
    calms: bool = False
    """`air_speed` is the most that is left, not the least that comes."""
    rh_at_least_pct: float = 0.0
    """Under a cover the film's own vapour keeps the air so damp [%]."""

    def speed(self, as_it_is: Array | float) -> Array:
        """Of the air over pieces [m/s]."""
        if self.air_speed is None:
            return np.asarray(as_it_is, dtype=float)
        return np.asarray((np.minimum if self.calms else np.maximum)(self.air_speed, as_it_is))

    def of(self, temp_c: Array, rh_pct: Array) -> tuple[Array, Array]:
        """The room's air after it."""
        warm = temp_c + self.warmer_k
        rh = rh_pct * moist.saturation_pressure(temp_c + ZERO_C) / moist.saturation_pressure(warm + ZERO_C)
        left = np.clip(rh - self.drier_pct, np.minimum(RH_FLOOR, rh), RH_CEILING)
        return warm, np.maximum(left, self.rh_at_least_pct)
