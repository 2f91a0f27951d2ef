"""What is not known of the air that a room has had: gaps in its record, and a sensor that jitters.

The film of the middle dries in the record as it is. Each member dries in a past of its own: a gap that has ended is
bridged by the room's usual day and a wander, pinned at the readings on both of its sides; and where readings jitter, a
member's sensor is off by about as much as they do. A record without gaps, of a sensor as steady as such sensors are,
leaves nothing to doubt, and all members share it.

What is said of a moment hangs only on readings up to the one that follows it. So new air never changes a past that
films were integrated through, and what was kept of them stays good (studio/forecasting/batch.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from curewatch.physics.air import Array
from curewatch.studio.air.climate import Air
from curewatch.studio.outlook.outlook import fading
from curewatch.studio.outlook.scenarios import (
    DRIFT_SD,
    DRIFT_TIME_CONSTANT_S,
    ERROR_TIME_CONSTANT_H,
    RH_RANGE,
    TEMP_RANGE,
    RoomScenarios,
    correlated_normals,
)

DAY_S = 86400.0
SILENT_S = 6 * 3600.0
"""A longer time between two readings is not known air but a guess [s]."""
EIGHTHS = 8
"""Parts of a usual day."""
KNOT_S = 3 * 3600.0
"""A bridge has a knot about so often, and at most MOST_KNOTS."""
MOST_KNOTS = 240
HISTORY_S = 14 * DAY_S
"""How far back a room's days tell how much its days differ."""
WINDOW_S, EPOCH_S = 3 * DAY_S, 12 * 3600.0
"""Jitter is judged every EPOCH_S, by the readings of the WINDOW_S before."""
CLOSE_S = 3600.0
"""Readings further apart than this differ because the room does."""
FEWEST = 12
"""Readings in a row from which jitter can be told."""
HOURS_SD = (0.7, 2.0)
"""How far hours are from those of the usual day in rooms in general [°C, %]: common practice, no source."""
STEADY = (0.2, 1.0)
"""Jitter of a sensor that nobody need doubt [°C, %]: common practice, no source. Only what is above it counts."""
SEED = 20261125
"""Of the draw: fixed, so that equal facts give an equal forecast."""


@dataclass(frozen=True)
class Gap:
    """Of a record, from one reading to the next; how the room goes when left alone, each [°C, %]."""

    begin_s: float
    end_s: float
    days_sd: tuple[float, float]
    """How far its days differ."""
    hours_sd: tuple[float, float]
    """How far the hours of a day are from those of the usual day."""
    usual: tuple[tuple[float, ...], ...]
    """Its usual day by eighths, UTC, about its mean; beside it the room's mean does not matter."""
    is_open: bool = False
    """Nothing was read at its end: the room may be anywhere by then."""


@dataclass(frozen=True)
class GapUncertainty:
    """What is not known of a piece's past air. `time_s` are the knots of the air it belongs to [s since 1970]."""

    time_s: Array
    sensor_bias_sd: Array
    """By how much the sensor may be off at each knot: (2, knots) [°C, %]."""
    gaps: tuple[Gap, ...]

    def facts(self, from_s: float, until_s: float = math.inf) -> bytes:
        """All that bears on [from_s, until_s], to be hashed."""
        first = max(0, int(np.searchsorted(self.time_s, from_s, "right")) - 1)
        count = int(np.searchsorted(self.time_s, until_s, "left")) + 1
        gaps = [gap for gap in self.gaps if gap.end_s > from_s and gap.begin_s < until_s]
        return np.ascontiguousarray(self.sensor_bias_sd[:, first:count]).tobytes() + repr(gaps).encode()


def gap_uncertainty_of(air: Air, until_s: float | None = None) -> GapUncertainty | None:
    """What is not known of `air` (time [s since 1970], °C, %); None: nothing that would count.

    `until_s`: up to when it bears on something that has no future of its own [s since 1970]; a gap from the last
    reading up to there is open.
    """
    time = air[0]
    ends = time if until_s is None else np.append(time, until_s)
    gaps = tuple(
        Gap(float(ends[i]), float(ends[i + 1]), *_variability(air, int(i)), is_open=int(i) + 1 == len(time))
        for i in np.flatnonzero(np.diff(ends) > SILENT_S).tolist()
    )
    if len(time) < 2:
        return GapUncertainty(time, np.zeros((2, 1)), gaps) if gaps else None
    off = np.stack([_excess_jitter(time, values, steady) for values, steady in zip(air[1:], STEADY, strict=True)])
    return GapUncertainty(time, off, gaps) if gaps or off.any() else None


