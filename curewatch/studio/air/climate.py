"""A room's readings as one history, piecewise linear, and as hourly means; and a room's air to come as bands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from curewatch.language import Message, Temperature, phrase
from curewatch.physics import air as moist
from curewatch.physics.air import ZERO_C, Array, Flags
from curewatch.records import SensorTrust
from curewatch.records.facts import TYPED
from curewatch.records.rollup import BIN_S
from curewatch.studio.air.flaws import Finding
from curewatch.studio.air.merging import Readings
from curewatch.studio.air.quality import examined
from curewatch.studio.air.sensors import Level

Air = tuple[Array, Array, Array]
"""Time [s since 1970], temperature [°C], relative humidity [%]."""
AGAIN_S = 900.0
"""Typed again so soon [s], the later one is a correction or a change: the air now, and no mean with the one before."""
CADENCE_BINS = 20
"""The latest bins that tell how often a room is usually read."""


@dataclass(frozen=True)
class Climate:
    """The air of one room, from readings. Times are seconds since 1970 UTC, `time_s` strictly increasing.

    A quantity that has fallen silent is held while the other goes on: such moments are in the history, for a film
    must dry in some air, but they are not known (see `moments`), and the room is as old as the older of the two.
    """

    time_s: Array
    temp_c: Array
    rh_pct: Array
    known_from_s: float
    """Since when both quantities have been read [s]."""
    newest_s: float
    """Until when both quantities have been read [s]: the last temperature or the last humidity, whichever is older."""
    live_s: float
    """As `newest_s`, by readings that prove a live source; -inf if there are none."""
    cadence_s: float
    """Usual time between the latest readings [s], 0 with fewer than three."""
    findings: tuple[Finding, ...] = ()
    """What was wrong with the readings."""
    typed: Flags | None = None
    """Which moments were told by a person; None: none."""
    levels: tuple[Level, ...] = ()
    """The instruments that it was read by."""

    @property
    def newest_at(self) -> datetime:
        return datetime.fromtimestamp(self.newest_s, UTC)

    @property
    def live_at(self) -> datetime | None:
        return datetime.fromtimestamp(self.live_s, UTC) if np.isfinite(self.live_s) else None

    def at(self, time_s: Array | float) -> tuple[Array, Array]:
        """Temperature [°C] and relative humidity [%] at `time_s`, the first and last values held."""
        temp = np.interp(time_s, self.time_s, self.temp_c)
        return np.asarray(temp), np.asarray(np.interp(time_s, self.time_s, self.rh_pct))

    def moments(self, after_s: float, until_s: float) -> Array:
        """The moments of the record in (after_s, until_s] at which both quantities are known [s]."""
        first, last = max(after_s, np.nextafter(self.known_from_s, -np.inf)), min(until_s, self.newest_s)
        begin, end = np.searchsorted(self.time_s, [first, last], "right")
        return self.time_s[begin : max(begin, end)]

    @property
    def by_hand(self) -> bool:
        """Whether the newest reading that counts was typed."""
        return self.typed is not None and bool(self.typed[-1])

    def last_words(self) -> Flags:
        """Which moments were not typed anew just after: those before stand for their time alone."""
        last = np.ones(len(self.time_s), dtype=bool)
        if self.typed is not None:
            last[:-1] = ~(self.typed[:-1] & self.typed[1:] & (np.diff(self.time_s) < AGAIN_S))
        return last

    def settled(self, from_s: float, before_s: float) -> int:
        """How many moments lie from the bin of `from_s` on and before that of `before_s`.

        Only late readings change this number, once `before_s` is past.
        """
        begin, end = np.searchsorted(self.time_s, [np.floor(s / BIN_S) * BIN_S for s in (from_s, before_s)], "left")
        return max(0, int(end) - int(begin))


def climate_of(
    epoch_s: Array, temp_c: Array, rh_pct: Array, live: Flags | None = None, typed: Flags | None = None
) -> Climate | None:
    """The climate of one room from its readings in time order (NaN where a reading lacks the quantity).

    `live`: whether a reading proves that its source lives (default: every one does). `typed`: by a person (default:
    none). None while either quantity has never been read: half a climate dries nothing.
    """
    by_hand = np.zeros(len(epoch_s), dtype=bool) if typed is None else typed
    temp_t, temp = _binned(epoch_s, temp_c, by_hand)
    rh_t, rh = _binned(epoch_s, rh_pct, by_hand)
    if not len(temp) or not len(rh):
        return None
    time = np.union1d(temp_t, rh_t)
    alive = np.ones(len(epoch_s), dtype=bool) if live is None else live
    read = [np.isfinite(values) for values in (temp_c, rh_pct)]
    return Climate(
        time_s=time,
        temp_c=np.interp(time, temp_t, temp),
        rh_pct=np.interp(time, rh_t, rh),
        known_from_s=float(max(temp_t[0], rh_t[0])),
        newest_s=float(min(epoch_s[known].max() for known in read)),
        live_s=float(min(epoch_s[known & alive].max(initial=-np.inf) for known in read)),
        cadence_s=max(_cadence(temp_t), _cadence(rh_t)),
        typed=np.isin(time, epoch_s[by_hand]) if by_hand.any() else None,
    )


def climate_from(readings: Readings, trusts: Sequence[SensorTrust] = ()) -> Climate | None:
    """The climate of one room from all its sources: spikes not used, sensors merged, `findings` filled in."""
    used, findings = examined(readings, trusts)
    typed = [number for number, name in enumerate(readings.sources) if name == TYPED]
    by_hand = np.isin(used.epoch_s, readings.epoch_s[np.isin(readings.source, typed)])
    found = climate_of(used.epoch_s, used.temp_c, used.rh_pct, used.live, by_hand)
    return None if found is None else replace(found, findings=findings, levels=used.levels)


def _cadence(time_s: Array) -> float:
    """Usual time between bins [s]. Of bins, not of readings: a pair that comes a second apart is one reading."""
    steps = np.diff(time_s[np.append(True, np.diff(np.floor(time_s / BIN_S)) > 0)][-CADENCE_BINS:])
    return float(np.median(steps)) if len(steps) > 1 else 0.0


def _binned(epoch_s: Array, values: Array, typed: Flags) -> tuple[Array, Array]:
    """The means of what was read within BIN_S, but for what was typed."""
    known = np.isfinite(values)
    if not known.any():
        return np.empty(0), np.empty(0)
    t, v, alone = epoch_s[known], values[known], typed[known]
    apart = (np.diff(np.floor(t / BIN_S)) > 0) | ((alone[:-1] | alone[1:]) & (np.diff(t) > 0))
    starts = np.flatnonzero(np.append(True, apart))
    counts = np.diff(np.append(starts, len(t)))
    # relative to each bin's first reading: a sum of seconds since 1970 would lose the last digits
    within = np.add.reduceat(t - np.repeat(t[starts], counts), starts) / counts
    return t[starts] + within, np.add.reduceat(v, starts) / counts


def along(stays: Sequence[tuple[float, Climate]], start_s: float) -> Air:
    """The air a piece has had from `start_s` on: (time, temp_c, rh_pct), the last value to be held.

    `stays`: from when [s] the piece was in which climate, in time order; before the first of them it was there too.
    """
    times, temps, rhs = [], [], []
    for i, (since, climate) in enumerate(stays):
        begin = start_s if i == 0 else max(since, start_s)
        end = stays[i + 1][0] if i + 1 < len(stays) else np.inf
        if end <= begin:
            continue
        inside = climate.time_s[(climate.time_s > begin) & (climate.time_s < end - 1.0)]
        # a move is a step: the old room's air up to the last second, then the new room's
        own = np.concatenate([[begin], inside, [] if np.isinf(end) else [end - 1.0]])
        temp, rh = climate.at(own)
        times.append(own)
        temps.append(temp)
        rhs.append(rh)
    time = np.concatenate(times)
    keep = np.concatenate([[True], np.diff(np.maximum.accumulate(time)) > 0])
    return time[keep], np.concatenate(temps)[keep], np.concatenate(rhs)[keep]


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


@dataclass(frozen=True)
class AirBands:
    """A room's air to come, as far as it can be said: in one case of ten below `low`, in one above `high`."""

    time_s: Array
    temp_low_c: Array
    temp_c: Array
    rh_pct: Array
    rh_high_pct: Array


