"""The right-hand side of a batch of films and its linearisation (equations: see film.py).

A `Kinetics` is made once for a batch: it holds what does not change along a march, and the work arrays, which are
written over at each call. That is what lets NumPy run from a core's cache instead of from memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.evaporation import Balance, Plate
from curewatch.physics.film import (
    EA,
    EG,
    M_GLYCOL,
    PACKING,
    RHO_GLYCOL,
    RHO_WATER,
    T_D,
    Films,
    Grid,
    activities,
    glycol_pressure,
)

_GLYCOL_OUT = (9.3e-6 / 2.475e-5) ** (2 / 3) * M_GLYCOL / (air.R_GAS * RHO_GLYCOL)
_OPEN_W, _OPEN_G, _OPEN_WIDTH = 2e-9, 5e-10, 0.02


class Rates(NamedTuple):
    """The right-hand side at one state. Arrays belong to the Kinetics and live until its next call."""

    change: Array
    """d(w, g)/dt (cells, 2, films) [1/s]."""
    loss: Array
    """Water and glycol leaving the surface (2, films) [m/s of liquid]."""
    loss_slope: Array
    """d loss / d(w, g) of the surface cell (2, films)."""
    balance: Balance


class Bands(NamedTuple):
    """The tridiagonal Jacobian of each volatile by itself (cells, 2, films), (cells - 1, 2, films)."""

    diagonal: Array
    lower: Array
    """d change[i+1] / d u[i]."""
    upper: Array
    """d change[i] / d u[i+1]."""


class Kinetics:
    """Right-hand side and Jacobian of `films` on `grid`."""

    def __init__(self, films: Films, grid: Grid) -> None:
        self.films, self.grid = films, grid
        self._plate = Plate(films.air_speed, films.side, films.h_back)
        self._scale = 1 / (films.solids_m**2 * grid.share[:, None])
        self._half = 0.5 * grid.share[:, None]
        self._ln_d0, self._ln_g0 = np.log(films.d0), np.log(films.g0)
        shape = (grid.cells, len(films))
        self.p, self._q, self._phi_w, self._free, self._open, self._p2 = (np.empty(shape) for _ in range(6))
        self._polymer, self._d, self._resist, self._change, self._a = (
            np.empty((grid.cells, 2, len(films))) for _ in range(5)
        )
        self._conduct, self._step, self._flux, self._lower, self._upper = (
            np.empty((grid.cells - 1, 2, len(films))) for _ in range(5)
        )

    def rates(self, u: Array, t_air: Array, rh: Array, guess: Array | None = None) -> Rates:
        """Rates at state `u` (cells, 2, films) in air `t_air` [K], `rh` [0-1]; `guess`: a nearby film temperature [K].

        Leaves the solids fraction in `p` (cells, films).
        """
        w, g = u[:, 0], u[:, 1]
        p, q, phi_w = self.p, self._q, self._phi_w
        np.add(w, g, out=q)
        q += 1.0
        np.divide(1.0, q, out=p)
        np.subtract(1.0, p, out=q)
        np.multiply(w, p, out=phi_w)
        a_w, a_g, a_w_slope, a_g_slope = activities(w[-1], g[-1])
        balance = self._plate.balance(t_air, rh * air.saturation_pressure(t_air), a_w, guess)
        t_film = balance.t_film
        glycol = _GLYCOL_OUT * balance.k_m * glycol_pressure(t_film) / t_film
        loss = np.stack([balance.rate / RHO_WATER, glycol * a_g])
        loss_slope = np.stack([balance.slope * a_w_slope / RHO_WATER, glycol * a_g_slope])
        self._conductances(t_film)
        flux, change = self._flux, self._change
        np.subtract(u[:-1], u[1:], out=self._step)
        np.multiply(self._conduct, self._step, out=flux)
        np.negative(flux[0], out=change[0])
        np.subtract(flux[:-1], flux[1:], out=change[1:-1])
        np.subtract(flux[-1], loss * self.films.solids_m, out=change[-1])
        change *= self._scale
        return Rates(change, loss, loss_slope, balance)

    def _conductances(self, t_film: Array) -> None:
        """Diffusivities in each cell, and between cells the harmonic mean, weighted by the half cells in series."""
        p, q, phi_w, polymer, d, resist = self.p, self._q, self._phi_w, self._polymer, self._d, self._resist
        inverse = (1 / t_film - 1 / T_D) / air.R_GAS
        np.multiply(q, 6.3, out=self._free)  # 9 phi_w + 6.3 phi_g = 6.3 (phi_w + phi_g) + 2.7 phi_w
        phi_w *= 2.7
        self._free += phi_w
        np.add(self._free, self._ln_d0 - EA * inverse, out=polymer[:, 0])
        np.multiply(q, 14.0, out=polymer[:, 1])
        polymer[:, 1] += self._ln_g0 - EG * inverse
        np.exp(polymer, out=polymer)
        paths = self._open  # 1/(1 + exp((p - PACKING)/width))
        np.subtract(p, PACKING, out=paths)
        paths *= 1 / _OPEN_WIDTH
        np.exp(paths, out=paths)
        paths += 1.0
        np.divide(1.0, paths, out=paths)
        np.multiply(paths, _OPEN_W, out=d[:, 0])
        np.multiply(paths, _OPEN_G, out=d[:, 1])
        d += polymer
        np.multiply(p, p, out=self._p2)
        np.multiply(d, self._p2[:, None], out=resist)
        np.divide(self._half, resist, out=resist)
        np.add(resist[:-1], resist[1:], out=self._conduct)
        np.divide(1.0, self._conduct, out=self._conduct)

    def bands(self, loss_slope: Array) -> Bands:
        """The Jacobian at the state of the last `rates` call (call it right after).

        Each volatile's own flux with the dependence of its diffusivity on itself; at the surface both branches of
        its activity, softened by cooling. The coupling between the two volatiles is left out: ROS2 does not need it.
        """
        p, paths, a = self.p, self._open, self._a
        # d ln K / du of each volatile: d phi/du = p (1 - phi), while the other's phi falls by phi p, and p^2 by 2 p^3
        np.subtract(9.0, self._free, out=self._free)
        np.multiply(self._free, p, out=a[:, 0])
        np.multiply(self._p2, 14.0, out=a[:, 1])
        a *= self._polymer
        np.subtract(1.0, paths, out=self._q)
        paths *= self._q
        paths *= self._p2
        paths *= 1 / _OPEN_WIDTH
        np.multiply(paths, _OPEN_W, out=self._q)
        a[:, 0] += self._q
        np.multiply(paths, _OPEN_G, out=self._q)
        a[:, 1] += self._q
        a /= self._d
        np.add(p, p, out=self._q)
        a -= self._q[:, None]
        a *= self._resist
        # d flux/du_i = conduct + bend a_i;  -d flux/du_{i+1} = conduct - bend a_{i+1};  bend = step conduct^2
        bend, out, back = self._step, self._lower, self._upper
        bend *= self._conduct
        bend *= self._conduct
        np.multiply(bend, a[:-1], out=out)
        out += self._conduct
        np.multiply(bend, a[1:], out=back)
        np.subtract(self._conduct, back, out=back)
        diagonal = a
        np.negative(out, out=diagonal[:-1])
        np.negative(loss_slope * self.films.solids_m, out=diagonal[-1])
        diagonal[1:] -= back
        diagonal *= self._scale
        out *= self._scale[1:]
        back *= self._scale[:-1]
        return Bands(diagonal, out, back)


class Shifted:
    """(1 - shift J) factored once (Thomas), for as many right sides as needed. Consumes the bands it is given."""

    def __init__(self, bands: Bands, shift: Array) -> None:
        pivot, ratio, upper = bands
        for band in bands:
            band *= -shift
        pivot += 1.0
        np.divide(1.0, pivot[0], out=pivot[0])
        scratch = np.empty_like(pivot[0])
        for below, here, lower, above in zip(pivot, pivot[1:], ratio, upper, strict=False):
            lower *= below
            np.multiply(lower, above, out=scratch)
            here -= scratch
            np.divide(1.0, here, out=here)
        upper *= pivot[:-1]
        self._pivot, self._ratio, self._upper, self._scratch = pivot, ratio, upper, scratch

    def solve(self, x: Array) -> Array:
        """Solve in place for the right side `x` (cells, 2, films), and return it."""
        scratch = self._scratch
        for below, here, ratio in zip(x, x[1:], self._ratio, strict=False):
            np.multiply(ratio, below, out=scratch)
            here -= scratch
        x *= self._pivot
        for here, above, upper in zip(x[-2::-1], x[:0:-1], self._upper[::-1], strict=True):
            np.multiply(upper, above, out=scratch)
            here -= scratch
        return x
