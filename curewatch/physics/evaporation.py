"""Evaporation from a wet film: the steady energy balance that sets its temperature, the rate that follows, and whether
the film dries from its skin inwards at that rate.

    h (T_a - T_f) + eps sigma (T_a^4 - T_f^4) + h_back (T_a - T_f) = L(T_f) E
    E   = k_m (M_w/R) (a_w p_sat(T_f)/T_f - p_a/T_a)                     [kg/(m2 s)]
    k_m = 0.664 Re^1/2 Sc^1/3 D / L_p,   L_p = min(side, 0.3 m)          [m/s]
    h   = rho c_p (alpha/D)^2/3 k_m                                      [W/(m2 K)]

k_m is the laminar flat plate of Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, eq. 7.31 (Re < 5e5,
Sc > 0.6), h the Lewis relation of the same chapter. Properties are taken at the mean of room and film temperature,
as is usual for these correlations. An evaporating film is cooler than the room; a cold film in humid air gains
water, so the sign of E is free.

Honesty: over 11 data sets the best still-air correlation is off by 18 % on average (Shah 2002). Never claim
better than ±20 % for E.

**Whether the core keeps up.** A drying film stays even through its thickness while what leaves at the top is made up
for from below, and draws a skin over a wet core where it is not. What decides is one number, the Peclet number of
drying films

    Pe = H E / D                                                                    [-]

(Routh & Russel 1998, AIChE J. 44:2088; H thickness, E evaporation as a velocity, D diffusivity): well below 1 the film
is even, above it a packed layer forms on top. That is theirs for particles in a liquid, and magnetic resonance
profiles of drying latex found it to order such films (Eur. Phys. J. Special Topics 166, 2009). Here it is asked of the
moment at which the skin of an acrylic pour can close: when the particles pack (film.py) and water goes through
polymer. In the solids-fixed frame of film.py a flux E/rho_w through solids H_s makes a difference in w of

    E H_s / (rho_w D_w p^2),    p = PACKING, D_w = D0 exp(-Ea/R (1/T_f - 1/T_D) + 9 (1 - p))

and over the water that is there then, w = (1 - p)/p, it is the number told here:

    Pe = E H_s / (rho_w D_w p (1 - p))

Glycol is left out, and D0 is [cal], so the number is good for comparing airs over a film rather than by itself. A cold
film loses water slowly and lets it through slowly: E falls with the vapour pressure (a factor 2 in 10 K) and D_w with
Ea (1.5 in 10 K), so cold makes it smaller, never larger. The gap between touch-dry and handle, which cold lengthens,
says nothing of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.film import D0, EA, PACKING, RHO_WATER, T_D

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
PLATE_MOST = 0.3
"""A boundary layer of room air grows along no more than this of a piece [m] [cal]: over 0.07-425 m2 the best still-air
correlation has no size in it (Shah 2002, HVAC&R Res. 8(1):125)."""
H_BACK = {"canvas": 5.0, "board": 20.0}
"""Heat through the back [W/(m2 K)]: a stretched canvas clear of the table, a board lying on it; calibration."""
T_REF = 293.15
# k_m as 0.664 (v/L_p)^1/2 nu^-1/6 D^2/3, with the powers of nu and D in T gathered into one
KM_REF = 0.664 * air.kinematic_viscosity(T_REF) ** (-1 / 6) * air.water_vapour_diffusivity(T_REF) ** (2 / 3)
KM_EXP = -1.75 / 6 + 1.81 * 2 / 3
LEWIS_REF, LEWIS_EXP = air.thermal_diffusivity(T_REF) / air.water_vapour_diffusivity(T_REF), 1.75 - 1.81
_MW_OVER_R = air.M_WATER / air.R_GAS
CLOSE = 0.05
"""A Newton step [K] that ends the search: the rate then follows it along its tangent, within 2e-5 of E."""
STRIDE = 15.0
"""No Newton step goes further [K]: in hot, moving air the first one could leave the saturation laws behind."""


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
        """`air_speed` [m/s], `side` along the air [m], `h_back` [W/(m2 K)]: one value a piece, or one for all.

        `alpha_over_d` overrides alpha/D in the Lewis relation; 1 gives the thermodynamic wet bulb.
        """
        plate = np.minimum(np.asarray(side, dtype=float), PLATE_MOST)
        mass = KM_REF * np.sqrt(np.maximum(air_speed, AIR_SPEED_FLOOR) / plate)
        lewis, lewis_exp = (LEWIS_REF, LEWIS_EXP) if alpha_over_d is None else (alpha_over_d, 0.0)
        heat = mass * air.density(T_REF) * CP_AIR * np.cbrt(lewis) ** 2
        self._heat_exp = KM_EXP - 1 + lewis_exp * 2 / 3
        self._pieces = np.stack(np.broadcast_arrays(*np.atleast_1d(mass, heat, h_back)))
        self._radiated = emissivity * STEFAN_BOLTZMANN

    def balance(self, t_air: Array, p_air: Array, activity: Array, guess: Array | None = None) -> Balance:
        """Solve the energy balance by Newton's method. Arrays of one value a piece.

        `t_air` [K] and vapour pressure `p_air` [Pa] of the room, `activity` a_w of the surface; `guess` a nearby film
        temperature [K]. The transfer coefficients hardly move with T_f, so they lag one round. Each piece goes on
        until its own step is below 0.05 K, so its result does not depend on the others in the batch.
        """
        guess = t_air - 3.0 if guess is None else guess
        found = self._newton(self._pieces, t_air, p_air, activity, guess)
        far = np.flatnonzero(np.abs(found[0] - guess) > CLOSE)
        for _ in range(30):
            if not len(far):
                break
            before = found[0, far]
            part = self._newton(self._pieces[:, far], t_air[far], p_air[far], activity[far], before)
            found[:, far] = part
            far = far[np.abs(part[0] - before) > CLOSE]
        return Balance(*found)

    def _newton(self, pieces: Array, t_air: Array, p_air: Array, activity: Array, t_film: Array) -> Array:
        """One Newton step from `t_film` [K]; the rows of a Balance."""
        mass, heat, h_back = pieces
        ln_mean = np.log((t_air + t_film) * (0.5 / T_REF))
        k_m = mass * np.exp(KM_EXP * ln_mean)
        h = heat * np.exp(self._heat_exp * ln_mean) + h_back
        p_sat, ln_slope = air.saturation(t_film)
        per_t = 1 / t_film
        by_activity = k_m * p_sat * (per_t * _MW_OVER_R)
        wet = by_activity * activity
        rate = wet - k_m * p_air * (_MW_OVER_R / t_air)
        by_t = wet * (ln_slope - per_t)
        latent = air.latent_heat(t_film)
        t2, a2 = t_film * t_film, t_air * t_air
        gap = t_air - t_film
        heat_in = h * gap + self._radiated * (a2 + t2) * (t_air + t_film) * gap
        stiffness = h + (4 * self._radiated) * t2 * t_film + latent * by_t - 2369.0 * rate
        step = np.clip((heat_in - latent * rate) / stiffness, -STRIDE, STRIDE)
        found = np.empty((4, len(step)))
        np.add(t_film, step, out=found[0])
        np.add(rate, by_t * step, out=found[1])
        np.multiply(by_activity, 1 - latent * by_t / stiffness, out=found[2])
        found[3] = k_m
        return found


def film_balance(
    t_air: Array | float,
    p_air: Array | float,
    activity: Array | float,
    air_speed: Array | float,
    side: Array | float,
    h_back: Array | float,
    *,
    emissivity: float = EMISSIVITY,
    alpha_over_d: float | None = None,
) -> Balance:
    """`Plate.balance` for one moment: room `t_air` [K], vapour pressure `p_air` [Pa], surface `activity` [-],
    `air_speed` [m/s], `side` [m], `h_back` [W/(m2 K)]. Arrays broadcast; so do the results."""
    given = (t_air, p_air, activity, air_speed, side, h_back)
    arrays = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in given))
    t, p, a, *plate = (x.ravel() for x in arrays)
    found = Plate(*plate, emissivity=emissivity, alpha_over_d=alpha_over_d).balance(t, p, a)
    return Balance(*(x.reshape(arrays[0].shape) for x in found))


EVEN = 1.0
"""Below this number a film dries evenly, whatever the air (Routh & Russel 1998: the order of magnitude at which)."""
_LOOSENING = 9.0
"""How the liquid speeds up diffusion: D_w grows as exp(9 phi_w) (film.py) [cal]."""


def diffusivity_at_packing(t_film: Array | float) -> Array:
    """D_w [m2/s] of a film at `t_film` [K] whose particles have just packed: liquid paths closed, the pores full."""
    warmth = -EA / air.R_GAS * (1 / np.asarray(t_film, dtype=float) - 1 / T_D)
    return np.asarray(D0 * np.exp(warmth + _LOOSENING * (1 - PACKING)))


def drying_number(rate: Array, t_film: Array, solids_m: Array | float) -> Array:
    """Pe [-] of films that lose water at `rate` E [kg/(m2 s)] at `t_film` [K]; `solids_m`: H_s [m3/m2].

    0 where nothing evaporates: a film that gains water makes no skin.
    """
    supply = RHO_WATER * diffusivity_at_packing(t_film) * PACKING * (1 - PACKING)
    return np.asarray(np.maximum(rate, 0.0) * solids_m / supply)
