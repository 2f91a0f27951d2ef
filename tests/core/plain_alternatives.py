"""The film's equations with slow solvent, and with a front that recedes: an oracle like `plain_model`.

Of that it takes the air over the film, the activities of water and glycol and the search for moments.

Written from the text at the heads of `solver/kinetics.py` and `solver/coalescent.py`; cells in a row, SciPy's BDF.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import OdeSolution, solve_ivp
from scipy.sparse import diags

from curewatch.physics.air import Array
from tests.core import plain_model
from tests.core.plain_model import HOUR, RHO_DRY, RHO_G, RHO_W, Plate, R, transfer

M_C, RHO_C = 0.1903, 913.0


def surface(w: float, g: float, c: float, plate: Plate, t_air: float, rh: float) -> tuple[float, Array]:
    """Film temperature [K], and what leaves of water, glycol and slow solvent [m/s]."""
    a_w, a_g = plain_model.activities(w / (1 + c), g / (1 + c))
    p_air = rh * plain_model.saturation_pressure(t_air)
    t = plate.film_temperature(t_air, p_air, a_w)
    k_m, _ = transfer(0.5 * (t_air + t), plate.air_speed, plate.side)
    v = c / (1 + c)
    a_c = min(v * np.exp((1 - v) + 0.4 * (1 - v) ** 2), 1.0)
    glycol = 13 * np.exp(-65e3 / R * (1 / t - 1 / 293.15)) * (9.3e-6 / 2.475e-5) ** (2 / 3) * 0.076095 * a_g / RHO_G
    slow = 5 * np.exp(-58e3 / R * (1 / t - 1 / 293.15)) * (5.4e-6 / 2.475e-5) ** (2 / 3) * M_C * a_c / RHO_C
    return t, np.array([plate.rate(t, t_air, p_air, a_w) / RHO_W, k_m / R * glycol / t, k_m / R * slow / t])


@dataclass(frozen=True)
class Film:
    """A pour; `cells` of `shares` from the substrate to the surface."""

    wet_m: float
    solids: float
    glycol: float
    coalescent: float
    plate: Plate
    shares: Array
    front: bool = False

    def change(self, y: Array, t_air: float, rh: float) -> Array:
        """dy/dt [1/s] of w, g, c of each cell, and the ageing."""
        w, g, c = np.maximum(y[:-1], 1e-14).reshape(-1, 3).T
        t, loss = surface(w[-1], g[-1], c[-1], self.plate, t_air, rh)
        p = 1 / (1 + w + g + c)
        q = (1 + c) * p
        warmth = 1 / t - 1 / 296.15
        opens = (0.695, 0.0125) if self.front else (0.64, 0.02)
        s = 1 / (1 + np.exp((q - opens[0]) / opens[1]))
        loosened = 0.0 if self.front else 9 * (w * p + 0.7 * g * p)
        d_w = 1.5e-12 * np.exp(-30e3 / R * warmth + loosened) + 2e-9 * s
        d_g = 6e-14 * np.exp(-60e3 / R * warmth + 14 * (w + g) * p) + 5e-10 * s
        d_c = 2e-18 * np.exp(-60e3 / R * warmth + 14 * (w + g + c) * p)
        width = self.shares * self.wet_m * self.solids
        dy = np.zeros((len(w), 3))
        for k, (d, x) in enumerate(((d_w, w), (d_g, g), (d_c, c))):
            resistance = 0.5 * width / (d * p * p)
            flux = (x[:-1] - x[1:]) / (resistance[:-1] + resistance[1:])
            dy[:, k] = -np.diff(np.concatenate([[0.0], flux, [loss[k]]])) / width
        fuses = self.shares @ q > 0.64 and t > 283.15
        slower = 1 + (self.shares @ (c / (1 + c)) / 0.045) ** 4
        ageing = np.exp(-80e3 / R * (1 / t - 1 / 296.15)) / (150 * HOUR) / slower if fuses else 0.0
        return np.append(dy.ravel(), ageing)

    def dry(self, t_c: float, rh: float, until: float) -> Course:
        one = np.array([1 - self.solids - self.glycol - self.coalescent, self.glycol, self.coalescent]) / self.solids
        start, size = np.append(np.tile(one, len(self.shares)), 0.0), 3 * len(self.shares) + 1
        sparsity = diags([1.0] * 11, range(-5, 6), shape=(size, size))
        found = solve_ivp(
            lambda _, y: self.change(y, t_c + 273.15, rh), (0.0, until), start, "BDF", dense_output=True,
            rtol=1e-5, atol=1e-7, first_step=1.0, jac_sparsity=sparsity,
        )  # fmt: skip
        if not found.success:
            raise ArithmeticError(f"the oracle failed: {found.message}")
        return Course(self.shares, found.sol)


@dataclass(frozen=True)
class Course(plain_model.Course):
    """How such a film dried."""

    shares: Array
    at: OdeSolution

    def margins(self, time: Array | float) -> dict[str, Array]:
        y = self.at(time)
        w, g, c, age = y[:-1:3], y[1:-1:3], y[2:-1:3], y[-1]
        p = 1 / (1 + w + g + c)
        soft = (w + g + 0.5 * c) * p
        above = np.cumsum(self.shares[::-1])[::-1] - self.shares
        top = np.clip(0.1 - above, 0.0, self.shares)
        low = np.clip(0.1 - (np.cumsum(self.shares) - self.shares), 0.0, self.shares)
        touch, bottom = 0.12 - top @ soft / top.sum(), 0.16 - low @ soft / low.sum()
        dry = 0.02 - self.shares @ (RHO_W * w + RHO_G * g) / RHO_DRY
        return {
            "set": self.shares @ ((1 + c) * p) - 0.64,
            "touch_dry": touch,
            "handle": np.minimum.reduce([touch, bottom, age - 0.01]),
            "varnish_ready": np.minimum(dry, age - 1),
        }
