"""One record of a room's air out of what its sensors say and people type."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array, Flags
from curewatch.studio.air import sensor_faults
from curewatch.studio.air.flaws import QUANTITIES, TYPED, Finding, Flaw

DISAGREE = (1.5, 8.0)
"""Sensors whose median distance from each other, or from the room's, is more than this disagree [°C, %]; so do a
sensor and a thermometer beside it."""
PARTED_S, PARTED_LEAST = 3 * 3600.0, 6
"""Over so long a time at the end of their record [s], of at least so many moments, they have parted."""
STEADY = (0.3, 2.0)
"""What a cheap sensor is off by all the time, 1 sd [°C, %] (model section 6)."""
LIVE_INTERVALS, LIVE_LEAST_S = 3.0, 1800.0
"""Between two readings of a source no further apart than this many of its usual intervals, or this [s], it is live."""
SPAN_S = 2 * 3600.0
"""No source counts as live for longer than this without a reading [s]."""
MERGE_S = 300.0
"""Sensors' readings this close count as of one moment [s]."""
HOUR_S, DAY_S = 3600.0, 86400.0


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


def merged(
    r: Readings, spikes: Sequence[Finding] = (), aside: Mapping[int, Flags] = MappingProxyType({})
) -> tuple[Readings, list[Finding]]:
    """One record for the room, at the moments of any of its sources: what the live sensors say, by their record.

    Of two the mean counts, each weighed by how steady it was for a day; of more the median. What was typed beside a
    live sensor is a check of it and no part of the air; where no sensor is live, it is all there is.
    """
    used = np.isfinite(r.temp_c) | np.isfinite(r.rh_pct)
    numbers = np.unique(r.source[used])
    if len(numbers) < 2:
        return _only(r, used), []
    found: list[Finding] = []
    merged: dict[str, Array] = {}
    sensors = [int(number) for number in numbers if r.sources[number] != TYPED]
    by_hand = np.isin(r.source, [number for number, name in enumerate(r.sources) if name == TYPED])
    for quantity, limit, steady in zip(QUANTITIES, DISAGREE, STEADY, strict=True):
        values = getattr(r, quantity)
        known = np.isfinite(values)
        own = [known & (r.source == number) for number in sensors]
        lives = [_is_live(r.epoch_s, mine) & ~aside.get(n, np.False_) for n, mine in zip(sensors, own, strict=True)]
        live = np.array(lives).reshape(len(own), len(known)).any(axis=0)
        table = np.stack([_followed(r.epoch_s, values, mine) for mine in own]) if own else np.empty((0, len(known)))
        apart = [
            _checked(r.epoch_s, values, known & by_hand & alive, mine) for mine, alive in zip(own, lives, strict=True)
        ]
        spread = [
            _error_variance(r.epoch_s, values, mine, _odd(spikes, r.sources[number], quantity), checks, steady)
            for number, mine, checks in zip(sensors, own, apart, strict=True)
        ]
        typed = np.where(np.isfinite(table).any(axis=0), np.nan, _followed(r.epoch_s, values, known & by_hand & ~live))
        middle = _weighed(np.vstack([table, typed]), np.vstack([*spread, np.ones_like(typed)]))
        merged[quantity] = np.where(known & ~(by_hand & live), middle, np.nan)
        drifting = _drifting(r, table, sensors, quantity)
        found += drifting + _disagreeing(r, table, sensors, quantity, limit, {one.source for one in drifting})
        for number, checks in zip(sensors, apart, strict=True):
            found += _check(r, number, quantity, checks[-1:], limit)
    there = np.isfinite(merged["temp_c"]) | np.isfinite(merged["rh_pct"])
    return _only(replace(r, temp_c=merged["temp_c"], rh_pct=merged["rh_pct"]), there), found


Apart = list[tuple[float, float]]
"""When [s], and by how much [°C, %]."""


