"""What a room's air does to the wet pieces in it, moment by moment: the conditions behind the alarms.

Each alarm's condition at a moment is one of ON (beyond its limit), OFF (back beyond the deadband too), BETWEEN
(inside the deadband) or ASLEEP (nothing wet in the room: suppressed by design).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.physics.air import Array, Flags
from curewatch.physics.evaporation import AIR_SPEED, film_balance
from curewatch.records import AlarmKind, Forecast, MilestoneKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.forecasting.drying import Drying

SAFE_MARGIN_C = 3.0
"""Warmed so far beyond the limit of cold or frost, a room is warm enough."""
ON, BETWEEN, OFF, ASLEEP = 1, 0, -1, 2
Codes = NDArray[np.int8]

FIRST_DAY = timedelta(days=1)
"""How long a pour is young: while its skin forms, drying too fast can craze it."""
GAP_RATIO, GAP_MORE_H = 1.25, 3.0
"""A skin gap this much longer than the same film's at 21 °C, 50 %, still air counts as growing."""
AT_ONCE = 40_000
"""Films times moments whose energy balance is solved at once, to bound the memory."""
RATE_DEADBAND = 1.2
"""Drying counts as quick enough again when this much above its limit."""


@dataclass(frozen=True)
class Limits:
    """Limits and delays of the alarms; the names say the units."""

    cold_mfft_c: float = 10.0
    frost_c: float = 2.0
    damp_rh_pct: float = 75.0
    damp_rate_fraction: float = 0.25
    fast_temp_c: float = 30.0
    fast_rh_pct: float = 30.0
    deadband_c: float = 0.5
    deadband_rh_pct: float = 3.0
    on_delay: timedelta = timedelta(minutes=10)
    off_delay: timedelta = timedelta(minutes=15)
    reminder: timedelta = timedelta(hours=24)
    stale_after: timedelta = timedelta(minutes=60)
    typed_stale_after: timedelta = timedelta(hours=24)

    def warm_enough_c(self, kind: AlarmKind) -> float:
        """What to warm a room to that is too cold, or near frost [°C]."""
        return (self.cold_mfft_c if kind is AlarmKind.COLD else self.frost_c) + SAFE_MARGIN_C


@dataclass(frozen=True)
class OccupiedRoom:
    """A room with the pieces that dry in it (none: its alarms go to sleep)."""

    name: str
    dryings: tuple[Drying, ...]
    forecasts: Mapping[int, Forecast]
    climate: Climate | None
    has_sensor: bool
    silent_together: bool = False
    """No room with a sensor has been heard for long, this one included: one cause, and one alarm for all."""

    @property
    def freshest_at(self) -> datetime | None:
        """Until when both quantities were read by a live source (typed, or a sensor's that was not retained)."""
        return self.climate.live_at if self.climate else None

    @property
    def doubted(self) -> tuple[Finding, ...]:
        """Why the room's newest readings are not believed: its only sensor is surely stuck, or says what cannot be."""
        if self.climate is None:
            return ()
        newest_s = self.climate.newest_s
        return tuple(
            one
            for one in self.climate.findings
            if (one.flaw is Flaw.STUCK and one.sure and not one.others and one.until_s >= newest_s)
            or (one.flaw is Flaw.IMPOSSIBLE and one.until_s > newest_s)
        )

    def wet_until(self, drying: Drying) -> float:
        """When the piece no longer needs watching [s]: safe to handle, dry through; inf if no date is foreseen."""
        return milestone_s(self.forecasts.get(drying.piece.id), MilestoneKind.HANDLE, safe=True)

    def wet_at(self, at: datetime) -> tuple[Drying, ...]:
        now_s = at.timestamp()
        return tuple(d for d in self.dryings if wet_from(d) <= now_s < self.wet_until(d))


def wet_from(drying: Drying) -> float:
    """Since when the piece has lain wet in its present room [s]."""
    return max(drying.pour.at.timestamp(), drying.stays[-1].since.timestamp())


def milestone_s(forecast: Forecast | None, kind: MilestoneKind, *, safe: bool) -> float:
    """When a milestone is safe to assume, or at even odds [s]; inf where that is not foreseen."""
    milestone = forecast.milestone(kind) if forecast else None
    at = None if milestone is None else milestone.safe_at if safe else milestone.worth_checking_at
    return np.inf if at is None else at.timestamp()


