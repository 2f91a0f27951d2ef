"""The wet bulb of the ASHRAE Handbook 2017, chapter 1, by the package's own saturation law."""

from __future__ import annotations

import numpy as np

from curewatch.physics.air import P_ATM, T_TRIPLE, VALID_T, ZERO_C, Array, saturation_pressure, vapour_pressure


def humidity_ratio(p_vapour: Array | float, pressure: float = P_ATM) -> Array:
    """Mass of vapour per mass of dry air [kg/kg] (eq. 20)."""
    p_vapour = np.asarray(p_vapour, dtype=float)
    return np.asarray(0.621945 * p_vapour / (pressure - p_vapour))


def wet_bulb(t: Array | float, rh: Array | float, pressure: float = P_ATM) -> Array:
    """Thermodynamic wet-bulb temperature [K] of air at `t` [K], `rh` [0-1] (eq. 33, 35; bisection)."""
    t = np.asarray(t, dtype=float)
    w = humidity_ratio(vapour_pressure(t, rh), pressure)
    t, w = np.broadcast_arrays(t, w)
    low, high = np.full(w.shape, VALID_T[0]), t.astype(float)
    for _ in range(50):  # 300 K halved 50 times is far below rounding
        mid = 0.5 * (low + high)
        too_warm = _ratio_at_wet_bulb(t, mid, pressure) > w
        low, high = np.where(too_warm, low, mid), np.where(too_warm, mid, high)
    return np.asarray(0.5 * (low + high))


def _ratio_at_wet_bulb(t: Array, bulb: Array, pressure: float) -> Array:
    """Humidity ratio of air at `t` [K] whose wet bulb is `bulb` [K] (eq. 33, 35 with °C as printed there)."""
    tc, bc = t - ZERO_C, bulb - ZERO_C
    saturated = humidity_ratio(np.minimum(saturation_pressure(bulb), 0.99 * pressure), pressure)
    water = ((2501 - 2.326 * bc) * saturated - 1.006 * (tc - bc)) / (2501 + 1.86 * tc - 4.186 * bc)
    ice = ((2830 - 0.24 * bc) * saturated - 1.006 * (tc - bc)) / (2830 + 1.86 * tc - 2.1 * bc)
    return np.where(bulb >= T_TRIPLE, water, ice)
