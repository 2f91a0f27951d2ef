"""One record of a room's air out of what its sensors say and people type."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array, Flags
from curewatch.records.facts import TYPED
from curewatch.studio.air import sensors as sensor_faults
from curewatch.studio.air.flaws import QUANTITIES, Finding, Flaw
from curewatch.studio.air.sensors import USUAL, Level

DISAGREE = (1.5, 8.0)
"""Sensors whose median distance from each other, or from the room's, is more than this disagree [°C, %]; so do a
sensor and a thermometer beside it."""
PARTED_S, PARTED_LEAST = 3 * 3600.0, 6
"""Over so long a time at the end of their record [s], of at least so many moments, they have parted."""
LIVE_INTERVALS, LIVE_LEAST_S = 3.0, 1800.0
"""Between two readings of a source no further apart than this many of its usual intervals, or this [s], it is live."""
SPAN_S = 2 * 3600.0
"""No source counts as live for longer than this without a reading [s]."""
MERGE_S = 300.0
"""Sensors' readings this close count as of one moment [s]."""
FEW = 1
"""Up to so many sensors tell of a room at every moment that one of them is read; more at one moment in MERGE_S, which
counts as one anyway. So the work grows as their number does, not as its square."""
AT_ONCE, AT_ONCE_LEAST = 65_536, 288
"""Values, and moments, that are compared at a time: the table of all sensors at all moments is never made."""
LEVELLED = 500
"""Moments at which a sensor is held against the room's record, to tell its level."""
HOUR_S, DAY_S = 3600.0, 86400.0
Rows = NDArray[np.intp]


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
    levels: tuple[Level, ...] = ()
    """Of a room's one record: the instruments that it is made of, and those held beside them."""

    def rows(self) -> list[Rows]:
        """Of each source, where its readings are."""
        order = np.argsort(self.source, kind="stable")
        parts = np.split(order, np.searchsorted(self.source[order], np.arange(1, len(self.sources))))
        return parts[: len(self.sources)]


Apart = list[tuple[float, float]]
"""When [s], and by how much [°C, %]."""


@dataclass(frozen=True)
class _Voice:
    """What one source says of one quantity, and by how much it was found to be off."""

    name: str
    t: Array
    v: Array
    spikes: Apart
    checks: Apart
    apart: list[tuple[Array, Array, Array]] = field(default_factory=list)
    """When it could be compared [s], and how far it was then from the other sensors and from the room [°C, %]."""

    @cached_property
    def reach_s(self) -> float:
        """How long it counts as live after a reading [s]."""
        usual = LIVE_INTERVALS * float(np.median(np.diff(self.t))) if len(self.t) > 2 else 0.0
        return min(max(LIVE_LEAST_S, usual), SPAN_S)

    def followed(self, at_s: Array) -> Array:
        """Its value at every moment at which it is live (straight lines between its readings), else NaN."""
        t = self.t
        if not len(t):
            return np.full(len(at_s), np.nan)
        left = np.clip(np.searchsorted(t, at_s, "right") - 1, 0, len(t) - 1)
        right = np.minimum(left + 1, len(t) - 1)
        between = (at_s >= t[0]) & ((t[right] - t[left] <= self.reach_s) & (at_s <= t[right]))
        near = np.minimum(np.abs(at_s - t[left]), np.abs(at_s - t[right])) <= MERGE_S
        return np.where(between | near, np.interp(at_s, t, self.v), np.nan)

    def last_said(self, at_s: Array) -> tuple[Array, Array]:
        """When it last spoke before each moment, and what; its first words before those."""
        last = np.clip(np.searchsorted(self.t, at_s, "right") - 1, 0, len(self.t) - 1)
        return self.t[last], self.v[last]

    def is_live(self, at_s: Array) -> Flags:
        """At which moments it has just been heard, or is between two readings."""
        if not len(self.t):
            return np.zeros(len(at_s), dtype=bool)
        last, _ = self.last_said(at_s)
        return np.asarray((at_s >= last) & (at_s - last <= self.reach_s) | (np.abs(at_s - last) <= MERGE_S))

    def checked(self, at_s: Array, typed: Array) -> Apart:
        """How far what was typed was from what it said then, or had said just before."""
        if not len(self.t):
            return []
        said = self.followed(at_s)
        said = np.where(np.isnan(said), self.last_said(at_s)[1], said)
        return list(zip(at_s.tolist(), (typed - said).tolist(), strict=True))

    @cached_property
    def _jitter(self) -> Apart:
        """Each reading against its neighbours, known when the second of them came."""
        t, v = self.t, self.v
        return list(zip(t[2:].tolist(), (v[1:-1] - (v[:-2] + v[2:]) / 2).tolist(), strict=True))

    def error_variance(self, at_s: Array, steady: float) -> Array:
        """How far off it is taken to be at each moment [°C2, %2]: by its record in the day before that hour.

        Its jitter counts, its spikes, and the checks of it. Nothing later does: what is made of readings must not
        change as the next ones come in.
        """
        hour = np.floor(at_s / HOUR_S) * HOUR_S
        off = _mean_square([*self._jitter, *self.spikes], hour) + _mean_square(self.checks, hour)
        return np.asarray(steady**2 + off)

    @property
    def compared(self) -> tuple[Array, Array, Array]:
        """All of `apart` as one."""
        at_s, others, room = (np.concatenate([part[i] for part in self.apart]) for i in range(3))
        return at_s, others, room


