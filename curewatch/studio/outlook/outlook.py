"""The outlook of a room's air: temperature and humidity for the next 48 hours, hour by hour, with 10/50/90 % bands.

From the room's own history only. Simple forecasts (`experts`) are made not only now but at moments of the last
four weeks, and held against what then came; each counts by how well it did at that many hours ahead. What the
combination of them missed by is the band. What has little record leans on a prior: a room is then believed to move as
rooms do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array, Flags
from curewatch.studio.air.climate import HOUR_S, Hourly
from curewatch.studio.outlook import experts
from curewatch.studio.outlook.experts import AHEAD, DAY

HISTORY = 61 * DAY
"""The most of a room's past that is looked at [h]."""
BANDED = 28 * DAY
"""Forecasts are weighed by their errors of the last [h], and bands are quantiles of them."""
FORGOTTEN = 14 * DAY
"""What an error counts for in the weighing dies away with its age: time constant [h]."""
STRIDE = 3
"""Forecasts are made again at every third hour of the past: nearly as telling as every hour, at a third of the work."""
SHARPNESS = 32.0
"""A forecast k hours ahead counts by its mean absolute error to the power -SHARPNESS / sqrt(k): errors k hours ahead
overlap, so that about one in k stands for itself, and their mean is known so much less well."""
Z90 = 1.2816
"""The 90 % quantile of a normal distribution."""
PRIOR_SD = np.array([3.0, 10.0])
"""How far rooms in general stray within days [°C, %]: what is believed of a room with hardly a record."""
PRIOR_DAYS = 1.0
"""How fast: the time constant of a room's wandering, in days."""
TYPED_SD = np.array([0.5, 3.0])
"""What one reading of a room may be off by [°C, %]."""
PRIOR_DAYS_COUNT = 3.0
"""Days of verified errors that the prior weighs as much as; it then fades as the square."""
FEW = 2.0
"""Bands of few days' errors, looked back on with today's weights, are too narrow: widened by so much over the days."""
EDGES = (0.1, 0.9)
NEAR = 4
"""Forecasts k hours ahead are judged together with those k/4 hours before and after."""
DOUBT = 5.0
"""Verified errors that the doubt about a forecast weighs as much as."""
TINY = 1e-3
"""No forecast is better than this [°C, %]: a room that never moves makes none of them infinitely sure."""
EPS = 1e-9
RH_RANGE = (0.0, 100.0)


@dataclass(frozen=True)
class Band:
    """One quantity hour by hour: in one case of ten below `low`, in one above `high`."""

    low: Array
    mid: Array
    high: Array


@dataclass(frozen=True)
class Outlook:
    """A room's air for the AHEAD hours to come. Entry i is the mean of [first_s + 3600 i, first_s + 3600 (i + 1))."""

    first_s: float
    temp_c: Band
    rh_pct: Band
    past: Array
    """The history that it was made from, gaps filled: (2, hours)."""
    known: Flags
    """Which of it was read: (2, hours)."""
    errors: Array
    """What forecasts made in the past missed by: (2, AHEAD, origins), NaN where that is not known."""
    age_h: int
    """Whole hours at the end of the history in which temperature or humidity was not read."""


def outlook(history: Hourly, now_s: float) -> Outlook:
    """The hours from `now_s` on, from the whole hours of `history` that have passed by then.

    Raises ValueError while either quantity was never read.
    """
    x, known = filled(history, now_s)
    n = x.shape[1]
    origins = np.arange(n - 1, max(n - BANDED - AHEAD, 0) - 1, -STRIDE)[::-1]
    truth = _truth(x, known, origins)
    mid = _combined(experts.forecasts(x, known, origins), truth, n, origins)
    errors = truth - mid
    low, high = spread(errors, _unusual_age(known))
    now = mid[..., -1]
    edges = [now + np.minimum(low, 0.0), now, now + np.maximum(high, 0.0)]
    humid = [np.clip(edge[1], *RH_RANGE) for edge in edges]
    ages = [n - 1 - int(np.flatnonzero(row)[-1]) for row in known]
    first_s = history.first_s + HOUR_S * np.floor((now_s - history.first_s) / HOUR_S + EPS)
    return Outlook(first_s, Band(*(edge[0] for edge in edges)), Band(*humid), x, known, errors, max(ages))


