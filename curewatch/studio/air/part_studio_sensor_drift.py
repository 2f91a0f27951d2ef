"""Sensors of one room that move apart, and one that has fallen silent beside others.

A sensor that is alone in its room can drift as far as it likes: nothing in its readings tells it from the room.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DAY_S = 86400.0
DRIFTED = {"temp_c": 1.5, "rh_pct": 6.0}
"""So far apart from where it was against the others [°C, %]: about twice what cheap sensors are specified to (±0.3 to
0.5 °C, ±2 to 3 %; from data sheets' usual figures, no source)."""
DAYS_LEAST, READINGS_A_DAY = 4, 12
ONE_WAY = 0.8
"""Of all pairs of days, the share in which the later lies further along. A drift goes one way; weather goes to and fro.
Chance gives 0.5."""
SILENT_INTERVALS, SILENT_LEAST_S, SILENT_MOST_S = 4.0, 2 * 3600.0, 3 * DAY_S
"""A sensor is silent beside others after so many of its usual intervals, and at least so long [s]; after the longest it
counts as taken away."""


def drift(epoch_s: Array, apart: Array, quantity: str) -> float | None:
    """How far a source has moved away from the others over the record [°C, %]; None where it has not.

    `apart`: its value less the middle of the others', NaN where either is missing.
    """
    known = np.isfinite(apart)
    values = apart[known]
    days, begins, counts = np.unique(np.floor(epoch_s[known] / DAY_S), return_index=True, return_counts=True)
    often = counts >= READINGS_A_DAY
    seen = days[often]
    if len(seen) < DAYS_LEAST:
        return None
    ends = begins + counts  # readings are in time order
    daily = np.array([np.median(values[begins[i] : ends[i]]) for i in np.flatnonzero(often)])
    first, second = np.triu_indices(len(seen), 1)
    rises = daily[second] - daily[first]
    slope = float(np.median(rises / (seen[second] - seen[first])))  # Theil and Sen's: no single day can turn it
    moved = slope * float(seen[-1] - seen[0])
    one_way = float((np.sign(rises) == np.sign(slope)).mean())
    return moved if abs(moved) > DRIFTED[quantity] and one_way >= ONE_WAY else None


def silent_since(own_s: Array, room_s: float) -> float | None:
    """Since when a sensor with readings at `own_s` is silent, where the room was last read at `room_s` [s]."""
    if not len(own_s):
        return None
    usual = float(np.median(np.diff(own_s))) if len(own_s) > 2 else 0.0
    quiet = room_s - float(own_s[-1])
    return float(own_s[-1]) if max(SILENT_LEAST_S, SILENT_INTERVALS * usual) < quiet <= SILENT_MOST_S else None