def merged(
    r: Readings, spikes: Sequence[Finding] = (), aside: Mapping[int, Flags] = MappingProxyType({})
) -> tuple[Readings, list[Finding]]:
    """One record for the room, at the moments of its sources: what the live sensors say, by their record.

    Of two the mean counts, each weighed by how steady it was for a day; of more the median. What was typed beside a
    live sensor is a check of it and no part of the air; where no sensor is live, it is all there is.
    """
    used = np.isfinite(r.temp_c) | np.isfinite(r.rh_pct)
    numbers = np.unique(r.source[used])
    if len(numbers) < 2:
        return _only(r, used), []
    found: list[Finding] = []
    merged: dict[str, Array] = {}
    heard: dict[str, list[_Voice]] = {}
    live, rows = r.live.copy(), r.rows()
    sensors = [int(number) for number in numbers if r.sources[number] != TYPED]
    typed = [int(number) for number in numbers if r.sources[number] == TYPED]
    for quantity, limit, steady in zip(QUANTITIES, DISAGREE, USUAL, strict=True):
        values = getattr(r, quantity)
        known = np.isfinite(values)
        hand = rows[typed[0]] if typed else np.empty(0, dtype=np.intp)
        voices, beside = _voices(r, quantity, sensors, rows, hand[known[hand]], spikes, aside)
        alone = np.setdiff1d(hand[known[hand]], beside)
        known[beside] = False
        at = _moments(r.epoch_s, known, len(sensors))
        live[at] |= _lives(r, known, at)
        by_hand = _Voice(TYPED, r.epoch_s[alone], values[alone], [], [])
        merged[quantity] = np.full(len(known), np.nan)
        merged[quantity][at] = _together(r.epoch_s[at], voices, by_hand, steady)
        merged[quantity][~known] = np.nan
        heard[quantity] = voices
        drifting = _drifting(voices, quantity)
        found += drifting + _disagreeing(voices, quantity, limit, {one.source for one in drifting})
        for voice in voices:
            found += _check(r, voice, quantity, limit)
    there = np.isfinite(merged["temp_c"]) | np.isfinite(merged["rh_pct"])
    record = _only(replace(r, temp_c=merged["temp_c"], rh_pct=merged["rh_pct"], live=live), there)
    return replace(record, levels=tuple(_levels(record, heard))), found


def _levels(record: Readings, heard: Mapping[str, list[_Voice]]) -> Iterator[Level]:
    """The instruments beside the record: the sensors that are live at its end, and what was typed beside those.

    A look so far off that it is asked back says nothing of steady errors until somebody answers.
    """
    limits: dict[str, float] = dict(zip(QUANTITIES, DISAGREE, strict=True))
    asked = {at for name, some in heard.items() for one in some for at, off in one.checks if abs(off) > limits[name]}
    for quantity, voices in heard.items():
        known = np.flatnonzero(np.isfinite(getattr(record, quantity)))
        some = known[np.unique(np.linspace(0, len(known) - 1, LEVELLED).astype(np.intp))] if len(known) else known
        at_s, was = record.epoch_s[some], getattr(record, quantity)[some]
        looks, sensed = [], False
        for voice in voices:
            above = voice.followed(at_s) - was
            above = above[np.isfinite(above)]
            if len(above) and voice.t[-1] >= record.epoch_s[-1] - DAY_S:
                sensed, level = True, float(np.median(above))
                yield Level(voice.name, quantity, level)
                looks += [level + off for at, off in voice.checks if at not in asked]
        if looks or not sensed:
            yield Level(TYPED, quantity, float(np.mean(looks or 0.0)), len(looks))


