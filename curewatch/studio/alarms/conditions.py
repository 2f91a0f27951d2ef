"""What a room's air does to the wet pieces in it, moment by moment: the conditions behind the alarms.

Each alarm's condition at a moment is one of ON (beyond its limit), OFF (back beyond the deadband too), BETWEEN
(inside the deadband) or ASLEEP (nothing wet in the room: suppressed by design).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from curewatch.language import phrase
from curewatch.physics import air
from curewatch.physics.air import Array, Flags
from curewatch.physics.evaporation import AIR_SPEED, EVEN, Balance, drying_number, film_balance
from curewatch.records import AlarmKind, Forecast, MilestoneKind
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.forecasting.drying import Drying

SAFE_MARGIN_C = 3.0
"""Warmed so far beyond the limit of cold or frost, a room is warm enough."""
ON, BETWEEN, OFF, ASLEEP = 1, 0, -1, 2
OF_THE_AIR = (AlarmKind.FROST, AlarmKind.COLD, AlarmKind.TOO_FAST, AlarmKind.DAMP)
"""The alarms of a room's air, by what is worse for the pieces: paint that froze does not recover, paint that set cold
may crack, paint that dried from its skin inwards may craze, paint in damp air only takes longer."""
Codes = NDArray[np.int8]

FIRST_DAY = timedelta(days=1)
"""How long a pour is young that has no date of being touch-dry: while its skin forms, drying too fast can craze it."""
AS_IT_IS = Change(phrase("as it is"))
AT_ONCE = 40_000
"""Films times moments whose energy balance is solved at once, to bound the memory."""
HASTE_ODDS = 1 / 3
"""A draught's speed is told by a word: one film in three that dries too fast by it is enough to say so. What crazes
stays so, and a box over it costs little. Of still air the limit itself is told."""
RATE_DEADBAND = 1.2
"""Drying counts as quick enough again when this much above its limit, and as slow enough when so much below."""


@dataclass(frozen=True)
class Limits:
    """Limits and delays of the alarms; the names say the units."""

    cold_mfft_c: float = 10.0
    frost_c: float = 2.0
    damp_rh_pct: float = 75.0
    damp_rate_fraction: float = 0.25
    fast_temp_c: float = 30.0
    fast_rh_pct: float = 30.0
    """Still air of this temperature and, with it, of this humidity is the quickest that a thick film may dry in."""
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
    heated: bool = True
    """Whether it can be warmed at all."""
    elsewhere: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Other rooms by name, as lately read: temperature [°C] and humidity [%]."""

    foretold: AlarmKind | None = None
    """What people were told that it will come to in the hours ahead, if anything."""

    @property
    def by_hand(self) -> bool:
        """Whether its air is what somebody types: it has no sensor, or that is silent or set aside."""
        return not self.has_sensor or (self.climate is not None and self.climate.by_hand)

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

    def wet_until(self, drying: Drying, kind: AlarmKind = AlarmKind.NO_FRESH_DATA) -> float:
        """When the piece no longer needs watching for that alarm [s], by the odds; inf if no date is foreseen.

        An alarm says what is likely, and is false as often as it was unlikely. Cold opens cracks as the pores of a
        packed film begin to empty (J. Coat. Technol. Res. 2013, "Drying and cracking of soft latex coatings"), in a
        thick one from the skin down; what is dry it only keeps from fusing on (Prog. Org. Coat. 2006). Damp costs time.
        So both are watched for while the film is not dry through at even odds; at the nine in ten of a safe date two
        alarms in three were false in cellars about the limit (`sh deploy/bench alarm_rules`). Frost is watched for
        while one in ten such films would still take harm, for it ruins what it meets; and so are readings, which a
        date that is safe to assume needs.
        """
        forecast = self.forecasts.get(drying.piece.id)
        safe = milestone_s(forecast, MilestoneKind.HANDLE, safe=True)
        if kind is AlarmKind.NO_FRESH_DATA:
            return safe
        through = min(milestone_s(forecast, MilestoneKind.HANDLE, safe=False), safe)
        if kind is not AlarmKind.FROST:
            return through
        return min(max(through, milestone_s(forecast, MilestoneKind.TOUCH_DRY, safe=True)), safe)

    def wet_at(self, at: datetime, kind: AlarmKind = AlarmKind.NO_FRESH_DATA) -> tuple[Drying, ...]:
        """The pieces that need watching then for that alarm."""
        now_s = at.timestamp()
        return tuple(d for d in self.dryings if wet_from(d) <= now_s < self.wet_until(d, kind))