def _checked(epoch_s: Array, values: Array, typed: Flags, own: Flags) -> Apart:
    """How far what was typed was from what the sensor said then, or had said just before."""
    said = _followed(epoch_s, values, own)
    t, v = epoch_s[own], values[own]
    if len(t):
        last = v[np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)]
        said = np.where(np.isnan(said), last, said)
    there = np.flatnonzero(typed)
    return list(zip(epoch_s[there].tolist(), (values[there] - said[there]).tolist(), strict=True))


def _check(r: Readings, number: int, quantity: str, checks: Apart, limit: float) -> list[Finding]:
    """The question that the last check of a sensor raises, if they are far apart."""
    return [
        Finding(Flaw.CHECK, at, at, r.sources[number], quantity, size=off, value=_typed_at(r, quantity, at))
        for at, off in checks
        if abs(off) > limit
    ]


def _typed_at(r: Readings, quantity: str, at: float) -> float:
    hand = [number for number, name in enumerate(r.sources) if name == TYPED]
    return float(getattr(r, quantity)[np.flatnonzero((r.epoch_s == at) & np.isin(r.source, hand))[-1]])


def _odd(spikes: Sequence[Finding], source: str, quantity: str) -> Apart:
    return [(one.since_s, one.size or 0.0) for one in spikes if one.source == source and one.quantity == quantity]


def _error_variance(epoch_s: Array, values: Array, own: Flags, spikes: Apart, checks: Apart, steady: float) -> Array:
    """How far off a sensor is taken to be at each moment [°C2, %2]: by its record in the day before that hour.

    Its jitter counts (each reading against its neighbours), its spikes, and the checks of it. Nothing later does:
    what is made of readings must not change as the next ones come in.
    """
    t, v = epoch_s[own], values[own]
    jitter = zip(t[2:].tolist(), (v[1:-1] - (v[:-2] + v[2:]) / 2).tolist(), strict=True)
    hour = np.floor(epoch_s / HOUR_S) * HOUR_S
    return np.asarray(steady**2 + _mean_square([*jitter, *spikes], hour) + _mean_square(checks, hour))


def _mean_square(apart: Apart, until_s: Array) -> Array:
    """Of what was off in the day up to each of these moments [°C2, %2]; 0 where nothing was."""
    at, off = (np.array([pair[i] for pair in apart]) for i in (0, 1))
    order = np.argsort(at, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(off[order] ** 2)])
    first, last = (np.searchsorted(at[order], until_s - back) for back in (DAY_S, 0.0))
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))


def _weighed(table: Array, variance: Array) -> Array:
    """What the sources say together at each moment: of two the weighed mean, else the median."""
    there = np.isfinite(table)
    weight = np.where(there, 1 / variance, 0.0)
    total = weight.sum(axis=0)
    mean = (weight * np.where(there, table, 0.0)).sum(axis=0) / np.where(total > 0, total, 1.0)
    return np.where(there.sum(axis=0) == 2, mean, middle_of(table))


def _disagreeing(
    r: Readings, table: Array, numbers: list[int], quantity: str, limit: float, told: set[str | None]
) -> list[Finding]:
    """Sensors that are apart from each other, all along or of late. Of one that drifts that is not said too."""
    found = []
    for row, number in enumerate(numbers):
        rest = np.delete(table, row, axis=0)
        both = np.flatnonzero(np.isfinite(table[row]) & np.isfinite(rest).any(axis=0))
        if not len(both) or r.sources[number] in told:
            continue
        # of more than two, the odd one is held against the room
        off = table[row, both] - middle_of(rest[:, both] if len(numbers) == 2 else table[:, both])
        late = off[r.epoch_s[both] > r.epoch_s[both[-1]] - PARTED_S]
        for part in (off, late if len(late) >= PARTED_LEAST else off[:0]):
            if len(part) and abs(float(np.median(part))) > limit:
                since, until = float(r.epoch_s[both[-len(part)]]), float(r.epoch_s[both[-1]])
                size = float(np.median(part))
                found.append(Finding(Flaw.DISAGREE, since, until, r.sources[number], quantity, size))
                break
    return found


