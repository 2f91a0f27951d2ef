"""Evaporation from a wet film: the steady energy balance that sets its temperature, and the rate that follows.

    h (T_a - T_f) + eps sigma (T_a^4 - T_f^4) + h_back (T_a - T_f) = L(T_f) E
    E   = k_m (M_w/R) (a_w p_sat(T_f)/T_f - p_a/T_a)                     [kg/(m2 s)]
    k_m = 0.664 Re^1/2 Sc^1/3 D / L_p                                    [m/s]
    h   = rho c_p (alpha/D)^2/3 k_m                                      [W/(m2 K)]

k_m is the laminar flat plate of Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, eq. 7.31 (Re < 5e5,
Sc > 0.6), h the Lewis relation of the same chapter. Properties are taken at the mean of room and film temperature,
as is usual for these correlations. An evaporating film is cooler than the room; a cold film in humid air gains
water, so the sign of E is free.

Honesty: over 11 data sets the best still-air correlation is off by 18 % on average (Shah 2002). Never claim
better than ±20 % for E.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array

EMISSIVITY = 0.95
"""Of a paint film in the infrared [-]."""
STEFAN_BOLTZMANN = 5.670374419e-8
"""[W/(m2 K4)] (CODATA 2018)."""
CP_AIR = 1006.0
"""Specific heat of air [J/(kg K)]."""
AIR_SPEED = {"still": 0.1, "draughty": 0.3, "fan": 1.0}
"""Air speed over the piece [m/s]; calibration, not measurement."""
AIR_SPEED_FLOOR = 0.05
"""Free convection never lets a room be stiller than this [m/s]; calibration."""
H_BACK = {"canvas": 5.0, "board": 20.0}
"""Heat through the back [W/(m2 K)]: a stretched canvas clear of the table, a board lying on it; calibration."""

_T_REF = 293.15
_KM_REF = 0.664 * air.kinematic_viscosity(_T_REF) ** (-1 / 6) * air.water_vapour_diffusivity(_T_REF) ** (2 / 3)
_KM_EXP = -1.75 / 6 + 1.81 * 2 / 3
_LEWIS_REF = air.thermal_diffusivity(_T_REF) / air.water_vapour_diffusivity(_T_REF)
_MW_OVER_R = air.M_WATER / air.R_GAS


class Balance(NamedTuple):
    """One solved energy balance, per film. `slope` is total: the film cools as its surface gets more active."""

    t_film: Array
    """Film temperature [K]."""
    rate: Array
    """E, evaporation [kg/(m2 s)], negative when water condenses on the film."""
    slope: Array
    """dE/da_w [kg/(m2 s)] with the film temperature following."""
    k_m: Array
    """Mass transfer coefficient of water vapour [m/s]."""


def mass_transfer(t_mean: Array, air_speed: Array | float, side: Array | float) -> Array:
    """k_m [m/s] at mean temperature [K], air speed [m/s] and side of the piece [m] (Incropera & DeWitt eq. 7.31).

    Written as 0.664 (v/L_p)^1/2 nu^-1/6 D^2/3, with the powers of nu and D in T gathered into one.
    """
    return np.asarray(_KM_REF * np.sqrt(np.asarray(air_speed) / side) * (t_mean / _T_REF) ** _KM_EXP)


def heat_transfer(t_mean: Array, k_m: Array, alpha_over_d: float | None = None) -> Array:
    """h [W/(m2 K)] by the Lewis relation; `alpha_over_d` overrides alpha/D (1 gives the thermodynamic wet bulb)."""
    lewis = _LEWIS_REF * (t_mean / _T_REF) ** (1.75 - 1.81) if alpha_over_d is None else alpha_over_d
    return np.asarray(air.density(t_mean) * CP_AIR * np.cbrt(lewis) ** 2 * k_m)


class Plate:
    """Pieces lying in moving air: what of their energy balance does not change while they dry."""

    def __init__(
        self,
        air_speed: Array | float,
        side: Array | float,
        h_back: Array | float,
        *,
        emissivity: float = EMISSIVITY,
        alpha_over_d: float | None = None,
    ) -> None:
        """`air_speed` [m/s], `side` along the air [m], `h_back` [W/(m2 K)]; arrays broadcast, one value a film."""
        self._mass = _KM_REF * np.sqrt(np.maximum(air_speed, AIR_SPEED_FLOOR) / np.asarray(side, dtype=float))
        self._h_back, self._emissivity, self._alpha_over_d = h_back, emissivity, alpha_over_d

    def balance(self, t_air: Array, p_air: Array, activity: Array | float, guess: Array | None = None) -> Balance:
        """Solve the energy balance by Newton's method.

        `t_air` [K] and vapour pressure `p_air` [Pa] of the room, `activity` a_w of the surface; `guess` a nearby film
        temperature [K]. The transfer coefficients hardly move with T_f, so they lag one round. The last Newton
        step is small enough for the rate to follow it along its tangent: at 0.1 K the error is 2e-5 of E.
        """
        t_film = t_air - 3.0 if guess is None else guess
        vapour = _MW_OVER_R * p_air / t_air
        radiated = self._emissivity * STEFAN_BOLTZMANN
        for _ in range(20):
            t_mean = 0.5 * (t_air + t_film)
            k_m = self._mass * (t_mean / _T_REF) ** _KM_EXP
            h = heat_transfer(t_mean, k_m, self._alpha_over_d) + self._h_back
            p_sat, ln_slope = air.saturation(t_film)
            by_activity = k_m * _MW_OVER_R * p_sat / t_film
            wet = by_activity * activity
            rate = wet - k_m * vapour
            by_t = wet * (ln_slope - 1 / t_film)
            latent = air.latent_heat(t_film)
            t2, a2 = t_film * t_film, t_air * t_air
            heat = h * (t_air - t_film) + radiated * (a2 * a2 - t2 * t2)
            stiffness = h + 4 * radiated * t2 * t_film + latent * by_t - 2369.0 * rate
            step = (heat - latent * rate) / stiffness
            t_film = t_film + step
            rate = rate + by_t * step
            if np.abs(step).max(initial=0.0) < 0.1:
                break
        return Balance(t_film, rate, by_activity * (1 - latent * by_t / stiffness), k_m)


def film_balance(
    t_air: Array | float,
    p_air: Array | float,
    activity: Array | float,
    air_speed: Array | float,
    side: Array | float,
    h_back: Array | float,
) -> Balance:
    """`Plate.balance` for one moment: room `t_air` [K], vapour pressure `p_air` [Pa], surface `activity` [-],
    `air_speed` [m/s], `side` [m], `h_back` [W/(m2 K)]. Arrays broadcast."""
    arrays = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (t_air, p_air, activity, air_speed, side, h_back))
    )
    return Plate(*arrays[3:]).balance(*arrays[:3])