def wet_from(drying: Drying) -> float:
    """Since when the piece has lain wet in its present room [s]."""
    return max(drying.pour.at.timestamp(), drying.stays[-1].since.timestamp())


def milestone_s(forecast: Forecast | None, kind: MilestoneKind, *, safe: bool) -> float:
    """When a milestone is safe to assume, or at even odds [s]; inf where that is not foreseen."""
    milestone = forecast.milestone(kind) if forecast else None
    at = None if milestone is None else milestone.safe_at if safe else milestone.worth_checking_at
    return np.inf if at is None else at.timestamp()


def codes(room: OccupiedRoom, time_s: Array, limits: Limits, change: Change = AS_IT_IS) -> dict[AlarmKind, Codes]:
    """The conditions of the four alarms of the air at each of `time_s` [s], once `change` is made; needs a climate."""
    step = max(1, AT_ONCE // max(1, len(room.dryings)))
    parts = [_codes(room, time_s[i : i + step], limits, change) for i in range(0, max(1, len(time_s)), step)]
    return {kind: np.concatenate([part[kind] for part in parts]) for kind in parts[0]}


def _codes(room: OccupiedRoom, time_s: Array, limits: Limits, change: Change) -> dict[AlarmKind, Codes]:
    assert room.climate is not None
    temp, rh = change.of(*room.climate.at(time_s))
    wet = {kind: being_wet(room, time_s, kind) for kind in OF_THE_AIR}
    young = wet[AlarmKind.TOO_FAST] = being_young(room, time_s)
    film = film_balances(room, time_s, temp, rh, change)
    blown = film_balances(room, time_s, temp, rh, change, HASTE_ODDS) if any_blown_on(room) else film
    coldest = np.where(wet[AlarmKind.COLD], film.t_film - air.ZERO_C, np.inf).min(0)
    rate = relative_rate(temp, rh)
    haste = np.where(young, hastes(room, blown, limits), 0.0).max(0, initial=0.0)
    dead_c, dead_rh = limits.deadband_c, limits.deadband_rh_pct
    found = {
        AlarmKind.COLD: _code(coldest < limits.cold_mfft_c, coldest >= limits.cold_mfft_c + dead_c),
        AlarmKind.FROST: _code(temp <= limits.frost_c, temp > limits.frost_c + dead_c),
        AlarmKind.DAMP: _code(
            (rh > limits.damp_rh_pct) | (rate < limits.damp_rate_fraction),
            (rh <= limits.damp_rh_pct - dead_rh) & (rate >= limits.damp_rate_fraction * RATE_DEADBAND),
        ),
        AlarmKind.TOO_FAST: _code(haste > 1.0, haste <= 1.0 / RATE_DEADBAND),
    }
    return {kind: np.where(wet[kind].any(0), code, ASLEEP).astype(np.int8) for kind, code in found.items()}


def being_wet(room: OccupiedRoom, time_s: Array, kind: AlarmKind = AlarmKind.NO_FRESH_DATA) -> Flags:
    """Which pieces need watching for that alarm in this room at which moments (pieces, times)."""
    begin = np.array([wet_from(d) for d in room.dryings])[:, None]
    end = np.array([room.wet_until(d, kind) for d in room.dryings])[:, None]
    return (begin <= time_s) & (time_s < end)


def being_young(room: OccupiedRoom, time_s: Array) -> NDArray[np.bool_]:
    """Which pieces have no skin yet at which moments (pieces, times): until touch-dry at even odds, where foreseen."""
    ends = []
    for drying in room.dryings:
        skinned = milestone_s(room.forecasts.get(drying.piece.id), MilestoneKind.TOUCH_DRY, safe=False)
        first_day = (drying.pour.at + FIRST_DAY).timestamp()
        ends.append([skinned if np.isfinite(skinned) else first_day])
    return being_wet(room, time_s) & (time_s < np.array(ends).reshape(-1, 1))


def _code(beyond: Flags, back: Flags) -> NDArray[np.int_]:
    return np.where(beyond, ON, np.where(back, OFF, BETWEEN))


def stale_after(room: OccupiedRoom, limits: Limits) -> timedelta:
    """How old the air of this room may be."""
    return limits.typed_stale_after if room.by_hand else limits.stale_after


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
    """Film temperature of each piece at each moment [°C] (pieces, times), from its forecast stage."""
    return np.asarray(film_balances(room, time_s, temp_c, rh_pct).t_film - air.ZERO_C)


def film_balances(
    room: OccupiedRoom, time_s: Array, temp_c: Array, rh_pct: Array, change: Change = AS_IT_IS, beyond: float = 0.5
) -> Balance:
    """Temperature and evaporation of each piece's film at each moment (pieces, times), the air's speed as changed;
    what blows on one as fast as it does with odds `beyond` [0-1].

    The surface is wet until packed, then falls to the room's humidity by touch-dry; both dates as forecast.
    """
    t_air, rh = temp_c + air.ZERO_C, rh_pct / 100
    forecasts = [room.forecasts.get(d.piece.id) for d in room.dryings]
    packed = np.array([milestone_s(f, MilestoneKind.SET, safe=False) for f in forecasts])[:, None]
    touch = np.array([milestone_s(f, MilestoneKind.TOUCH_DRY, safe=False) for f in forecasts])[:, None]
    dries = np.isfinite(packed) & np.isfinite(touch)
    begin, end = np.where(dries, packed, 0.0), np.where(dries, np.maximum(touch, packed + 1.0), 1.0)
    wetness = np.where(dries, np.clip((end - time_s) / (end - begin), 0.0, 1.0), 1.0)
    speed, side, back = plates(room, beyond)
    activity = rh + (1 - rh) * wetness
    return film_balance(t_air, air.vapour_pressure(t_air, rh), activity, change.speed(speed), side, back)


def plates(room: OccupiedRoom, beyond: float = 0.5) -> tuple[Array, Array, Array]:
    """Air speed [m/s], side [m] and heat through the back [W/(m2 K)] of each piece (pieces, 1)."""
    found = [
        (one.air_speed_beyond(beyond) if one.is_blown_on else one.air_speed, one.pouring.side, one.pouring.h_back)
        for one in room.dryings
    ]
    speed, side, back = np.array(found, dtype=float).reshape(-1, 3, 1).transpose(1, 0, 2)
    return speed, side, back


def at_stake(room: OccupiedRoom, kinds: Iterable[AlarmKind], at: datetime, limits: Limits) -> tuple[Drying, ...]:
    """The pieces that alarms of the room's air are about: what dries too fast is single pieces, all else what lies
    there and needs watching for it."""
    found = set()
    for kind in kinds:
        for one in room.wet_at(at, kind):
            alone = replace(room, dryings=(one,))
            if kind is not AlarmKind.TOO_FAST or is_or_was_on(alone, kind, at, limits):
                found.add(one.piece.id)
    return tuple(one for one in room.dryings if one.piece.id in found)


def is_or_was_on(room: OccupiedRoom, kind: AlarmKind, at: datetime, limits: Limits) -> bool:
    """Whether the condition of an alarm of the air holds then, or has not quite gone."""
    return bool(codes(room, np.array([at.timestamp()]), limits)[kind][0] in (ON, BETWEEN))


def any_blown_on(room: OccupiedRoom) -> bool:
    return any(drying.is_blown_on for drying in room.dryings)


def hastes(room: OccupiedRoom, film: Balance, limits: Limits) -> Array:
    """How far each film is towards drying from its skin inwards (pieces, times): above 1 it dries too fast."""
    solids = np.array([d.pouring.wet_thickness * d.pouring.solids for d in room.dryings]).reshape(-1, 1)
    return film_hastes(film, solids, *plates(room)[1:], limits)


def film_hastes(film: Balance, solids_m: Array, side: Array, h_back: Array, limits: Limits) -> Array:
    """How far films of `solids_m` [m] are towards drying from their skin inwards: above 1 they dry too fast.

    Its drying number against the same film's in still air of the limits' temperature and humidity; and never too fast
    below the number at which a film dries evenly in any air.
    """
    number = drying_number(film.rate, film.t_film, solids_m)
    t, rh = np.full_like(side, limits.fast_temp_c + air.ZERO_C), limits.fast_rh_pct / 100
    quickest = film_balance(t, air.vapour_pressure(t, np.full_like(t, rh)), 1.0, AIR_SPEED["still"], side, h_back)
    most = np.maximum(drying_number(quickest.rate, quickest.t_film, solids_m), EVEN)
    return np.asarray(number / most)


def relative_rate(temp_c: Array, rh_pct: Array) -> Array:
    """How fast a wet film loses water in this air, as a fraction of the rate at 21 °C, 50 % (still air, 0.25 m)."""
    t = np.append(temp_c, 21.0) + air.ZERO_C
    rh = np.append(rh_pct, 50.0) / 100
    rate = film_balance(t, air.vapour_pressure(t, rh), 1.0, AIR_SPEED["still"], 0.25, 5.0).rate
    return np.asarray(rate[:-1] / rate[-1])


def under_fan(drying: Drying) -> bool:
    return drying.air_speed >= AIR_SPEED["fan"]