def middle_of(table: Array) -> Array:
    """The median of each column (rows, columns) of what is not NaN; NaN where nothing is.

    numpy's nanmedian does the same with masked arrays, and cost a daemon at rest a fifth of what it did at all.
    """
    ordered, count = np.sort(table, axis=0), np.isfinite(table).sum(axis=0)  # NaN comes last
    column = np.arange(table.shape[1])
    low, high = ordered[np.maximum(count - 1, 0) // 2, column], ordered[np.minimum(count // 2, len(table) - 1), column]
    return np.asarray(np.where(count > 0, (low + high) / 2, np.nan))


def _drifting(r: Readings, table: Array, numbers: list[int], quantity: str) -> list[Finding]:
    """Sensors that moved away from the others; of two that moved apart the first stands for both."""
    found = []
    for row, number in enumerate(numbers):
        rest = np.delete(table, row, axis=0)
        there = np.isfinite(table[row]) & np.isfinite(rest).any(axis=0)
        if not there.any():
            continue
        apart = np.full(len(r.epoch_s), np.nan)
        apart[there] = table[row, there] - middle_of(rest[:, there])
        moved = sensor_faults.drift(r.epoch_s, apart, quantity)
        if moved is not None:
            since, until = (float(r.epoch_s[np.flatnonzero(there)[i]]) for i in (0, -1))
            one = Finding(Flaw.DRIFT, since, until, r.sources[number], quantity, moved, others=len(numbers) - 1)
            found.append(one)
            if len(numbers) == 2:
                break
    return found


def _only(r: Readings, used: Flags) -> Readings:
    columns = {name: getattr(r, name)[used] for name in ("epoch_s", "temp_c", "rh_pct", "live")}
    return Readings(**columns, source=np.zeros(int(used.sum()), dtype=np.int64), sources=("",))


def _followed(epoch_s: Array, values: Array, own: Flags) -> Array:
    """One source's value at every moment at which it is live (straight lines between its readings), else NaN."""
    t, v = epoch_s[own], values[own]
    if not len(t):
        return np.full(len(epoch_s), np.nan)
    left = np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)
    right = np.minimum(left + 1, len(t) - 1)
    between = (epoch_s >= t[0]) & ((t[right] - t[left] <= _reach(t)) & (epoch_s <= t[right]))
    near = np.minimum(np.abs(epoch_s - t[left]), np.abs(epoch_s - t[right])) <= MERGE_S
    return np.where(between | near, np.interp(epoch_s, t, v), np.nan)


def _is_live(epoch_s: Array, own: Flags) -> Flags:
    """At which moments a source has just been heard, or is between two readings."""
    t = epoch_s[own]
    if not len(t):
        return np.zeros(len(epoch_s), dtype=bool)
    last = t[np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)]
    return np.asarray((epoch_s >= last) & (epoch_s - last <= _reach(t)) | (np.abs(epoch_s - last) <= MERGE_S))


def _reach(t: Array) -> float:
    """How long a source counts as live after a reading [s]."""
    usual = LIVE_INTERVALS * float(np.median(np.diff(t))) if len(t) > 2 else 0.0
    return min(max(LIVE_LEAST_S, usual), SPAN_S)


@dataclass(frozen=True)
class SensorCheck:
    """What was typed beside a live sensor, and by how much that is more than the sensor said."""

    source: str
    at_s: float
    temp_off_c: float | None
    rh_off_pct: float | None


def checks(r: Readings) -> list[SensorCheck]:
    """The last check of each sensor, as it spoke: nobody's word on it is taken into account."""
    by_hand = np.isin(r.source, [number for number, name in enumerate(r.sources) if name == TYPED])
    found = []
    for number, name in enumerate(r.sources):
        if name == TYPED:
            continue
        apart: dict[str, Apart] = {}
        for quantity in QUANTITIES:
            values = getattr(r, quantity)
            known = np.isfinite(values)
            own = known & (r.source == number)
            apart[quantity] = _checked(r.epoch_s, values, known & by_hand & _is_live(r.epoch_s, own), own)
        at_s = max((at for pairs in apart.values() for at, _ in pairs), default=None)
        if at_s is not None:
            found.append(SensorCheck(name, at_s, *(dict(apart[quantity]).get(at_s) for quantity in QUANTITIES)))
    return found
