"""One room's readings, judged and merged: which of them its air is made of, and what was wrong with the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from curewatch.physics.air import Array, Flags
from curewatch.records import SensorTrust, Trust
from curewatch.records.facts import TYPED
from curewatch.studio.air import sensors
from curewatch.studio.air.flaws import QUANTITIES, Finding, Flaw
from curewatch.studio.air.merging import MERGE_S, Readings, Rows, merged

SPIKE = (3.0, 12.0)
"""A single reading this far from both its neighbours, to one side, is a spike [°C, %]..."""
SPIKE_RATIO = 4.0
"""...if they differ from each other by less than so many times as little,"""
SPIKE_SPAN_S = 2 * 3600.0
"""and lie no further apart than this [s]: in a longer time a room may well go and come back."""
BESIDE_MOST = 16
"""So many other sensors, those that moved most, are asked whether the room moved while one stood still."""
GAP_INTERVALS, GAP_LEAST_S = 4.0, 2 * 3600.0
"""A silence of this many of the room's usual intervals, and of at least this [s], is a gap."""


def examined(readings: Readings, trusts: Sequence[SensorTrust] = ()) -> tuple[Readings, tuple[Finding, ...]]:
    """Judge the readings of a room: spikes out, stuck sensors out where another lives, the rest merged.

    `trusts`: what people said of its sensors.

    Returns those that are used, as of one source, and what was found.
    """
    order = np.argsort(readings.epoch_s, kind="stable")
    r = replace(
        readings,
        **{name: getattr(readings, name)[order].copy() for name in ("epoch_s", "temp_c", "rh_pct", "source", "live")},
    )
    findings: list[Finding] = []
    rows = dict(zip(r.sources, r.rows(), strict=True))
    for name, own in rows.items():
        findings += _without_impossible(r, own, name)
        for quantity, limit in zip(QUANTITIES, SPIKE, strict=True):
            findings += _without_spikes(r, own, name, quantity, limit)
    stuck = _stuck_ones(r, rows)
    for finding in stuck:
        if finding.others:
            _leave_out(r, finding, rows[finding.source or ""])
    set_aside, aside = _as_trusted(r, trusts)
    used, compared = merged(r, [one for one in findings if one.flaw is Flaw.SPIKE], aside)
    findings += stuck + set_aside + _silent(r, rows)
    findings += [one for one in compared if one.flaw is not Flaw.CHECK or not _answered(one, trusts)]
    # sensors that move apart disagree as well in the end: that is said once
    apart = {one.quantity: one for one in findings if one.flaw is Flaw.DRIFT}
    findings = [
        one
        for one in findings
        if one.flaw is not Flaw.DISAGREE or one.quantity not in apart or not one.overlaps(apart[one.quantity])
    ]
    disbelieved = [one for one in findings if one.flaw in (Flaw.STUCK, Flaw.IMPOSSIBLE)]
    findings += [gap for gap in _gaps(used) if not any(one.overlaps(gap) for one in disbelieved)]
    return used, tuple(sorted(findings, key=lambda f: (f.since_s, f.flaw, f.source or "", f.quantity or "")))


def _without_impossible(r: Readings, own: Rows, name: str) -> list[Finding]:
    """Values of one source that no room can have, by quantity; they are taken out of `r`."""
    found: list[Finding] = []
    bad = own[sensors.impossible(r.temp_c[own], r.rh_pct[own])]
    low, high = sensors.ROOM_TEMP_C
    with np.errstate(invalid="ignore"):
        by_temp = bad[(r.temp_c[bad] < low) | (r.temp_c[bad] > high)]
    found += _listed(Flaw.IMPOSSIBLE, r, by_temp, name, "temp_c")
    found += _listed(Flaw.IMPOSSIBLE, r, np.setdiff1d(bad, by_temp), name, "rh_pct")
    r.temp_c[bad] = r.rh_pct[bad] = np.nan
    known = own[np.isfinite(r.rh_pct[own])]
    leapt = known[sensors.jumped_to_the_end(r.epoch_s[known], r.rh_pct[known])]
    found += _listed(Flaw.IMPOSSIBLE, r, leapt, name, "rh_pct")
    r.rh_pct[leapt] = np.nan
    return found


def _listed(flaw: Flaw, r: Readings, at: Rows, name: str, quantity: str) -> list[Finding]:
    """One finding for all of these readings, if there are any: a broken wire would fill a page."""
    if not len(at):
        return []
    first, last = float(r.epoch_s[at[0]]), float(r.epoch_s[at[-1]])
    return [Finding(flaw, first, last, name, quantity, float(getattr(r, quantity)[at[-1]]), count=len(at))]


def _without_spikes(r: Readings, own: Rows, name: str, quantity: str, limit: float) -> list[Finding]:
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


