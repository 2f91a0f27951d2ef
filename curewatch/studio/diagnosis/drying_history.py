"""How a piece has dried so far: by its central film, in what air, and how far it drifted on the tilts measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

from curewatch.language import Message, Number, phrase
from curewatch.physics import ensemble, flow
from curewatch.physics.air import USUAL_AIR, ZERO_C, AirSeries, Array, Flags
from curewatch.physics.ensemble import Pouring
from curewatch.physics.flow import Rheology as Rheology
from curewatch.records.workshop import Tilt
from curewatch.studio.air.climate import Climate, along
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.gap_uncertainty import SILENT_S as SILENT_S

EARLY_S = 6 * 3600.0
"""The first hours, in which a skin forms if it forms too soon."""
POINTS, DAYS = 400, 60


@dataclass(frozen=True)
class Trace:
    """Hours are counted from the pour; None where the film did not get there in the air known or assumed."""

    set_h: float | None
    touch_h: float | None
    handle_h: float | None
    usual_touch_h: float | None
    usual_handle_h: float | None
    """The same film in still air at 21 °C and 50 %."""
    early_pace: float
    """Water that left in the first hours, over that of the same film in still air at 21 °C and 50 %."""
    cold_h: float
    """Film below its film-forming temperature after packing and before it may be handled, up to now [h]."""
    coldest_c: float
    """Lowest film temperature until it may be handled, up to now [°C]."""
    tilt_for_5mm: float
    """Tilt at which its design would have drifted 5 mm [rad], for a mix of common flow."""
    film: flow.ThinningFilm = field(compare=False, repr=False)
    """Until it set, or as far as it came."""

    @property
    def gap_h(self) -> float | None:
        return None if self.handle_h is None or self.touch_h is None else self.handle_h - self.touch_h

    @property
    def usual_gap_h(self) -> float | None:
        usual = (self.usual_touch_h, self.usual_handle_h)
        return None if usual[0] is None or usual[1] is None else usual[1] - usual[0]


def trace(drying: Drying, climates: Mapping[str, Climate], limits: Limits, now: datetime) -> Trace | None:
    """None where the air of a room that it lay in was never read."""
    known = drying.air(climates)
    if known is None:
        return None
    still = replace(drying.pouring, air_speed=min(drying.pouring.air_speed, 0.1), turns=())
    times = np.unique(np.concatenate([np.linspace(0, days * 86_400.0, POINTS) for days in (2, DAYS)]))  # finer at first
    (packed, touch, handle, _), samples = _central(
        drying.pouring, AirSeries.from_celsius([known], drying.pour.at.timestamp()), times
    )
    usually, calm = _central(still, USUAL_AIR, times)
    film_c, volatile = samples["film_temperature"] - ZERO_C, samples["volatile_fraction"]
    elapsed = max(0.0, (now - drying.pour.at).total_seconds())  # below: by a clock that was set back meanwhile
    until = np.isfinite(film_c) & (times <= min(elapsed, np.inf if handle is None else handle * 3600))
    cold = until & (film_c < limits.cold_mfft_c) & (times >= (np.inf if packed is None else packed * 3600))
    flowing = np.isfinite(volatile) & (times <= (np.inf if packed is None else packed * 3600))
    film = flow.ThinningFilm.of(times[flowing], drying.pour.wet_thickness_m, volatile[flowing])
    return Trace(
        packed, touch, handle, usually[1], usually[2],
        early_pace=_early(times, samples["rate"]) / _early(times, calm["rate"]),
        cold_h=float(np.diff(times, append=times[-1])[cold].sum() / 3600),
        coldest_c=float(film_c[until].min()),
        tilt_for_5mm=flow.tilt_for(film, flow.Rheology(), 0.005),
        film=film,
    )  # fmt: skip


def _early(times: Array, rate: Array) -> float:
    early = times <= EARLY_S
    return float(np.trapezoid(rate[early], times[early]))


def _central(film: Pouring, series: AirSeries, times: Array) -> tuple[list[float | None], dict[str, Array]]:
    """When the central film reaches the milestones [h], and its samples at `times` [s]."""
    found = ensemble.run([film], ensemble.design(1), series, float(times[-1]), sample_at=times)
    hours = [float(s) / 3600 if np.isfinite(s) else None for s in found.reached_s[:, 0, 0]]
    return hours, {name: value[:, 0, 0] for name, value in found.samples.items()}


STEP_S = 300.0
"""The air is looked at every five minutes, as finely as it is known."""


@dataclass(frozen=True)
class Spread:
    """Of one quantity over a span of time."""

    least: float
    mean: float
    most: float

    @classmethod
    def of(cls, values: Array, ends: Array) -> Spread:
        """Of values at even times; `ends`: between them, which are counted in its range alone."""
        both = np.concatenate([values, ends])
        return cls(float(both.min()), float(values.mean()), float(both.max()))


@dataclass(frozen=True)
class PastAir:
    """The air over a span. Hours out of range are by the limits of the alarms, of the room's air."""

    begins_at: datetime
    ends_at: datetime
    temp_c: Spread
    rh_pct: Spread
    cold_h: float
    damp_h: float
    hot_h: float
    dry_h: float
    unread_h: float
    """Hours within gaps of the record, which all the other numbers fill in with straight lines."""