def _voices(
    r: Readings, quantity: str, sensors: list[int], rows: list[Rows], hand: Rows, spikes: Sequence[Finding],
    aside: Mapping[int, Flags],
) -> tuple[list[_Voice], Rows]:  # fmt: skip
    """What each sensor says of the quantity; and which of the typed readings in `hand` were made beside a live one."""
    values, odd = getattr(r, quantity), defaultdict[str | None, Apart](list)
    for one in spikes:
        if one.quantity == quantity:
            odd[one.source].append((one.since_s, one.size or 0.0))
    live = np.zeros(len(hand), dtype=bool)
    voices = []
    for number in sensors:
        own = rows[number][np.isfinite(values[rows[number]])]
        voice = _Voice(r.sources[number], r.epoch_s[own], values[own], odd[r.sources[number]], [])
        if len(hand):
            alive = voice.is_live(r.epoch_s[hand]) & ~(aside[number][hand] if number in aside else np.False_)
            voice.checks.extend(voice.checked(r.epoch_s[hand[alive]], values[hand[alive]]))
            live |= alive
        voices.append(voice)
    return voices, hand[live]


def _moments(epoch_s: Array, known: Flags, sensors: int) -> Rows:
    """The readings at whose times the room is told: of few sensors all, of more the last in each MERGE_S."""
    if sensors <= FEW:
        return np.arange(len(epoch_s))
    rows = np.flatnonzero(known)
    return rows[np.append(np.diff(np.floor(epoch_s[rows] / MERGE_S)) > 0, True)] if len(rows) else rows


def _lives(r: Readings, known: Flags, at: Rows) -> Flags:
    """Whether any reading proves life from one of these moments to the next; each stands for those before it."""
    if len(at) == len(r.live):
        return r.live
    proofs = np.concatenate([[0], np.cumsum(known & r.live)])[np.concatenate([[0], at + 1])]
    return np.asarray(np.diff(proofs) > 0)


