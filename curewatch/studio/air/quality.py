"""One room's readings, judged and merged: which of them its air is made of, and what was wrong with the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array, Flags
from curewatch.studio.air import sensor_faults
from curewatch.studio.air.flaws import QUANTITIES, TYPED, Finding, Flaw

SPIKE = (3.0, 12.0)
"""A single reading this far from both its neighbours, to one side, is a spike [°C, %]..."""
SPIKE_RATIO = 4.0
"""...if they differ from each other by less than so many times as little,"""
SPIKE_SPAN_S = 2 * 3600.0
"""and lie no further apart than this [s]: in a longer time a room may well go and come back."""
GAP_INTERVALS, GAP_LEAST_S = 4.0, 2 * 3600.0
"""A silence of this many of the room's usual intervals, and of at least this [s], is a gap."""


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
        findings += _without_impossible(r, own, name)
        for quantity, limit in zip(QUANTITIES, SPIKE, strict=True):
            findings += _without_spikes(r, own, name, quantity, limit)
    stuck = _stuck_ones(r)
    for finding in stuck:
        if finding.others:
            _leave_out(r, finding)
    used, compared = merged(r)
    findings += stuck + compared + _silent(r)
    disbelieved = [one for one in findings if one.flaw in (Flaw.STUCK, Flaw.IMPOSSIBLE)]
    findings += [gap for gap in _gaps(used) if not any(one.overlaps(gap) for one in disbelieved)]
    return used, tuple(sorted(findings, key=lambda f: (f.since_s, f.flaw, f.source or "", f.quantity or "")))


def _without_impossible(r: Readings, own: NDArray[np.intp], name: str) -> list[Finding]:
    """Values of one source that no room can have, by quantity; they are taken out of `r`."""
    found: list[Finding] = []
    bad = own[sensor_faults.impossible(r.temp_c[own], r.rh_pct[own])]
    low, high = sensor_faults.ROOM_TEMP_C
    with np.errstate(invalid="ignore"):
        by_temp = bad[(r.temp_c[bad] < low) | (r.temp_c[bad] > high)]
    found += _listed(Flaw.IMPOSSIBLE, r, by_temp, name, "temp_c")
    found += _listed(Flaw.IMPOSSIBLE, r, np.setdiff1d(bad, by_temp), name, "rh_pct")
    r.temp_c[bad] = r.rh_pct[bad] = np.nan
    known = own[np.isfinite(r.rh_pct[own])]
    leapt = known[sensor_faults.jumped_to_the_end(r.epoch_s[known], r.rh_pct[known])]
    found += _listed(Flaw.IMPOSSIBLE, r, leapt, name, "rh_pct")
    r.rh_pct[leapt] = np.nan
    return found


def _listed(flaw: Flaw, r: Readings, at: NDArray[np.intp], name: str, quantity: str) -> list[Finding]:
    """One finding for all of these readings, if there are any: a broken wire would fill a page."""
    if not len(at):
        return []
    first, last = float(r.epoch_s[at[0]]), float(r.epoch_s[at[-1]])
    return [Finding(flaw, first, last, name, quantity, float(getattr(r, quantity)[at[-1]]), count=len(at))]


def _without_spikes(r: Readings, own: NDArray[np.intp], name: str, quantity: str, limit: float) -> list[Finding]:
    """The single spikes of one source in one quantity, which are taken out of `r`."""
    values = getattr(r, quantity)
    known = own[np.isfinite(values[own])]
    known = known[np.append(True, np.diff(r.epoch_s[known]) > 0)] if len(known) else known
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