def codes(room: OccupiedRoom, time_s: Array, limits: Limits) -> dict[AlarmKind, Codes]:
    """The conditions of the four alarms of the air at each of `time_s` [s]; needs a climate."""
    step = max(1, AT_ONCE // max(1, len(room.dryings)))
    parts = [_codes(room, time_s[i : i + step], limits) for i in range(0, max(1, len(time_s)), step)]
    return {kind: np.concatenate([part[kind] for part in parts]) for kind in parts[0]}


def _codes(room: OccupiedRoom, time_s: Array, limits: Limits) -> dict[AlarmKind, Codes]:
    assert room.climate is not None
    temp, rh = room.climate.at(time_s)
    wet = being_wet(room, time_s)
    poured = np.array([d.pour.at.timestamp() for d in room.dryings])[:, None]
    young = wet & (time_s < poured + FIRST_DAY.total_seconds())
    coldest = np.where(wet, film_temperatures(room, time_s, temp, rh), np.inf).min(0)
    rate = relative_rate(temp, rh)
    dead_c, dead_rh = limits.deadband_c, limits.deadband_rh_pct
    # whatever the room's air
    hasty_alone = [[under_fan(d) or gap_grows(room.forecasts.get(d.piece.id))] for d in room.dryings]
    hasty = (young & np.array(hasty_alone)).any(0)
    found = {
        AlarmKind.COLD: _code(coldest < limits.cold_mfft_c, coldest >= limits.cold_mfft_c + dead_c),
        AlarmKind.FROST: _code(temp <= limits.frost_c, temp > limits.frost_c + dead_c),
        AlarmKind.DAMP: _code(
            (rh > limits.damp_rh_pct) | (rate < limits.damp_rate_fraction),
            (rh <= limits.damp_rh_pct - dead_rh) & (rate >= limits.damp_rate_fraction * RATE_DEADBAND),
        ),
        AlarmKind.TOO_FAST: _code(
            (temp > limits.fast_temp_c) | (rh < limits.fast_rh_pct) | hasty,
            (temp <= limits.fast_temp_c - dead_c) & (rh >= limits.fast_rh_pct + dead_rh) & ~hasty,
        ),
    }
    asleep = {kind: ~(young if kind is AlarmKind.TOO_FAST else wet).any(0) for kind in found}
    return {kind: np.where(asleep[kind], ASLEEP, code).astype(np.int8) for kind, code in found.items()}


def being_wet(room: OccupiedRoom, time_s: Array) -> Flags:
    """Which pieces are wet in this room at which moments (pieces, times)."""
    begin = np.array([wet_from(d) for d in room.dryings])[:, None]
    end = np.array([room.wet_until(d) for d in room.dryings])[:, None]
    return (begin <= time_s) & (time_s < end)


def _code(beyond: Flags, back: Flags) -> NDArray[np.int_]:
    return np.where(beyond, ON, np.where(back, OFF, BETWEEN))


def stale_after(room: OccupiedRoom, limits: Limits) -> timedelta:
    """How old the air of this room may be."""
    return limits.stale_after if room.has_sensor else limits.typed_stale_after


def is_fresh(room: OccupiedRoom, now: datetime, limits: Limits) -> bool:
    """Whether the room was heard from lately enough to say how it is at `now`."""
    return room.freshest_at is not None and now - room.freshest_at <= stale_after(room, limits)


def fresh_code(room: OccupiedRoom, now: datetime, limits: Limits) -> int:
    """Whether the room's data has gone stale at `now`; a room never read is stale from its first pour on."""
    wet = room.wet_at(now)
    if not wet:
        return ASLEEP
    if room.silent_together or any(one.flaw is Flaw.STUCK for one in room.doubted):  # as good as no readings
        return ON
    since = room.freshest_at or min(d.pour.at for d in wet)
    return ON if now - since > stale_after(room, limits) else OFF


def film_temperatures(room: OccupiedRoom, time_s: Array, temp_c: Array, rh_pct: Array) -> Array:
    """Film temperature of each piece at each moment [°C] (pieces, times), from its forecast stage.

    The surface is wet until packed, then falls to the room's humidity by touch-dry; both dates as forecast.
    """
    t_air, rh = temp_c + air.ZERO_C, rh_pct / 100
    forecasts = [room.forecasts.get(d.piece.id) for d in room.dryings]
    packed = np.array([milestone_s(f, MilestoneKind.PACKED, safe=False) for f in forecasts])[:, None]
    touch = np.array([milestone_s(f, MilestoneKind.TOUCH_DRY, safe=False) for f in forecasts])[:, None]
    dries = np.isfinite(packed) & np.isfinite(touch)
    begin, end = np.where(dries, packed, 0.0), np.where(dries, np.maximum(touch, packed + 1.0), 1.0)
    wetness = np.where(dries, np.clip((end - time_s) / (end - begin), 0.0, 1.0), 1.0)
    p = [d.pouring for d in room.dryings]
    speed, side, back = (np.array([[getattr(q, f)] for q in p]) for f in ("last_air_speed", "side", "h_back"))
    activity = rh + (1 - rh) * wetness
    return film_balance(t_air, air.vapour_pressure(t_air, rh), activity, speed, side, back).t_film - air.ZERO_C


def relative_rate(temp_c: Array, rh_pct: Array) -> Array:
    """How fast a wet film loses water in this air, as a fraction of the rate at 21 °C, 50 % (still air, 0.25 m)."""
    t = np.append(temp_c, 21.0) + air.ZERO_C
    rh = np.append(rh_pct, 50.0) / 100
    rate = film_balance(t, air.vapour_pressure(t, rh), 1.0, AIR_SPEED["still"], 0.25, 5.0).rate
    return np.asarray(rate[:-1] / rate[-1])


def under_fan(drying: Drying) -> bool:
    return drying.air_speed >= AIR_SPEED["fan"]


def gap_grows(forecast: Forecast | None) -> bool:
    """Whether the skin will close so long before the core that the film may craze."""
    if forecast is None or forecast.skin_gap_h is None or forecast.usual_skin_gap_h is None:
        return False
    more = forecast.skin_gap_h - forecast.usual_skin_gap_h
    return more >= GAP_MORE_H and forecast.skin_gap_h >= GAP_RATIO * forecast.usual_skin_gap_h