def past_air(
    drying: Drying, climates: Mapping[str, Climate], until: datetime, limits: Limits, since: datetime | None = None
) -> PastAir | None:
    """The air from the pour (or `since`) to `until`, or as far as it was read; None where it was not."""
    stays, poured_s = drying.stays_since_pour, drying.pour.at.timestamp()
    read = [(stay, climates[stay.room]) for stay in stays if stay.room in climates]
    ends = {stay.since: after.since.timestamp() for stay, after in pairwise(stays)}
    last_s = max((min(room.newest_s, ends.get(stay.since, np.inf)) for stay, room in read), default=-np.inf)
    begin = max((since or drying.pour.at).timestamp(), poured_s)
    end = min(until.timestamp(), last_s)
    if end <= begin:
        return None
    time_s, temp_c, rh_pct = along([(stay.since.timestamp(), room) for stay, room in read], poured_s)
    at = np.linspace(begin, end, max(2, int(np.ceil((end - begin) / STEP_S)) + 1))
    middle = 0.5 * (at[1:] + at[:-1])
    temp, rh = np.interp(middle, time_s, temp_c), np.interp(middle, time_s, rh_pct)
    hours = (at[1] - at[0]) / 3600
    if stays[-1].room in climates:  # one quantity may have been read later than the other: it is shown beside these
        at = np.append(at, max(end, min(until.timestamp(), time_s[-1])))
    temp_at, rh_at = np.interp(at, time_s, temp_c), np.interp(at, time_s, rh_pct)

    def lasting(flags: Flags) -> float:
        return float(flags.sum() * hours)

    return PastAir(
        datetime.fromtimestamp(begin, UTC),
        datetime.fromtimestamp(end, UTC),
        Spread.of(temp, temp_at),
        Spread.of(rh, rh_at),
        lasting(temp < limits.cold_mfft_c),
        lasting(rh > limits.damp_rh_pct),
        lasting(temp > limits.fast_temp_c),
        lasting(rh < limits.fast_rh_pct),
        _unread_h(drying, climates, begin, end),
    )


def _unread_h(drying: Drying, climates: Mapping[str, Climate], begin: float, end: float) -> float:
    """Hours of [begin, end] that lie in gaps of the record of the room that the piece lay in."""
    stays = drying.stays_since_pour
    found = 0.0
    for i, stay in enumerate(stays):
        first = begin if i == 0 else max(begin, stay.since.timestamp())
        last = min(end, stays[i + 1].since.timestamp()) if i + 1 < len(stays) else end
        read = climates[stay.room].time_s if stay.room in climates else np.empty(0)
        edges = np.concatenate([[-np.inf], read, [np.inf]])
        gaps = np.minimum(edges[1:], last) - np.maximum(edges[:-1], first)
        found += float(gaps[(np.diff(edges) > SILENT_S) & (gaps > 0)].sum())
    return found / 3600


DRIFTS, STAYS = 5e-3, 2e-3
"""A drift of the surface that shows, and one that does not [m]. Between them nobody can tell: what a mix's viscosity
was is not known within a factor of two, and the drift is inverse to it."""


def drifted(film: flow.ThinningFilm, poured_at: datetime, tilts: Sequence[Tilt], mix: Rheology | None = None) -> float:
    """How far the surface moved until the film packed [m]; for a mix of common flow, if none is given.

    `tilts` by time: the first is taken to have been so from the pour on, each later one from its moment (a shim).
    """
    begins = [0.0, *((one.measured_at - poured_at).total_seconds() for one in tilts[1:])]
    ends = [*begins[1:], np.inf]
    moved = 0.0
    for tilt, begin, end in zip(tilts, begins, ends, strict=True):
        course = flow.drift(film, mix or Rheology(), tilt.tilt_rad)
        until, since = np.interp([end, begin], film.time_s, course)
        moved += float(until - since)
    return moved


@dataclass(frozen=True)
class MeasuredDrift:
    """How far a design moves on all tilts measured [m], and the tilt that would move it `limit_m` [rad].

    None: the air of its room was not read, or no tilt was measured.
    """

    drift_m: float | None
    tilt_for_limit: float | None
    limit_m: float


def drifting(
    trace: Trace | None, poured_at: datetime, tilts: Sequence[Tilt], mix: Rheology, limit_m: float
) -> MeasuredDrift:
    """Of a piece with this film, for paint that flows as `mix`."""
    if trace is None:
        return MeasuredDrift(None, None, limit_m)
    moved = drifted(trace.film, poured_at, tilts, mix) if tilts else None
    return MeasuredDrift(moved, flow.tilt_for(trace.film, mix, limit_m), limit_m)


def slope_text(tilt_rad: float) -> Message:
    """`2 mm per metre`."""
    return phrase("{mm} mm per metre", mm=Number(float(np.tan(tilt_rad)) * 1e3, figures=2))