def _together(at_s: Array, voices: list[_Voice], by_hand: _Voice, steady: float) -> Array:
    """What the room was at these moments; how far each voice was from the rest is noted with it."""
    begins, ends = (np.array([voice.t[i] if len(voice.t) else np.nan for voice in voices]) for i in (0, -1))
    width = max(AT_ONCE_LEAST, AT_ONCE // max(1, len(voices)))
    found = by_hand.followed(at_s)
    for first in range(0, len(at_s), width):
        t = at_s[first : first + width]
        heard = [voices[i] for i in np.flatnonzero((begins <= t[-1] + MERGE_S) & (ends >= t[0] - SPAN_S)).tolist()]
        if not heard:
            continue
        table = np.stack([voice.followed(t) for voice in heard])
        count = np.isfinite(table).sum(axis=0)
        middle, others = _middles(table)
        for i in np.flatnonzero(np.isfinite(others).any(axis=1)).tolist():
            there = np.isfinite(others[i])
            off = table[i, there]
            room = off - (others[i] if len(voices) == 2 else middle)[there]
            heard[i].apart.append((t[there], off - others[i, there], room))
        if (pairs := count == 2).any():
            those = np.flatnonzero(np.isfinite(table[:, pairs]).any(axis=1))
            variance = np.stack([heard[i].error_variance(t[pairs], steady) for i in those.tolist()])
            middle[pairs] = _weighed(table[np.ix_(those, pairs)], variance)
        found[first : first + width] = np.where(count > 0, middle, found[first : first + width])
    return found


def _check(r: Readings, voice: _Voice, quantity: str, limit: float) -> list[Finding]:
    """The question that the last check of a sensor raises, if they are far apart."""
    return [
        Finding(Flaw.CHECK, at, at, voice.name, quantity, size=off, value=_typed_at(r, quantity, at))
        for at, off in voice.checks[-1:]
        if abs(off) > limit
    ]


def _typed_at(r: Readings, quantity: str, at: float) -> float:
    hand = [number for number, name in enumerate(r.sources) if name == TYPED]
    return float(getattr(r, quantity)[np.flatnonzero((r.epoch_s == at) & np.isin(r.source, hand))[-1]])


def _mean_square(apart: Apart, until_s: Array) -> Array:
    """Of what was off in the day up to each of these moments [°C2, %2]; 0 where nothing was."""
    at, off = (np.array([pair[i] for pair in apart]) for i in (0, 1))
    order = np.argsort(at, kind="stable")
    total = np.concatenate([[0.0], np.cumsum(off[order] ** 2)])
    first, last = (np.searchsorted(at[order], until_s - back) for back in (DAY_S, 0.0))
    return np.asarray((total[last] - total[first]) / np.maximum(last - first, 1))


def _weighed(table: Array, variance: Array) -> Array:
    """The mean of what the sources say at each moment, weighed; 0 where none does."""
    there = np.isfinite(table)
    weight = np.where(there, 1 / variance, 0.0)
    total = weight.sum(axis=0)
    return np.asarray((weight * np.where(there, table, 0.0)).sum(axis=0) / np.where(total > 0, total, 1.0))


def _disagreeing(voices: list[_Voice], quantity: str, limit: float, told: set[str | None]) -> list[Finding]:
    """Sensors that are apart from each other, all along or of late. Of one that drifts that is not said too.

    Of more than two, the odd one is held against the room.
    """
    found = []
    for voice in voices:
        if not voice.apart or voice.name in told:
            continue
        at_s, _, off = voice.compared
        late = off[at_s > at_s[-1] - PARTED_S]
        for part in (off, late if len(late) >= PARTED_LEAST else off[:0]):
            if len(part) and abs(size := float(np.median(part))) > limit:
                since, until = float(at_s[-len(part)]), float(at_s[-1])
                found.append(Finding(Flaw.DISAGREE, since, until, voice.name, quantity, size))
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


def _middles(table: Array) -> tuple[Array, Array]:
    """The median of each column, and for each value in it that of the others; NaN where there is none."""
    order = np.argsort(table, axis=0)  # NaN comes last
    ordered, rank = np.take_along_axis(table, order, axis=0), np.empty_like(order)
    np.put_along_axis(rank, order, np.arange(len(table))[:, None], axis=0)
    there = np.isfinite(table)
    others = there.sum(axis=0) - 1
    low, high = (np.maximum(middle, 0) + (middle >= rank) for middle in ((others - 1) // 2, others // 2))
    pair = [np.take_along_axis(ordered, np.minimum(place, len(table) - 1), axis=0) for place in (low, high)]
    return middle_of(ordered), np.where(there & (others > 0), (pair[0] + pair[1]) / 2, np.nan)


def _drifting(voices: list[_Voice], quantity: str) -> list[Finding]:
    """Sensors that moved away from the others; of two that moved apart the first stands for both."""
    found = []
    for voice in voices:
        if not voice.apart:
            continue
        at_s, apart, _ = voice.compared
        moved = sensor_faults.drift(at_s, apart, quantity)
        if moved is not None:
            since, until = float(at_s[0]), float(at_s[-1])
            found.append(Finding(Flaw.DRIFT, since, until, voice.name, quantity, moved, others=len(voices) - 1))
            if len(voices) == 2:
                break
    return found


def _only(r: Readings, used: Flags) -> Readings:
    columns = {name: getattr(r, name)[used] for name in ("epoch_s", "temp_c", "rh_pct", "live")}
    names = {r.sources[number] for number in np.unique(r.source[used])}
    levels = tuple(Level(name, quantity, 0.0) for name in sorted(names) for quantity in QUANTITIES)
    return Readings(**columns, source=np.zeros(int(used.sum()), dtype=np.int64), sources=("",), levels=levels)


@dataclass(frozen=True)
class SensorCheck:
    """What was typed beside a live sensor, and by how much that is more than the sensor said."""

    source: str
    at_s: float
    temp_off_c: float | None
    rh_off_pct: float | None


def checks(r: Readings) -> list[SensorCheck]:
    """The last check of each sensor, as it spoke: nobody's word on it is taken into account."""
    rows = r.rows()
    sensors = [number for number, name in enumerate(r.sources) if name != TYPED]
    hand = [row for name, row in zip(r.sources, rows, strict=True) if name == TYPED]
    apart: dict[str, dict[str, Apart]] = {}
    for quantity in QUANTITIES if hand else ():
        known = hand[0][np.isfinite(getattr(r, quantity)[hand[0]])]
        for voice in _voices(r, quantity, sensors, rows, known, (), {})[0]:
            apart.setdefault(voice.name, {})[quantity] = voice.checks
    found = []
    for name, by_quantity in apart.items():
        at_s = max((at for pairs in by_quantity.values() for at, _ in pairs), default=None)
        if at_s is not None:
            found.append(SensorCheck(name, at_s, *(dict(by_quantity[quantity]).get(at_s) for quantity in QUANTITIES)))
    return found
