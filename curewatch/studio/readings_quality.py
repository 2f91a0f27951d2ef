"""One room's readings, judged: which of them its air is made of, and what was wrong with the rest.

Facts are never changed: a reading that is not used stays in the store and is only marked here. Judged are, for each
source and quantity, single spikes and sensors that are stuck at one value; for the room, sensors that disagree and
gaps. Several sensors in a room are merged by the median of those that are live at the moment.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

TYPED = "typed"
QUANTITIES = ("temp_c", "rh_pct")
SPIKE = (3.0, 12.0)
"""A single reading this far from both its neighbours, to one side, is a spike [°C, %]..."""
SPIKE_RATIO = 4.0
"""...if they differ from each other by less than so many times as little,"""
SPIKE_SPAN_S = 2 * 3600.0
"""and lie no further apart than this [s]: in a longer time a room may well go and come back."""
STUCK_S, STUCK_READINGS = 24 * 3600.0, 24
"""A sensor whose every value has been the very same for so long [s], and in so many readings, is stuck."""
DISAGREE = (1.5, 8.0)
"""Sensors whose median distance from the room's is more than this disagree [°C, %]."""
LIVE_INTERVALS, LIVE_LEAST_S = 3.0, 1800.0
"""Between two readings of a source no further apart than this many of its usual intervals, or this [s], it is live."""
GAP_INTERVALS, GAP_LEAST_S = 4.0, 2 * 3600.0
"""A silence of this many of the room's usual intervals, and of at least this [s], is a gap."""
MERGE_S = 300.0
"""Sensors' readings this close count as of one moment [s]."""


class Flaw(StrEnum):
    SPIKE = "spike"
    STUCK = "stuck"
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
    """How far off [°C, %]: of a spike, of a disagreement; negative below."""


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


def examined(readings: Readings) -> tuple[Readings, tuple[Finding, ...]]:
    """Judge the readings of a room: spikes out, stuck sensors out where another lives, the rest merged.

    Returns those that are used, as of one source, and what was found.
    """
    order = np.argsort(readings.epoch_s, kind="stable")
    r = replace(
        readings,
        **{name: getattr(readings, name)[order].copy() for name in ("epoch_s", "temp_c", "rh_pct", "source", "live")},
    )
    findings: list[Finding] = []
    for number, name in enumerate(r.sources):
        own = np.flatnonzero(r.source == number)
        own = own[np.concatenate([[True], np.diff(r.epoch_s[own]) > 0])] if len(own) else own
        for quantity, limit in zip(QUANTITIES, SPIKE, strict=True):
            findings += _without_spikes(r, own, name, quantity, limit)
    stuck = [finding for number in range(len(r.sources)) if (finding := _stuck(r, number))]
    moving = set(r.sources) - {finding.source for finding in stuck}
    for finding in stuck:
        if any(_covers(r, name, finding) for name in moving):
            _leave_out(r, finding)
    merged, disagreeing = _merged(r)
    findings += stuck + disagreeing + _gaps(merged)
    return merged, tuple(sorted(findings, key=lambda f: (f.since_s, f.flaw, f.source or "", f.quantity or "")))


def _without_spikes(r: Readings, own: NDArray[np.intp], name: str, quantity: str, limit: float) -> list[Finding]:
    """The single spikes of one source in one quantity, which are taken out of `r`."""
    values = getattr(r, quantity)
    known = own[np.isfinite(values[own])]
    if len(known) < 3:
        return []
    v, t = values[known], r.epoch_s[known]
    before, after = v[1:-1] - v[:-2], v[1:-1] - v[2:]
    off = np.minimum(np.abs(before), np.abs(after))
    odd = (
        (before * after > 0)
        & (off > limit)
        & (np.abs(v[2:] - v[:-2]) * SPIKE_RATIO < off)
        & (t[2:] - t[:-2] <= SPIKE_SPAN_S)
    )
    at = np.flatnonzero(odd) + 1
    found = [
        Finding(Flaw.SPIKE, float(t[i]), float(t[i]), name, quantity, float(v[i] - (v[i - 1] + v[i + 1]) / 2))
        for i in at.tolist()
    ]
    values[known[at]] = np.nan
    return found


def _stuck(r: Readings, number: int) -> Finding | None:
    """Whether a sensor's values, all it measures, have not changed at all up to its last reading."""
    own = np.flatnonzero(r.source == number)
    if r.sources[number] == TYPED or len(own) < STUCK_READINGS:
        return None
    since = -np.inf
    for quantity in QUANTITIES:
        known = own[np.isfinite(getattr(r, quantity)[own])]
        if len(known):
            values = getattr(r, quantity)[known]
            other = np.flatnonzero(values != values[-1])
            since = max(since, r.epoch_s[known[other[-1] + 1 if len(other) else 0]])
    until = r.epoch_s[own[-1]]
    count = int((r.epoch_s[own] >= since).sum())
    if not np.isfinite(since) or until - since < STUCK_S or count < STUCK_READINGS:
        return None
    return Finding(Flaw.STUCK, float(since), float(until), r.sources[number])


def _covers(r: Readings, name: str, finding: Finding) -> bool:
    """Whether another source was read, both quantities of it, while this one was stuck."""
    there = (r.source == r.sources.index(name)) & (r.epoch_s >= finding.since_s) & (r.epoch_s <= finding.until_s)
    return all(np.isfinite(getattr(r, quantity)[there]).sum() >= 2 for quantity in QUANTITIES)


def _leave_out(r: Readings, finding: Finding) -> None:
    number = r.sources.index(finding.source or "")
    gone = (r.source == number) & (r.epoch_s >= finding.since_s)
    r.temp_c[gone] = r.rh_pct[gone] = np.nan


def _merged(r: Readings) -> tuple[Readings, list[Finding]]:
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
        middle = np.where(seen.any(axis=0), np.nanmedian(np.where(seen.any(axis=0), table, 0.0), axis=0), np.nan)
        merged[quantity] = np.where(known, middle, np.nan)
        for row, number in enumerate(numbers.tolist()):
            both = np.flatnonzero(seen[row] & several)
            off = float(np.median(table[row, both] - middle[both])) * _share(seen[:, both]) if len(both) else 0.0
            if abs(off) > limit:
                since, until = float(r.epoch_s[both[0]]), float(r.epoch_s[both[-1]])
                found.append(Finding(Flaw.DISAGREE, since, until, r.sources[number], quantity, off))
    return _only(replace(r, temp_c=merged["temp_c"], rh_pct=merged["rh_pct"]), used), found


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
    reach = min(reach, SPIKE_SPAN_S)
    left = np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)
    right = np.minimum(left + 1, len(t) - 1)
    between = (epoch_s >= t[0]) & ((t[right] - t[left] <= reach) & (epoch_s <= t[right]))
    near = np.minimum(np.abs(epoch_s - t[left]), np.abs(epoch_s - t[right])) <= MERGE_S
    return np.where(between | near, np.interp(epoch_s, t, v), np.nan)


def _gaps(r: Readings) -> list[Finding]:
    """Silences of the room, in whatever it measures."""
    if len(r.epoch_s) < 3:
        return []
    steps = np.diff(r.epoch_s)
    moments = steps[steps > MERGE_S / 2]
    usual = float(np.median(moments)) if len(moments) else 0.0
    silent = np.flatnonzero(steps > max(GAP_LEAST_S, GAP_INTERVALS * usual))
    return [Finding(Flaw.GAP, float(r.epoch_s[i]), float(r.epoch_s[i + 1])) for i in silent.tolist()]