def conditional_samples(air: Air, uncertainty: GapUncertainty, members: int, from_s: float = -math.inf) -> list[Air]:
    """The past of each member, from the knot before `from_s` [s since 1970] on."""
    if not members:
        return []
    first = max(0, int(np.searchsorted(air[0], from_s, "right")) - 1)
    begin_s = float(air[0][first])
    gaps = [gap for gap in uncertainty.gaps if gap.end_s > begin_s]
    inner = [_knots(gap) for gap in gaps]
    time = np.union1d(air[0][first:], np.concatenate(inner)) if inner else air[0][first:]
    z = correlated_normals(members, (SEED, 0))
    off = np.stack([np.interp(time, uncertainty.time_s, sd) for sd in uncertainty.sensor_bias_sd])
    moved = z[:, :, None] * off[:, None]
    for gap, knots in zip(gaps, inner, strict=True):
        at = np.searchsorted(time, knots)
        moved[:, :, at] += _bridge(gap, knots, members)
    base = np.stack([np.interp(time, air[0], values) for values in air[1:]])
    temp, rh = base[:, None] + moved
    # what was read stays what was read, however cold or damp: only what is made up keeps within bounds
    temp = np.where(moved[0] == 0, base[0], np.clip(temp, *TEMP_RANGE))
    rh = np.where(moved[1] == 0, base[1], np.clip(rh, *RH_RANGE))
    return [(time, temp[row], rh[row]) for row in range(members)]


def with_sensor_bias(ahead: RoomScenarios, uncertainty: GapUncertainty, members: int) -> tuple[Array, Array]:
    """Temperature and humidity to come, (1 + members, knots): a sensor that was off tells a future that is off."""
    temp, rh = ahead.temp_c[: 1 + members].copy(), ahead.rh_pct[: 1 + members].copy()
    last = uncertainty.sensor_bias_sd[:, -1]
    if not members or not last.any():
        return temp, rh
    off = correlated_normals(members, (SEED, 0)) * last[:, None]
    temp[1:] = np.clip(temp[1:] + off[0][:, None], *TEMP_RANGE)
    rh[1:] = np.clip(rh[1:] + off[1][:, None], *RH_RANGE)
    return temp, rh


def _knots(gap: Gap) -> Array:
    """The moments within a gap at which a bridge may bend."""
    count = min(MOST_KNOTS, max(2, round((gap.end_s - gap.begin_s) / KNOT_S)))
    return np.linspace(gap.begin_s, gap.end_s, count + 1)[1 : None if gap.is_open else -1]


def _bridge(gap: Gap, knots: Array, members: int) -> Array:
    """How far each member is from the straight line: (2, members, knots).

    The usual day, and two wanders: as the days of a room drift in the future, and as errors of an outlook last.
    """
    edges = np.array([gap.begin_s, gap.begin_s if gap.is_open else gap.end_s])
    day = np.stack([_usual(usual, knots) - np.interp(knots, edges, _usual(usual, edges)) for usual in gap.usual])
    since = (knots if gap.is_open else np.append(knots, gap.end_s)) - gap.begin_s
    slow, fast = (
        _ornstein_uhlenbeck(since, lasts_s, members, int(gap.begin_s) + 1 + i)
        for i, lasts_s in enumerate((DRIFT_TIME_CONSTANT_S, ERROR_TIME_CONSTANT_H * 3600))
    )
    if not gap.is_open:
        slow, fast = _bridged(slow, since, DRIFT_TIME_CONSTANT_S), _bridged(fast, since, ERROR_TIME_CONSTANT_H * 3600)
    days_sd, hours_sd = np.array(gap.days_sd)[:, None, None], np.array(gap.hours_sd)[:, None, None]
    return np.asarray(day[:, None] + days_sd * slow + hours_sd * fast)


