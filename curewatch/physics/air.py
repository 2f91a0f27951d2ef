"""Moist air: saturation, dew point and the transport properties that evaporation needs; and a room's air over time.

Psychrometrics follow the ASHRAE Handbook - Fundamentals (2017), chapter 1; equation numbers are given beside each.
They are written for arrays: the reference implementation in the tests (psychrolib) is scalar and cannot serve
thousands of films at once. Series of different lengths lie end to end in flat arrays, each shifted by a multiple of one
span, so that a single `searchsorted` finds the segment for every film of a batch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
P_ATM = 101_325.0
"""Standard atmospheric pressure [Pa]."""
T_TRIPLE = 273.16
"""Triple point of water [K]: where the laws over ice and over water meet (they cross here, not at 273.15 K)."""
ZERO_C = 273.15
"""0 °C [K]."""
R_GAS = 8.314462618
"""Molar gas constant [J/(mol K)] (CODATA 2018)."""
M_WATER = 0.01801528
"""Molar mass of water [kg/mol] (IAPWS)."""
VALID_T = (173.15, 473.15)
"""Range of the saturation laws [K] (ASHRAE 2017: ice from -100 °C, water up to 200 °C)."""


def saturation_pressure(t: Array | float) -> Array:
    """Saturation vapour pressure of water [Pa] at temperature `t` [K].

    ASHRAE Fundamentals 2017 ch. 1, eq. 5 (over ice, below the triple point) and eq. 6 (over liquid water).
    Raises ValueError outside `VALID_T`.
    """
    t = np.asarray(t, dtype=float)
    if t.size and not (t.min() >= VALID_T[0] and t.max() <= VALID_T[1]):
        raise ValueError(f"temperature {t.min():.2f}..{t.max():.2f} K is outside {VALID_T[0]}..{VALID_T[1]} K")
    over_water = np.exp(_ln_over_water(t))
    ice = t < T_TRIPLE
    if not ice.any():
        return over_water
    return np.where(ice, np.exp(_ln_over_ice(np.minimum(t, T_TRIPLE))), over_water)


def _ln_over_water(t: Array) -> Array:
    poly = 1.3914993 + t * (-4.8640239e-2 + t * (4.1764768e-5 - 1.4452093e-8 * t))
    return np.asarray(poly - 5.8002206e3 / t + 6.5459673 * np.log(t))


def _ln_over_ice(t: Array) -> Array:
    poly = 6.3925247 + t * (-9.677843e-3 + t * (6.2215701e-7 + t * (2.0747825e-9 - 9.484024e-13 * t)))
    return np.asarray(poly - 5.6745359e3 / t + 4.1635019 * np.log(t))


def saturation(t: Array) -> tuple[Array, Array]:
    """Saturation vapour pressure [Pa] and d ln(p_sat)/dT [1/K] at `t` [K]: eq. 5 and 6 and their derivatives.

    For inner loops: the range of `t` is not checked.
    """
    pressure, slope = np.exp(_ln_over_water(t)), _slope_over_water(t)
    if t.size and t.min() < T_TRIPLE:
        ice = t < T_TRIPLE
        frozen = np.minimum(t, T_TRIPLE)
        pressure = np.where(ice, np.exp(_ln_over_ice(frozen)), pressure)
        slope = np.where(ice, _slope_over_ice(frozen), slope)
    return pressure, slope


def _slope_over_water(t: Array) -> Array:
    return np.asarray((5.8002206e3 / t + 6.5459673) / t - 4.8640239e-2 + t * (8.3529536e-5 - 4.3355358e-8 * t))


def _slope_over_ice(t: Array) -> Array:
    poly = -9.677843e-3 + t * (1.24431402e-6 + t * (6.2243475e-9 - 3.7936096e-12 * t))
    return np.asarray((5.6745359e3 / t + 4.1635019) / t + poly)


def vapour_pressure(t: Array | float, rh: Array | float) -> Array:
    """Partial pressure of water vapour [Pa] in air at `t` [K] and relative humidity `rh` [0-1].

    Relative humidity is meant over liquid water above the triple point and over ice below it, as in eq. 22.
    """
    return np.asarray(np.asarray(rh, dtype=float) * saturation_pressure(t))


def dew_point(t: Array | float, rh: Array | float) -> Array:
    """Temperature [K] at which air at `t` [K] and `rh` [0-1, above 0] is saturated: eq. 5/6 inverted by Newton.

    Below the triple point this is the frost point.
    """
    t = np.asarray(t, dtype=float)
    rh = np.asarray(rh, dtype=float)
    if rh.size and rh.min() <= 0:
        raise ValueError(f"relative humidity {rh.min()} has no dew point, expected above 0")
    target = np.log(vapour_pressure(t, rh))
    dew = np.broadcast_to(t, target.shape).copy()
    for _ in range(60):  # ln p is concave in T, so Newton from above overshoots at most once; 5-8 rounds are usual
        pressure, slope = saturation(dew)
        step = (np.log(pressure) - target) / slope
        dew = np.clip(dew - step, VALID_T[0], VALID_T[1])
        if np.abs(step).max(initial=0.0) < 1e-9:
            break
    return np.asarray(dew)


def water_vapour_diffusivity(t: Array | float) -> Array:
    """Diffusivity of water vapour in air [m2/s] at `t` [K] and standard pressure (Massman 1998, Atmos. Environ. 32)."""
    return np.asarray(2.178e-5 * (np.asarray(t, dtype=float) / ZERO_C) ** 1.81)


def kinematic_viscosity(t: Array | float) -> Array:
    """Kinematic viscosity of air [m2/s]: 1.506e-5 at 20 °C, growing as T^1.75 (Incropera & DeWitt, table A.4)."""
    return np.asarray(1.506e-5 * (np.asarray(t, dtype=float) / 293.15) ** 1.75)


def thermal_diffusivity(t: Array | float) -> Array:
    """Thermal diffusivity of air [m2/s]: 2.107e-5 at 20 °C, growing as T^1.75 (Incropera & DeWitt, table A.4)."""
    return np.asarray(2.107e-5 * (np.asarray(t, dtype=float) / 293.15) ** 1.75)


def density(t: Array | float) -> Array:
    """Density of dry air [kg/m3] at `t` [K] and standard pressure (ideal gas, R = 287.055 J/(kg K))."""
    return np.asarray(P_ATM / (287.055 * np.asarray(t, dtype=float)))


def latent_heat(t: Array | float) -> Array:
    """Latent heat of vaporisation of water [J/kg] at `t` [K]: 2500.9e3 - 2369 t(°C)."""
    return np.asarray(2500.9e3 - 2369.0 * (np.asarray(t, dtype=float) - ZERO_C))


UNIT_T = 2.0
"""Change of temperature [K] that a time step may pass over at most."""
UNIT_RH = 0.06
"""Change of relative humidity [-] that a time step may pass over at most."""


class AirSeries:
    """Room temperature [K] and relative humidity [-] over time [s], for one or more rooms.

    Before its first knot and after its last a series holds that knot's value.
    """

    def __init__(self, series: Sequence[tuple[ArrayLike, ArrayLike, ArrayLike]]) -> None:
        """`series`: one (time [s], temperature [K], humidity [0-1]) triple a room; times strictly increasing."""
        if not series:
            raise ValueError("an AirSeries needs at least one room")
        parts = [_checked(*triple) for triple in series]
        self._first = np.array([t[0] for t, _, _ in parts])
        self._length = np.array([t[-1] - t[0] for t, _, _ in parts])
        self.span = float(self._length.max()) + 1.0
        self._time = np.concatenate([t - t[0] + i * self.span for i, (t, _, _) in enumerate(parts)])
        self._temp = np.concatenate([temp for _, temp, _ in parts])
        self._rh = np.concatenate([rh for _, _, rh in parts])
        starts = np.cumsum([0, *(len(t) for t, _, _ in parts)])
        self._begin, self._last = starts[:-1], starts[1:] - 1
        self._temp_area = np.concatenate([_area(t, temp) for t, temp, _ in parts])
        self._rh_area = np.concatenate([_area(t, rh) for t, _, rh in parts])
        self._travel = np.concatenate([_travel(*part) for part in parts])
        self._travel += np.repeat(np.arange(len(parts)) * (self._travel[self._last].max() + 2.0), np.diff(starts))
        self.steady = all(np.ptp(temp) == 0 and np.ptp(rh) == 0 for _, temp, rh in parts)
        """Whether no room's air ever changes."""

    @classmethod
    def constant(cls, temperature: float, humidity: float) -> AirSeries:
        """A room that stays as it is: temperature [K], relative humidity [0-1]."""
        return cls([(np.zeros(1), np.full(1, temperature), np.full(1, humidity))])

    @classmethod
    def from_celsius(cls, rooms: Sequence[tuple[Array, Array, Array]], origin_s: float = 0.0) -> AirSeries:
        """Of (time [s], temperature [°C], humidity [%]) triples, with times counted from `origin_s`."""
        return cls([(time - origin_s, temp + ZERO_C, rh / 100) for time, temp, rh in rooms])

    KNOTS = ("time", "temp", "rh", "temp_area", "rh_area", "travel", "first", "length", "begin", "last")

    def knots(self) -> dict[str, NDArray[Any]]:
        """Its columns by name: knots of all rooms end to end, areas and travel up to each; then a value a room."""
        return {name: getattr(self, f"_{name}") for name in self.KNOTS}

    @property
    def rooms(self) -> int:
        return len(self._first)

    def at(self, time: Array, room: NDArray[np.intp]) -> tuple[Array, Array]:
        """Temperature [K] and relative humidity [-] at `time` [s] in series `room`; arrays of one length."""
        if self.steady:
            return self._temp[self._begin[room]], self._rh[self._begin[room]]
        left, _, share, _ = self._find(time, room)
        return self._value(self._temp, left, share), self._value(self._rh, left, share)

    def mean(self, time: Array, width: Array, room: NDArray[np.intp]) -> tuple[Array, Array]:
        """Means of temperature [K] and relative humidity [-] over `width` [s] from `time` [s] in series `room`."""
        mean, _ = self.over(time, width, room)
        return mean

    def over(
        self, time: Array, width: Array, room: NDArray[np.intp]
    ) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
        """As `mean`, and the temperature [K] and relative humidity [-] at the end of it."""
        if self.steady:
            here = self.at(time, room)
            return here, here
        begin, end = self._find(time, room), self._find(time + width, room)
        means, ends, long = [], [], width > 1.0
        for value, area in ((self._temp, self._temp_area), (self._rh, self._rh_area)):
            first, last = self._value(value, begin[0], begin[2]), self._value(value, end[0], end[2])
            whole = self._area(area, value, last, end) - self._area(area, value, first, begin)
            means.append(np.where(long, whole / np.maximum(width, 1.0), first))
            ends.append(last)
        return (means[0], means[1]), (ends[0], ends[1])

    def _find(self, time: Array, room: NDArray[np.intp]) -> tuple[NDArray[np.intp], Array, Array, Array]:
        """Knot to the left, seconds and share of the segment beyond it, and seconds outside the record."""
        since = time - self._first[room]
        local = np.clip(since, 0.0, self._length[room])
        left = np.searchsorted(self._time, local + room * self.span, "right") - 1
        left = np.clip(left, self._begin[room], self._last[room] - 1)
        into = local - (self._time[left] - room * self.span)
        width = np.maximum(self._time[left + 1] - self._time[left], 1e-9)
        return left, into, np.clip(into / width, 0.0, 1.0), since - local

    @staticmethod
    def _value(value: Array, left: NDArray[np.intp], share: Array) -> Array:
        return np.asarray(value[left] + share * (value[left + 1] - value[left]))

    @staticmethod
    def _area(area: Array, value: Array, here: Array, found: tuple[NDArray[np.intp], Array, Array, Array]) -> Array:
        """Integral of `value` from the first knot to where it is `here`; beyond the record its end goes on."""
        left, into, _, outside = found
        return np.asarray(area[left] + 0.5 * into * (value[left] + here) + outside * here)

    def next_change(self, time: Array, room: NDArray[np.intp]) -> Array:
        """Latest end [s] of a step from `time` that passes over at most one UNIT_T or UNIT_RH of change; inf if none.

        An adaptive step could otherwise land on the same hour each day and never see the night.
        """
        if self.steady:
            return np.full(time.shape, np.inf)
        local = np.clip(time - self._first[room], 0.0, self._length[room])
        travelled = np.interp(local + room * self.span, self._time, self._travel)
        target = travelled + 1.0
        ahead = np.interp(target, self._travel, self._time)
        # better to end at a knot than just beyond one: what was steady before it is then not blurred with what follows
        knot = self._time[np.searchsorted(self._time, ahead, "right") - 1]
        ahead = np.where(knot > local + room * self.span + 1.0, knot, ahead) - room * self.span + self._first[room]
        beyond = target > self._travel[self._last[room]]
        # the end of the record is a corner as well: stop there once, then nothing changes any more
        last = self._first[room] + self._length[room]
        return np.where(beyond, np.where(time < last, last, np.inf), ahead)