RH_FLOOR, RH_CEILING = 5.0, 98.0
"""No change makes air drier or damper than this [%], unless it was so before."""


@dataclass(frozen=True)
class Change:
    """A change of the air. A room that is heated keeps its water, so it also gets drier."""

    name: Message
    warmer_k: float = 0.0
    drier_pct: float = 0.0
    at_least_c: float | None = None
    """A heater that keeps it so warm, whatever the night does."""
    rh_at_most_pct: float = RH_CEILING
    """A drier that keeps it so."""
    air_speed: float | None = None
    """Over the piece [m/s]; None: as it is."""
    calms: bool = False
    """`air_speed` is the most that is left, not the least that comes."""
    rh_at_least_pct: float = 0.0
    """Under a cover the film's own vapour keeps the air so damp [%]."""

    @property
    def heats(self) -> bool:
        """Whether it takes a heater: what is carried to a warm room takes none."""
        return self.at_least_c is not None or (self.warmer_k > 0 and not self.calms)

    @property
    def dries(self) -> bool:
        return self.drier_pct > 0 or self.rh_at_most_pct < RH_CEILING

    @property
    def blows(self) -> bool:
        """Whether it takes a fan."""
        return self.air_speed is not None and not self.calms

    def speed(self, as_it_is: Array | float) -> Array:
        """Of the air over pieces [m/s]."""
        if self.air_speed is None:
            return np.asarray(as_it_is, dtype=float)
        return np.asarray((np.minimum if self.calms else np.maximum)(self.air_speed, as_it_is))

    def of(self, temp_c: Array, rh_pct: Array) -> tuple[Array, Array]:
        """The room's air after it."""
        warm = temp_c + self.warmer_k
        if self.at_least_c is not None:
            warm = np.maximum(warm, self.at_least_c)
        rh = rh_pct * moist.saturation_pressure(temp_c + ZERO_C) / moist.saturation_pressure(warm + ZERO_C)
        left = np.clip(rh - self.drier_pct, np.minimum(RH_FLOOR, rh), self.rh_at_most_pct)
        return warm, np.maximum(left, self.rh_at_least_pct)


def warmed_to(least_c: float) -> Change:
    """`warmed to 13 °C`, and kept there."""
    return Change(phrase("warmed to {temp}", temp=Temperature(least_c)), at_least_c=least_c)
