"""Whether dew could settle on a piece: asked before it is varnished.

Source: ISO 8502-4 (assessing the probability of condensation before painting): a surface is coated only while it is at
least 3 K above the dew point of the air. A varnish over dew blooms and does not hold.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.physics.air import ZERO_C, dew_point
from curewatch.studio.air.climate import Climate
from curewatch.studio.wording import Local, age, lasting, number

MARGIN_K = 3.0
"""ISO 8502-4's usual margin [K]."""
LAGS = timedelta(hours=1)
"""Canvas and board follow the air within the hour: a piece may still be as cool as the room was then."""


@dataclass(frozen=True)
class DewMargin:
    """How far a dry piece in a room is from dew."""

    at: datetime
    """The room's data is of this time."""
    piece_c: float
    """Temperature the piece may have [°C]: the lower of the room's now and an hour before."""
    dew_point_c: float
    """Of the room's air [°C]."""

    @property
    def kelvin(self) -> float:
        return self.piece_c - self.dew_point_c

    @property
    def is_near(self) -> bool:
        return self.kelvin < MARGIN_K


def dew_margin(climate: Climate) -> DewMargin:
    """The margin at the end of the room's record. A dry piece takes the room's temperature; a wet one is cooler."""
    temps, rhs = climate.at(np.array([climate.newest_s - LAGS.total_seconds(), climate.newest_s]))
    temp, rh = float(temps[1]), max(float(rhs[1]), 1.0)
    dew = float(dew_point(np.array([temp + ZERO_C]), np.array([rh / 100]))[0]) - ZERO_C
    return DewMargin(climate.newest_at, min(float(temps[0]), temp), dew)


def in_words(margin: DewMargin, now: datetime) -> str:
    """What it means for varnishing, for somebody who reads it at once."""
    known = f"{_air(margin)}, room read {age(margin.at, now)}"
    if margin.is_near:
        return (
            f"Do not varnish now: the piece is within {MARGIN_K:g} K of the dew point ({known}), and dew under varnish "
            "blooms. Warm the room or dry its air first, and let the piece follow for an hour."
        )
    return f"No dew to fear now: {known}. Read it again before you varnish."


def as_read(margin: DewMargin, now: datetime, local: Local) -> str:
    """What it meant when the room was read: for a notice, which may be read hours later."""
    read = f"when the room was read, {lasting(margin.at, local, now)} ({_air(margin)})"
    if margin.is_near:
        return (
            f"Too near to dew {read}: dew under varnish blooms. Varnish only once the piece is {MARGIN_K:g} K above "
            "the dew point."
        )
    return f"No dew to fear {read}. Read it again before you varnish."


def _air(margin: DewMargin) -> str:
    return f"dew point {number(margin.dew_point_c, 1)} °C, the piece about {number(margin.piece_c, 1)} °C"