def _travel(time: Array, temp: Array, rh: Array) -> Array:
    """How far the air has moved up to each knot, in units; strictly increasing so that it can be inverted."""
    moved = np.abs(np.diff(temp)) / UNIT_T + np.abs(np.diff(rh)) / UNIT_RH + 1e-9 * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(moved)])


def _checked(time: ArrayLike, temp: ArrayLike, rh: ArrayLike) -> tuple[Array, Array, Array]:
    t, temperature, humidity = (np.atleast_1d(np.asarray(x, dtype=float)) for x in (time, temp, rh))
    if not len(t) == len(temperature) == len(humidity) or not len(t):
        raise ValueError(f"a room's series needs equal lengths, got {len(t)}, {len(temperature)}, {len(humidity)}")
    if not (np.isfinite(t).all() and np.isfinite(temperature).all() and np.isfinite(humidity).all()):
        raise ValueError("a room's series must be finite")
    if len(t) > 1 and np.diff(t).min() <= 0:
        raise ValueError("a room's series needs strictly increasing times")
    low, high = VALID_T
    if not (low <= temperature.min() and temperature.max() <= high):
        raise ValueError(f"a room's temperature must lie in {low}..{high} K, got {_worst(temperature, low, high):g} K")
    if not (humidity.min() >= 0 and humidity.max() <= 1):
        raise ValueError(f"a room's humidity must lie in 0..1, got {_worst(humidity, 0.0, 1.0):g}")
    if len(t) == 1:  # a second knot, so that every moment lies in a segment
        return np.array([t[0], t[0] + 1.0]), np.repeat(temperature, 2), np.repeat(humidity, 2)
    return t, temperature, humidity


def _worst(values: Array, low: float, high: float) -> float:
    """The value furthest outside low..high."""
    return float(values[np.argmax(np.maximum(low - values, values - high))])


def _area(time: Array, value: Array) -> Array:
    """Integral up to each knot."""
    return np.concatenate([[0.0], np.cumsum(0.5 * np.diff(time) * (value[1:] + value[:-1]))])


USUAL_AIR = AirSeries.constant(21 + ZERO_C, 0.5)
"""What films are compared in: 21 °C and 50 %."""