def filled(history: Hourly, now_s: float) -> tuple[Array, Flags]:
    """The last HISTORY hours before `now_s` without gaps (2, hours), and which of them were read.

    Into a gap of a day the last value is carried on, into a longer one the day before it: what could be known then.
    """
    count = int(np.floor((now_s - history.first_s) / HOUR_S + EPS))
    values = np.full((2, max(count, 1)), np.nan)
    kept = min(len(history.temp_c), count)
    values[:, :kept] = history.temp_c[:kept], history.rh_pct[:kept]
    known = np.isfinite(values)
    if not known.any(axis=1).all():
        raise ValueError("an outlook needs at least one hour of temperature and one of humidity")
    begin = max(int(known.any(axis=0).argmax()), values.shape[1] - HISTORY)
    if not known[:, begin:].any(axis=1).all():
        begin = int(min(np.flatnonzero(row)[-1] for row in known))
    values, known = values[:, begin:], known[:, begin:]
    hours = np.arange(values.shape[1])
    whole = np.empty_like(values)
    for row, read, out in zip(values, known, whole, strict=True):
        last = np.maximum.accumulate(np.where(read, hours, -1))
        held = row[np.where(last < 0, int(read.argmax()), last)]
        gap = hours - last
        day_before = np.maximum(hours - DAY * -(-gap // DAY), 0)
        out[:] = np.where((gap > DAY) & (last >= 0), held[day_before], held)
    return whole, known


def _truth(x: Array, known: Flags, origins: NDArray[np.intp]) -> Array:
    """What came AHEAD of each origin: (2, AHEAD, origins), NaN where it was not read or is yet to come."""
    at = origins[None, :] + np.arange(1, AHEAD + 1)[:, None]
    inside = np.minimum(at, x.shape[1] - 1)
    return np.where((at < x.shape[1]) & known[:, inside], x[:, inside], np.nan)


def _combined(made: Array, truth: Array, n: int, origins: NDArray[np.intp]) -> Array:
    """The forecasts `made` (experts, 2, AHEAD, origins), each counting by what it missed by of late."""
    ahead = np.arange(1, AHEAD + 1)
    judged = np.isfinite(truth) * np.exp((origins[None, :] + ahead[:, None] - n) / FORGOTTEN)
    missed = _neighbours((np.abs(made - np.nan_to_num(truth)) * judged).sum(axis=-1))
    count = _neighbours(judged.sum(axis=-1))
    usual = np.median(missed, axis=0) / np.maximum(count, EPS)
    error = (missed + DOUBT * usual) / (count + DOUBT)
    best = error.min(axis=0)
    weight = ((error + TINY) / (best + TINY)) ** (-SHARPNESS / np.sqrt(ahead))
    weight *= experts.believed(len(made))[:, None, None]
    return np.asarray((made * (weight / weight.sum(axis=0))[..., None]).sum(axis=0))


def _neighbours(values: Array) -> Array:
    """Sums over like horizons, (…, AHEAD): what does well 40 hours ahead does well 41 ahead."""
    total = np.concatenate([np.zeros((*values.shape[:-1], 1)), np.cumsum(values, axis=-1)], axis=-1)
    k = np.arange(AHEAD)
    reach = (k + 1) // NEAR
    return np.asarray(total[..., np.minimum(k + reach, AHEAD - 1) + 1] - total[..., np.maximum(k - reach, 0)])


def spread(errors: Array, older_h: int = 0) -> tuple[Array, Array]:
    """How far below and above the forecast one case of ten lies, by hours ahead: two of (2, AHEAD).

    `older_h`: by how much the last reading is older than those that `errors` (2, AHEAD, origins) began from.
    """
    at = np.minimum(np.arange(AHEAD) + older_h, AHEAD - 1)
    known = np.isfinite(errors)
    days = known.sum(axis=-1)[:, at] * STRIDE / DAY
    none = np.full_like(errors[:, :1], np.nan)
    before, after = np.concatenate([none, errors[:, :-1]], axis=1), np.concatenate([errors[:, 1:], none], axis=1)
    after[:, 0] = np.nan  # an hour ahead is like no other
    seen = _quantiles(np.concatenate([before, errors, after], axis=-1))[:, :, at]
    seen = seen * (1.0 + FEW / (1.0 + days))
    prior = np.where(days > 0, fading(days), 1.0)
    sd = np.stack([prior_sd(k + 1 + older_h) for k in range(AHEAD)], axis=1)
    low, high = (1 - prior) * seen[0] - prior * Z90 * sd, (1 - prior) * seen[1] + prior * Z90 * sd
    if older_h:
        late = np.sqrt(1.0 + np.maximum(np.arange(AHEAD) + older_h - AHEAD + 1, 0) / AHEAD)
        low, high = low * late, high * late
    return low, high


def _quantiles(values: Array) -> Array:
    """By the last axis, of those that are not NaN: (EDGES, …); 0 where all are."""
    ordered = np.sort(values, axis=-1)  # NaN come last
    last = np.isfinite(ordered).sum(axis=-1, keepdims=True) - 1
    found = []
    for edge in EDGES:
        place = edge * np.maximum(last, 0)
        below = place.astype(np.intp)
        low, high = (np.take_along_axis(ordered, i, -1) for i in (below, np.minimum(below + 1, np.maximum(last, 0))))
        found.append(np.where(last < 0, 0.0, low + (place - below) * (high - low))[..., 0])
    return np.stack(found)


Days = TypeVar("Days", float, Array)


def fading(days: Days) -> Days:
    """The share of what rooms do in general in what is believed of one that was read for so many days."""
    return (PRIOR_DAYS_COUNT / (PRIOR_DAYS_COUNT + days)) ** 2


def prior_sd(hours: float) -> Array:
    """How far rooms in general have moved in so many hours, and what a reading may be off by: sd [°C, %]."""
    wandered = 1.0 - np.exp(-2.0 * hours / (PRIOR_DAYS * DAY))
    return np.asarray(np.sqrt(TYPED_SD**2 + PRIOR_SD**2 * wandered))


def _unusual_age(known: Flags) -> int:
    """By how many hours the last reading is older than the last one usually was."""
    hours = np.arange(known.shape[1])
    older = 0
    for read in known:
        age = hours - np.maximum.accumulate(np.where(read, hours, -1))
        usual = float(np.median(age[read.argmax() :]))
        older = max(older, round(float(age[-1]) - usual))
    return older