def _stuck_ones(r: Readings) -> list[Finding]:
    """Sensors that stood still for too long, in all they measure or in one quantity."""
    finite = {quantity: np.isfinite(getattr(r, quantity)) for quantity in QUANTITIES}
    known = {
        (name, quantity): (r.source == number) & finite[quantity]
        for number, name in enumerate(r.sources)
        if name != TYPED
        for quantity in QUANTITIES
    }
    found: list[Finding] = []
    for name in dict.fromkeys(name for name, _ in known):
        pairs = known[name, "temp_c"] & known[name, "rh_pct"]
        both = sensor_faults.both_stuck(r.epoch_s[pairs], r.temp_c[pairs], r.rh_pct[pairs])
        whole = [replace(still, source=name) for still in both]
        for quantity in QUANTITIES:
            values, own = getattr(r, quantity), known[name, quantity]
            beside = [(r.epoch_s[at], values[at]) for (n, q), at in known.items() if n != name and q == quantity]
            stills = sensor_faults.stuck(r.epoch_s[own], values[own], quantity, beside)
            ones = [replace(still, source=name, quantity=quantity) for still in stills]
            found += [one for one in ones if not any(map(one.overlaps, whole))]
        found += whole
    return [replace(one, others=_telling(r, one, found)) for one in found]


def _telling(r: Readings, finding: Finding, stuck: list[Finding]) -> int:
    """How many sources were read, in both quantities, while this one was stuck and they were not."""
    stuck_too = {one.source for one in stuck if one.overlaps(finding)}
    during = (r.epoch_s >= finding.since_s) & (r.epoch_s <= finding.until_s)
    count = 0
    for name in set(r.sources) - stuck_too:
        there = during & (r.source == r.sources.index(name))
        count += all(np.isfinite(getattr(r, quantity)[there]).sum() >= 2 for quantity in QUANTITIES)
    return count


def _leave_out(r: Readings, finding: Finding) -> None:
    number = r.sources.index(finding.source or "")
    gone = (r.source == number) & (r.epoch_s >= finding.since_s) & (r.epoch_s <= finding.until_s)
    for quantity in QUANTITIES if finding.quantity is None else (finding.quantity,):
        getattr(r, quantity)[gone] = np.nan


def _silent(r: Readings) -> list[Finding]:
    """Sensors that are silent while others of the room are heard."""
    if not len(r.epoch_s):
        return []
    newest, found = float(r.epoch_s[-1]), []
    for number, name in enumerate(r.sources):
        since = None if name == TYPED else sensor_faults.silent_since(r.epoch_s[r.source == number], newest)
        if since is not None:
            found.append(Finding(Flaw.SILENT, since, newest, name, after_s=sensor_faults.SILENT_LEAST_S))
    return found


def _gaps(r: Readings) -> list[Finding]:
    """Silences of the room, in whatever it measures."""
    if len(r.epoch_s) < 3:
        return []
    steps = np.diff(r.epoch_s)
    moments = steps[steps > MERGE_S / 2]
    usual = float(np.median(moments)) if len(moments) else 0.0
    silent = np.flatnonzero(steps > max(GAP_LEAST_S, GAP_INTERVALS * usual))
    return [Finding(Flaw.GAP, float(r.epoch_s[i]), float(r.epoch_s[i + 1])) for i in silent.tolist()]


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
            # of two sources each lies half their difference from the median; of more, the odd one lies all of it
            share = 2.0 if len(both) and float(np.median(seen[:, both].sum(axis=0))) == 2.0 else 1.0
            off = float(np.median(table[row, both] - middle[both])) * share if len(both) else 0.0
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
    reach = max(LIVE_LEAST_S, LIVE_INTERVALS * float(np.median(np.diff(t)))) if len(t) > 2 else LIVE_LEAST_S
    reach = min(reach, SPAN_S)
    left = np.clip(np.searchsorted(t, epoch_s, "right") - 1, 0, len(t) - 1)
    right = np.minimum(left + 1, len(t) - 1)
    between = (epoch_s >= t[0]) & ((t[right] - t[left] <= reach) & (epoch_s <= t[right]))
    near = np.minimum(np.abs(epoch_s - t[left]), np.abs(epoch_s - t[right])) <= MERGE_S
    return np.where(between | near, np.interp(epoch_s, t, v), np.nan)


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
