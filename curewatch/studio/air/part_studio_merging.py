"""Several sensors in a room become one record: the median of those that are live, and who does not fit in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from curewatch.studio.air import part_studio_sensor_drift
from curewatch.studio.air.flaws import QUANTITIES, TYPED, Array, Finding, Flags, Flaw, Readings

DISAGREE = (1.5, 8.0)
"""Sensors whose median distance from the room's is more than this disagree [°C, %]."""
LIVE_INTERVALS, LIVE_LEAST_S = 3.0, 1800.0
"""Between two readings of a source no further apart than this many of its usual intervals, or this [s], it is live."""
SPAN_S = 2 * 3600.0
"""No source counts as live for longer than this without a reading [s]."""
MERGE_S = 300.0
"""Sensors' readings this close count as of one moment [s]."""


def merged(r: Readings) -> tuple[Readings, list[Finding]]:
    """One record for the room: the median of the sources that are live, at the moments of any of them."""
    used = np.isfinite(r.temp_c) | np.isfinite(r.rh_pct)
    numbers = np.unique(r.source[used])
    if len(numbers) < 2:
        return _only(r, used), []
    found: list[Finding] = []
    merged: dict[str, Array] = {}
    for quantity, limit in zip(QUANTITIES, DISAGREE, strict=True):
        values = getattr(r, quantity)
        known = np.isfinite(values)
        table = np.stack([_followed(r.epoch_s, values, known & (r.source == number)) for number in numbers])
        seen = np.isfinite(table)
        several = seen.sum(axis=0) > 1
        middle = middle_of(table)
        merged[quantity] = np.where(known, middle, np.nan)
        drifting = _drifting(r, table, numbers.tolist(), quantity)
        found += drifting
        for row, number in enumerate(numbers.tolist()):
            both = np.flatnonzero(seen[row] & several)
            if any(r.sources[number] == one.source for one in drifting):
                continue  # of two things to say, the one that tells more
            off = float(np.median(table[row, both] - middle[both])) * _share(seen[:, both]) if len(both) else 0.0
            if abs(off) > limit:
                since, until = float(r.epoch_s[both[0]]), float(r.epoch_s[both[-1]])
                found.append(Finding(Flaw.DISAGREE, since, until, r.sources[number], quantity, off))
    return _only(replace(r, temp_c=merged["temp_c"], rh_pct=merged["rh_pct"]), used), found


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
        if r.sources[number] == TYPED or not there.any():
            continue
        apart = np.full(len(r.epoch_s), np.nan)
        apart[there] = table[row, there] - middle_of(rest[:, there])
        moved = part_studio_sensor_drift.drift(r.epoch_s, apart, quantity)
        if moved is not None:
            since, until = (float(r.epoch_s[np.flatnonzero(there)[i]]) for i in (0, -1))
            one = Finding(Flaw.DRIFT, since, until, r.sources[number], quantity, moved, others=len(numbers) - 1)
            found.append(one)
            if len(numbers) == 2:
                break
    return found


def _share(seen: Flags) -> float:
    """Of two sources each lies half their difference from the median; of more, the odd one lies all of it."""
    return 2.0 if float(np.median(seen.sum(axis=0))) == 2.0 else 1.0


def _only(r: Readings, used: Flags) -> Readings:
    columns = {name: getattr(r, name)[used] for name in ("epoch_s", "temp_c", "rh_pct", "live")}
    return Readings(**columns, source=np.zeros(int(used.sum()), dtype=np.int64), sources=("",))


def _followed(epoch_s: Array, values: Array, own: Flags) -> Array:
    """One source's value at every moment at which it is live (straight lines between its readings), else NaN."""
    t, v = epoch_s[own], values[own]
    if not len(t):
        return np.full(len(epoch_s), np.nan)
    reach = max(LIVE_LEAST_S, LIVE_INTERVALS * float(np.median(np.diff(t)))) if len(t) > 2 else LIVE_LEAST_S
    reach = min(reach, SPAN_S)
    left = np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)
    right = np.minimum(left + 1, len(t) - 1)
    between = (epoch_s >= t[0]) & ((t[right] - t[left] <= reach) & (epoch_s <= t[right]))
    near = np.minimum(np.abs(epoch_s - t[left]), np.abs(epoch_s - t[right])) <= MERGE_S
    return np.where(between | near, np.interp(epoch_s, t, v), np.nan)
