"""One room's readings, judged: which of them its air is made of, and what was wrong with the rest.

Facts are never changed: a reading that is not used stays in the store and is only marked here. Judged are, for each
source, values that no room can have, single spikes, and sensors that are stuck at one value; for the room, sensors
that disagree, move apart or fall silent beside others, and gaps. Several sensors in a room are merged by the median of
those that are live at the moment.

A stuck sensor is left out while another tells of the room. Alone it is used, for there is nothing better and its other
quantity may be all right; but where it is sure to be stuck the room counts as unread (`conditions.fresh_code`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from curewatch.studio.air import part_studio_sensor_drift, sensor_faults
from curewatch.studio.air.flaws import QUANTITIES, TYPED, Finding, Flaw, Readings
from curewatch.studio.air.part_studio_merging import MERGE_S, merged

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
    findings += [gap for gap in _gaps(used) if not _explained(gap, findings)]
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
        whole = [_stuck(name, None, still) for still in both]
        for quantity in QUANTITIES:
            values, own = getattr(r, quantity), known[name, quantity]
            beside = [(r.epoch_s[at], values[at]) for (n, q), at in known.items() if n != name and q == quantity]
            stills = sensor_faults.stuck(r.epoch_s[own], values[own], quantity, beside)
            ones = [_stuck(name, quantity, still) for still in stills]
            found += [one for one in ones if not any(map(one.overlaps, whole))]
        found += whole
    return [replace(one, others=_telling(r, one, found)) for one in found]


def _stuck(name: str, quantity: str | None, still: sensor_faults.Still) -> Finding:
    return Finding(Flaw.STUCK, still.since_s, still.until_s, name, quantity, after_s=still.after_s, sure=still.sure)


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
        since = None if name == TYPED else part_studio_sensor_drift.silent_since(r.epoch_s[r.source == number], newest)
        if since is not None:
            found.append(Finding(Flaw.SILENT, since, newest, name, after_s=part_studio_sensor_drift.SILENT_LEAST_S))
    return found


def _explained(gap: Finding, findings: list[Finding]) -> bool:
    """Whether readings there are, but none that is believed."""
    return any(one.flaw in (Flaw.STUCK, Flaw.IMPOSSIBLE) and one.overlaps(gap) for one in findings)


def _gaps(r: Readings) -> list[Finding]:
    """Silences of the room, in whatever it measures."""
    if len(r.epoch_s) < 3:
        return []
    steps = np.diff(r.epoch_s)
    moments = steps[steps > MERGE_S / 2]
    usual = float(np.median(moments)) if len(moments) else 0.0
    silent = np.flatnonzero(steps > max(GAP_LEAST_S, GAP_INTERVALS * usual))
    return [Finding(Flaw.GAP, float(r.epoch_s[i]), float(r.epoch_s[i + 1])) for i in silent.tolist()]