def _usual(usual: tuple[float, ...], time_s: Array) -> Array:
    """The usual day at `time_s`, its eighths' middles joined by lines."""
    return np.interp(time_s % DAY_S, (np.arange(EIGHTHS) + 0.5) * DAY_S / EIGHTHS, usual, period=DAY_S)


def _ornstein_uhlenbeck(since: Array, lasts_s: float, members: int, which: int) -> Array:
    """Ornstein-Uhlenbeck paths from 0 towards unit variance at moments `since` then [s]: (2, members, moments)."""
    kept = np.exp(-np.diff(since, prepend=0.0) / lasts_s)
    path, here = np.empty((2, members, len(since))), np.zeros((2, members))
    for k, share in enumerate(kept.tolist()):
        # of the gap and the knot alone: the same bridge whatever comes later
        here = share * here + math.sqrt(1 - share**2) * correlated_normals(members, (SEED, which + 4 * k))
        path[..., k] = here
    return path


def _bridged(path: Array, since: Array, lasts_s: float) -> Array:
    """A wander, conditioned to be nothing at the last of `since`, without that moment.

    x(t) - x(T) sinh(t/tau)/sinh(T/tau) for a path x from 0.
    """
    # sinh(t)/sinh(T) without what overflows in a gap of years
    t = since / lasts_s
    gain = np.exp(t - t[-1]) * np.expm1(-2 * t) / np.expm1(-2 * t[-1])
    return np.asarray((path - path[..., -1:] * gain)[..., :-1])


Two = tuple[float, float]


def _variability(air: Air, last: int) -> tuple[Two, Two, tuple[tuple[float, ...], ...]]:
    """How far the room's days and hours differ and its usual day (see Gap), by its days up to the knot `last`.

    The fewer they are, the more they lean on rooms in general, and the flatter is the usual day.
    """
    time = air[0]
    own = slice(int(np.searchsorted(time, time[last] - HISTORY_S)), last + 1)
    _, day = np.unique(np.floor(time[own] / DAY_S), return_inverse=True)
    eighth = np.floor(time[own] % DAY_S / DAY_S * EIGHTHS).astype(np.intp)
    count, heard = np.bincount(day), np.bincount(eighth, minlength=EIGHTHS)
    prior = fading(float(len(count)))
    days, hours, usual = [], [], []
    for values, days_sd, hours_sd in zip(air[1:], DRIFT_SD.tolist(), HOURS_SD, strict=True):
        means = np.bincount(day, values[own]) / count
        off = values[own] - means[day]
        shape = np.bincount(eighth, off, EIGHTHS) / np.maximum(heard, 1)
        days.append(math.sqrt((1 - prior) * float(means.var()) + prior * days_sd**2))
        hours.append(math.sqrt((1 - prior) * float((off - shape[eighth]).var()) + prior * hours_sd**2))
        usual.append(tuple(((1 - prior) * (shape - shape.mean())).tolist()))
    return (days[0], days[1]), (hours[0], hours[1]), tuple(usual)


def _excess_jitter(time: Array, values: Array, steady: float) -> Array:
    """By how much the readings jitter beyond what is usual, at each knot, by those before its epoch."""
    left, right = np.diff(time)[:-1], np.diff(time)[1:]
    share = left / (left + right)
    off = values[1:-1] - (values[:-2] + share * (values[2:] - values[:-2]))
    # of white noise the departure from the line between the neighbours has this much more variance
    off = np.abs(off) / np.sqrt(1 + share**2 + (1 - share) ** 2)
    off[(left > CLOSE_S) | (right > CLOSE_S)] = np.nan
    seen = time[2:]  # a departure is known when its right neighbour is
    epoch = np.floor(time / EPOCH_S)
    found = np.zeros(len(time))
    for one in np.unique(epoch).tolist():
        begin, end = np.searchsorted(seen, [one * EPOCH_S - WINDOW_S, one * EPOCH_S])
        known = off[begin:end]
        known = known[np.isfinite(known)]
        if len(known) >= FEWEST:
            jitter = 1.4826 * float(np.median(known))  # the median of |N(0, 1)| is 1/1.4826
            found[epoch == one] = math.sqrt(max(jitter**2 - steady**2, 0.0))
    return found
