"""A room's readings as one history: temperature and humidity over time, piecewise linear.

Readings come at any cadence, typed twice a day or from a sensor every ten seconds, temperature and humidity together
or apart. They are averaged over short bins (five minutes: far shorter than any room or film can follow) and joined
by straight lines. Before the first value and after the last, a value is held; how old it is goes along with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BIN_S = 300.0
"""Readings within this many seconds of each other count as one."""


@dataclass(frozen=True)
class Climate:
    """The air of one room, from readings. Times are seconds since 1970 UTC, strictly increasing."""

    time_s: Array
    temp_c: Array
    rh_pct: Array
    newest_s: float
    """Time of the newest reading [s]."""
    cadence_s: float
    """Usual time between the latest readings [s], 0 with fewer than three."""

    @property
    def newest_at(self) -> datetime:
        return datetime.fromtimestamp(self.newest_s, UTC)

    def at(self, time_s: Array | float) -> tuple[Array, Array]:
        """Temperature [°C] and relative humidity [%] at `time_s`, the first and last values held."""
        temp = np.interp(time_s, self.time_s, self.temp_c)
        return np.asarray(temp), np.asarray(np.interp(time_s, self.time_s, self.rh_pct))

    def settled_before(self, time_s: float) -> int:
        """How many knots lie before the bin of `time_s`; only late readings change this number."""
        return int(np.searchsorted(self.time_s, np.floor(time_s / BIN_S) * BIN_S, "left"))


def climate_of(epoch_s: Array, temp_c: Array, rh_pct: Array) -> Climate | None:
    """The climate of one room from its readings in time order (NaN where a reading lacks the quantity).

    None while either quantity has never been read: half a climate dries nothing.
    """
    temp_t, temp = _binned(epoch_s, temp_c)
    rh_t, rh = _binned(epoch_s, rh_pct)
    if not len(temp) or not len(rh):
        return None
    time = np.union1d(temp_t, rh_t)
    steps = np.diff(np.unique(epoch_s[-20:]))
    return Climate(
        time_s=time,
        temp_c=np.interp(time, temp_t, temp),
        rh_pct=np.interp(time, rh_t, rh),
        newest_s=float(epoch_s[-1]),
        cadence_s=float(np.median(steps)) if len(steps) > 1 else 0.0,
    )


def _binned(epoch_s: Array, values: Array) -> tuple[Array, Array]:
    known = np.isfinite(values)
    if not known.any():
        return np.empty(0), np.empty(0)
    t, v = epoch_s[known], values[known]
    starts = np.flatnonzero(np.diff(np.floor(t / BIN_S), prepend=-1.0))
    counts = np.diff(np.append(starts, len(t)))
    return np.add.reduceat(t, starts) / counts, np.add.reduceat(v, starts) / counts


def along(stays: Sequence[tuple[float, Climate]], start_s: float) -> tuple[Array, Array, Array]:
    """The air a piece has had from `start_s` on: (time, temp_c, rh_pct), the last value to be held.

    `stays`: from when [s] the piece was in which climate, in time order, the first at or before `start_s`.
    """
    times, temps, rhs = [], [], []
    for i, (since, climate) in enumerate(stays):
        begin = max(since, start_s)
        end = stays[i + 1][0] if i + 1 < len(stays) else np.inf
        if end <= begin:
            continue
        inside = climate.time_s[(climate.time_s > begin) & (climate.time_s < end - 1.0)]
        # a move is a step: the old room's air up to the last second, then the new room's
        own = np.concatenate([[begin], inside, [] if np.isinf(end) else [end - 1.0]])
        temp, rh = climate.at(own)
        times.append(own)
        temps.append(temp)
        rhs.append(rh)
    time = np.concatenate(times)
    keep = np.concatenate([[True], np.diff(time) > 0])
    return time[keep], np.concatenate(temps)[keep], np.concatenate(rhs)[keep]
