"""Readings as hourly means: what an outlook is made from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HOUR_S = 3600.0
SHARE = 0.5
"""An hour counts as read if it holds at least this share of the readings that it usually would."""
EPS_S = 1e-3
"""Far below any interval of readings, far above the rounding of a float's seconds since 1970."""


@dataclass(frozen=True)
class Hourly:
    """Hourly means of one room, NaN where an hour was not read (enough).

    Hour i is [first_s + 3600 i, first_s + 3600 (i + 1)) s since 1970 UTC; it need not begin on the clock's hour.
    """

    first_s: float
    temp_c: Array
    rh_pct: Array

    def __len__(self) -> int:
        return len(self.temp_c)


def hourly(epoch_s: Array, temp_c: Array, rh_pct: Array, until_s: float | None = None) -> Hourly | None:
    """The hourly means of readings in time order (NaN where one lacks the quantity), None if there are none.

    With `until_s`, the hours are counted back from there, so that the newest readings make a whole one; else they
    are the clock's. A room read less often than hourly has an hour wherever it has a reading.
    """
    inside = epoch_s < (np.inf if until_s is None else until_s + EPS_S)
    epoch_s, temp_c, rh_pct = epoch_s[inside], temp_c[inside], rh_pct[inside]
    if not len(epoch_s):
        return None
    phase = 0.0 if until_s is None else until_s % HOUR_S
    # a reading at `until_s` itself ends the last hour
    last = None if until_s is None else round((until_s - phase) / HOUR_S) - 1
    hour = np.floor((epoch_s - phase) / HOUR_S).astype(np.int64)
    hour = hour if last is None else np.minimum(hour, last)
    first, count = int(hour[0]), int(hour[-1] - hour[0]) + 1
    means = [_means(epoch_s, values, hour - first, count) for values in (temp_c, rh_pct)]
    return Hourly(first * HOUR_S + phase, *means)


def _means(epoch_s: Array, values: Array, hour: NDArray[np.int64], count: int) -> Array:
    known = np.isfinite(values)
    number = np.bincount(hour[known], minlength=count)
    total = np.bincount(hour[known], values[known], minlength=count)
    steps = np.diff(epoch_s[known])
    steps = steps[steps > EPS_S]  # several sensors' readings of one moment
    usual = HOUR_S / float(np.median(steps)) if len(steps) else 1.0
    # a pair read seconds apart, or a burst, does not make every other hour too thin
    enough = number >= max(1.0, SHARE * min(usual, float(number.max(initial=0))))
    return np.where(enough, total / np.maximum(number, 1), np.nan)
