"""Moist air: saturation, dew point and the transport properties that evaporation needs.

Psychrometrics follow the ASHRAE Handbook - Fundamentals (2017), chapter 1; equation numbers are given beside each.
They are written for arrays: the reference implementation in the tests (psychrolib) is scalar and cannot serve
thousands of films at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
