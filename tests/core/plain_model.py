"""The model's equations once more, film by film and cell by cell in plain scalars: the oracle of the model's tests.

It shares no code and no constant with curewatch.physics: the equations are those printed at the head of
`evaporation.py` and `film.py`, the saturation law is psychrolib's, roots are found by Brent's method, time is
integrated by SciPy's BDF. Slow on purpose: nothing here is rearranged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import cbrt, exp, hypot, log, sqrt

import numpy as np
import psychrolib
from scipy.integrate import OdeSolution, solve_ivp
from scipy.optimize import brentq

from curewatch.physics.air import Array

Room = Callable[[float], tuple[float, float]]
"""Time [s] to temperature [K] and relative humidity [-]."""

psychrolib.SetUnitSystem(psychrolib.SI)

R, M_W, M_G = 8.314462618, 0.01801528, 0.076095
RHO_W, RHO_G, RHO_DRY = 998.0, 1036.0, 1350.0
PACKING, MFFT = 0.64, 283.15
HOUR, DAY = 3600.0, 86_400.0


def saturation_pressure(t: float) -> float:
    """[Pa] at `t` [K]."""
    return float(psychrolib.GetSatVapPres(t - 273.15))


def latent_heat(t: float) -> float:
    """[J/kg] at `t` [K]."""
    return 2500.9e3 - 2369 * (t - 273.15)


def transfer(t: float, air_speed: float, side: float, alpha_over_d: float | None = None) -> tuple[float, float]:
    """k_m [m/s] and h [W/(m2 K)] of a laminar plate in air at `t` [K]."""
    side = min(side, 0.3)
    d = 2.178e-5 * (t / 273.15) ** 1.81
    nu, alpha = (at_20 * (t / 293.15) ** 1.75 for at_20 in (1.506e-5, 2.107e-5))
    reynolds, schmidt = air_speed * side / nu, nu / d
    k_m = 0.664 * sqrt(reynolds) * cbrt(schmidt) * d / side
    rho_cp = 101_325 / (287.055 * t) * 1006
    return k_m, rho_cp * cbrt(alpha / d if alpha_over_d is None else alpha_over_d) ** 2 * k_m


@dataclass(frozen=True)
class Plate:
    """A piece in moving air."""

    air_speed: float = 0.1
    side: float = 0.25
    h_back: float = 5.0
    emissivity: float = 0.95
    alpha_over_d: float | None = None

    def rate(self, t_film: float, t_air: float, p_air: float, a_w: float) -> float:
        """E [kg/(m2 s)] at a film temperature, balanced or not."""
        k_m, _ = transfer(0.5 * (t_air + t_film), self.air_speed, self.side)
        return k_m * M_W / R * (a_w * saturation_pressure(t_film) / t_film - p_air / t_air)

    def film_temperature(self, t_air: float, p_air: float, a_w: float) -> float:
        """[K], where heat gained and latent heat spent are equal."""

        def surplus(t: float) -> float:
            _, h = transfer(0.5 * (t_air + t), self.air_speed, self.side, self.alpha_over_d)
            radiation = self.emissivity * 5.670374419e-8 * (t_air**4 - t**4)
            return (h + self.h_back) * (t_air - t) + radiation - latent_heat(t) * self.rate(t, t_air, p_air, a_w)

        # water that condenses on next to nothing warms a film without a back by up to 140 K; the law ends at 200 °C
        return float(brentq(surplus, t_air - 60, 473.15, xtol=1e-9))


def activities(w: float, g: float, corner: float = 0.0) -> tuple[float, float]:
    """a_w and a_g at `w`, `g` m3 per m3 of solids, not both zero; where the lines of a_w cross rounded by a hyperbola
    of half-width `corner` in activity, with the cap on a_g going over from 1 to x_g as a_w does."""
    phi_w, phi_g = w / (1 + w + g), g / (1 + w + g)
    moles_w, moles_g = w * RHO_W / M_W, g * RHO_G / M_G
    x_g = moles_g / (moles_w + moles_g)
    a_w = phi_w * exp((1 - phi_w) + 2.6 * (1 - phi_w) ** 2)
    a_g = phi_g * exp((1 - phi_g) - 0.5 * (1 - phi_g) ** 2)
    if corner:
        apart = a_w - (1 - x_g)
        free = 0.5 * (1 + apart / hypot(apart, corner))
        return 0.5 * (a_w + 1 - x_g - hypot(apart, corner)), min(a_g, 1 - free * (1 - x_g))
    return (1 - x_g, min(a_g, x_g)) if a_w >= 1 - x_g else (a_w, min(a_g, 1.0))


def diffusivities(w: float, g: float, t: float) -> tuple[float, float]:
    """D_w and D_g [m2/s] at `t` [K]."""
    p = 1 / (1 + w + g)
    phi_w, phi_g = w * p, g * p
    warmth = 1 / t - 1 / 296.15
    paths = 1 / (1 + exp((p - 0.64) / 0.02))
    d_w = 1.5e-12 * exp(-30e3 / R * warmth + 9 * (phi_w + 0.7 * phi_g)) + 2e-9 * paths
    d_g = 6e-14 * exp(-60e3 / R * warmth + 14 * (phi_w + phi_g)) + 5e-10 * paths
    return d_w, d_g


@dataclass(frozen=True)
class Film:
    """A pour, its solids divided into cells of `shares` from the substrate to the surface."""

    wet_m: float
    solids: float
    glycol: float
    plate: Plate
    shares: Sequence[float]
    corner: float = 0.0
    """How widely the corner of a_w is rounded (`activities`)."""

    @property
    def initial(self) -> list[float]:
        """w0, g0, w1, g1 ... and the ageing c."""
        water = (1 - self.solids - self.glycol) / self.solids
        return [water, self.glycol / self.solids] * len(self.shares) + [0.0]

    def surface(self, w: float, g: float, t_air: float, rh: float) -> tuple[float, float, float]:
        """Film temperature [K], and water and glycol leaving [m3/(m2 s)], of a surface cell of `w` and `g`."""
        a_w, a_g = activities(w, g, self.corner)
        p_air = rh * saturation_pressure(t_air)
        t = self.plate.film_temperature(t_air, p_air, a_w)
        k_m, _ = transfer(0.5 * (t_air + t), self.plate.air_speed, self.plate.side)
        p_g = 13 * exp(-65e3 / R * (1 / t - 1 / 293.15))
        glycol = k_m * cbrt(9.3e-6 / 2.475e-5) ** 2 * M_G / R * a_g * p_g / t
        return t, self.plate.rate(t, t_air, p_air, a_w) / RHO_W, glycol / RHO_G

    def change(self, y: Sequence[float], t_air: float, rh: float) -> list[float]:
        """dy/dt [1/s] of a state laid out as `initial`."""
        t, *loss = self.surface(y[-3], y[-2], t_air, rh)
        solids_m, cells = self.wet_m * self.solids, len(self.shares)
        width = [share * solids_m for share in self.shares]
        conductivity = []
        for i in range(cells):
            p = 1 / (1 + y[2 * i] + y[2 * i + 1])
            conductivity.append([d * p * p for d in diffusivities(y[2 * i], y[2 * i + 1], t)])
        dy = [0.0] * len(y)
        for k in (0, 1):
            for i in range(cells - 1):
                resistance = 0.5 * width[i] / conductivity[i][k] + 0.5 * width[i + 1] / conductivity[i + 1][k]
                flux = (y[2 * i + k] - y[2 * i + 2 + k]) / resistance
                dy[2 * i + k] -= flux / width[i]
                dy[2 * i + 2 + k] += flux / width[i + 1]
            dy[2 * cells - 2 + k] -= loss[k] / width[-1]
        mean_p = sum(share / (1 + y[2 * i] + y[2 * i + 1]) for i, share in enumerate(self.shares))
        if mean_p > PACKING and t > MFFT:
            dy[-1] = exp(-80e3 / R * (1 / t - 1 / 296.15)) / (150 * HOUR)
        return dy

    def jacobian(self, y: Sequence[float], t_air: float, rh: float) -> Array:
        """d change / d y by forward differences; cells three apart do not meet, so they are moved together.

        What the surface cell does to all others by way of the film temperature is left out: BDF's Newton only has to
        converge.
        """
        size = len(y)
        base, found = np.array(self.change(y, t_air, rh)), np.zeros((size, size))
        for first in range(6):
            moved = range(first, size - 1, 6)
            shifted = list(y)
            for j in moved:
                shifted[j] += 1e-7 * (1 + y[j])
            slope = np.array(self.change(shifted, t_air, rh)) - base
            for j in moved:
                near = slice(max(0, j - 3), min(size - 1, j + 4))
                found[near, j] = slope[near] / (shifted[j] - y[j])
        return found

    def dry(self, room: Room, until: float) -> Course:
        """Integrate from the pour to `until` [s]."""

        def right_side(t: float, y: Array) -> list[float]:
            return self.change(np.maximum(y, 1e-12).tolist(), *room(t))

        def jacobian(t: float, y: Array) -> Array:
            return self.jacobian(np.maximum(y, 1e-12).tolist(), *room(t))

        # steps of at most two hours in a room that changes, so that no night is stepped over
        longest = 2 * HOUR if room(0.0) != room(0.3 * DAY) else np.inf
        found = solve_ivp(
            right_side, (0.0, until), self.initial, "BDF", dense_output=True, rtol=1e-5, atol=1e-7,
            jac=jacobian, first_step=1.0, max_step=longest,
        )  # fmt: skip
        if not found.success:
            raise ArithmeticError(f"the oracle failed: {found.message}")
        return Course(self.shares, found.sol)


@dataclass(frozen=True)
class Course:
    """How a film dried."""

    shares: Sequence[float]
    at: OdeSolution

    def margins(self, time: Array | float) -> dict[str, Array]:
        """What each milestone asks for, >= 0 where it holds."""
        y = self.at(time)
        w, g, age = y[:-1:2], y[1:-1:2], y[-1]
        volatile = (w + g) / (1 + w + g)
        share = np.asarray(self.shares)
        depth_above = np.cumsum(share[::-1])[::-1] - share
        top = np.clip(0.1 - depth_above, 0.0, share)
        low = np.clip(0.1 - (np.cumsum(share) - share), 0.0, share)
        bottom = 0.16 - low @ volatile / low.sum()
        return {
            "set": 1 - share @ volatile - PACKING,
            "touch_dry": 0.12 - top @ volatile / top.sum(),
            "bottom": bottom,
            "handle": np.minimum.reduce([0.12 - top @ volatile / top.sum(), bottom, age - 0.01]),
            "varnish_ready": np.minimum(0.02 - share @ (RHO_W * w + RHO_G * g) / RHO_DRY, age - 1),
        }

    def reached(self, milestone: str) -> float:
        """[s] the first moment from which its condition then holds for its holding time; inf if it never does."""
        hold = DAY if milestone == "varnish_ready" else 2 * HOUR
        steps = self.at.ts
        time = np.unique(
            np.concatenate([steps + share * np.append(np.diff(steps), 0.0) for share in (0, 0.25, 0.5, 0.75)])
        )
        holds = self.margins(time)[milestone] >= 0
        since = np.inf
        for before, now, held in zip(time, time[1:], holds[1:], strict=False):
            if held and np.isinf(since):
                since = now
                if self.margins(before)[milestone] < 0:
                    since = float(brentq(lambda t: float(self.margins(t)[milestone]), before, now, xtol=1.0))
            since = since if held else np.inf
            if now - since >= hold:
                return float(since)
        return np.inf


def steady(t_c: float, rh: float) -> Room:
    """A room that stays as it is."""
    return lambda _: (t_c + 273.15, rh)


def evaporation_slope(plate: Plate, t_air: float, p_air: float, a_w: float, by: float = 1e-3) -> float:
    """dE/da_w by a central difference, each side with its own film temperature."""
    sides = (plate.rate(plate.film_temperature(t_air, p_air, a), t_air, p_air, a) for a in (a_w + by, a_w - by))
    above, below = sides
    return (above - below) / (2 * by)


def uno(concrete_c: float, air_c: float, rh: float, wind: float) -> float:
    """E [kg/(m2 h)] of Uno 1998 at a wind in km/h."""
    return 5e-6 * float((concrete_c + 18) ** 2.5 - rh * (air_c + 18) ** 2.5) * (wind + 4)


def flory_huggins_inverse(a_w: float) -> float:
    """phi_w at which the first, rising branch of the glycol-free law has activity `a_w` < 1."""

    def above(phi: float) -> float:
        return log(phi) + (1 - phi) + 2.6 * (1 - phi) ** 2 - log(a_w)

    return float(brentq(above, 1e-12, 0.2, xtol=1e-14))