def _stuck_ones(r: Readings, rows: Mapping[str, Rows]) -> list[Finding]:
    """Sensors that stood still for too long, in all they measure or in one quantity."""
    finite = {quantity: np.isfinite(getattr(r, quantity)) for quantity in QUANTITIES}
    known = {
        quantity: {name: own[finite[quantity][own]] for name, own in rows.items() if name != TYPED}
        for quantity in QUANTITIES
    }
    moved = {quantity: _most_moved(r.epoch_s, getattr(r, quantity), known[quantity]) for quantity in QUANTITIES}
    found: list[Finding] = []
    for name in known["temp_c"]:
        pairs = rows[name][finite["temp_c"][rows[name]] & finite["rh_pct"][rows[name]]]
        both = sensors.both_stuck(r.epoch_s[pairs], r.temp_c[pairs], r.rh_pct[pairs])
        whole = [replace(still, source=name) for still in both]
        for quantity in QUANTITIES:
            values, own = getattr(r, quantity), known[quantity][name]
            beside = [said for other, said in moved[quantity].items() if other != name]
            stills = sensors.stuck(r.epoch_s[own], values[own], quantity, beside)
            ones = [replace(still, source=name, quantity=quantity) for still in stills]
            found += [one for one in ones if not any(map(one.overlaps, whole))]
        found += whole
    return _told_beside(r, found, finite["temp_c"], finite["rh_pct"])


def _most_moved(epoch_s: Array, values: Array, known: Mapping[str, Rows]) -> dict[str, tuple[Array, Array]]:
    """What the sensors that went furthest said, and when: which of them moves tells of one that does not."""
    far = {name: float(np.ptp(values[own])) for name, own in known.items() if len(own)}
    furthest = sorted(far, key=lambda name: -far[name])[:BESIDE_MOST]
    return {name: (epoch_s[known[name]], values[known[name]]) for name in furthest}


def _told_beside(r: Readings, stuck: list[Finding], *finite: Flags) -> list[Finding]:
    """The same findings with how many sources were read, in both quantities, while this one was stuck and they not."""
    since, until = (np.array([getattr(one, name) for one in stuck]) for name in ("since_s", "until_s"))
    number = {name: i for i, name in enumerate(r.sources)}
    source = np.array([number[one.source or ""] for one in stuck], dtype=np.intp)
    found = []
    for one in stuck:
        begin, end = np.searchsorted(r.epoch_s, one.since_s), np.searchsorted(r.epoch_s, one.until_s, "right")
        counts = [np.bincount(r.source[begin:end][known[begin:end]], minlength=len(number)) for known in finite]
        telling = (counts[0] >= 2) & (counts[1] >= 2)
        telling[source[(since <= one.until_s) & (until >= one.since_s)]] = False  # stuck too
        found.append(replace(one, others=int(telling.sum())))
    return found


def _leave_out(r: Readings, finding: Finding, own: Rows) -> None:
    gone = own[(r.epoch_s[own] >= finding.since_s) & (r.epoch_s[own] <= finding.until_s)]
    for quantity in QUANTITIES if finding.quantity is None else (finding.quantity,):
        getattr(r, quantity)[gone] = np.nan


def _silent(r: Readings, rows: Mapping[str, Rows]) -> list[Finding]:
    """Sensors that are silent while others of the room are heard."""
    if not len(r.epoch_s):
        return []
    newest, found = float(r.epoch_s[-1]), []
    for name, own in rows.items():
        since = None if name == TYPED else sensors.silent_since(r.epoch_s[own], newest)
        if since is not None:
            found.append(Finding(Flaw.SILENT, since, newest, name, after_s=sensors.SILENT_LEAST_S))
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


def _answered(check: Finding, trusts: Sequence[SensorTrust]) -> bool:
    """Whether somebody has said since which one is right."""
    return any(one.source == check.source and one.at.timestamp() >= check.since_s for one in trusts)


def _named(trusts: Sequence[SensorTrust]) -> set[str]:
    return {one.source for one in trusts}


def _as_trusted(r: Readings, trusts: Sequence[SensorTrust]) -> tuple[list[Finding], dict[int, Flags]]:
    """Sensors put right, or set aside, in `r` as people said; of one moment the last word counts.

    Returns what is set aside still, and by source at which moments it was.
    """
    found: list[Finding] = []
    aside: dict[int, Flags] = {}
    for name in sorted(_named(trusts) & set(r.sources)):
        mine = r.source == r.sources.index(name)
        by_at = {one.at: one for one in sorted(trusts, key=lambda one: one.logged_at) if one.source == name}
        words = [by_at[at] for at in sorted(by_at)]
        # whole bins: readings of one bin count as one, and must not be of two minds
        begins = [np.floor(one.at.timestamp() / MERGE_S) * MERGE_S for one in words]
        for one, begin, end in zip(words, begins, [*begins[1:], np.inf], strict=True):
            then = (r.epoch_s >= begin) & (r.epoch_s < end)
            own = np.flatnonzero(mine & then)
            if one.trust is Trust.OFFSET:
                r.temp_c[own] += one.temp_offset_c or 0.0
                r.rh_pct[own] = np.clip(r.rh_pct[own] + (one.rh_offset_pct or 0.0), 0.0, 100.0)
            elif one.trust is Trust.THERMOMETER:
                r.temp_c[own] = r.rh_pct[own] = np.nan
                number = r.sources.index(name)
                aside[number] = aside.get(number, np.zeros_like(then)) | then
                if len(own) and end == np.inf:
                    found.append(Finding(Flaw.SET_ASIDE, one.at.timestamp(), float(r.epoch_s[own[-1]]), name))
    return found, aside
