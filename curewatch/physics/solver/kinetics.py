"""The right-hand side of a batch of films and its linearisation (equations: see film.py).

A `Kinetics` is made once for a batch: it holds what does not change on the way, and the work arrays, which are
written over at each call. That is what lets NumPy run from a core's cache instead of from memory.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.evaporation import Balance, Plate
from curewatch.physics.film import (
    EA,
    EG,
    M_GLYCOL,
    RHO_GLYCOL,
    RHO_WATER,
    T_D,
    Films,
    Grid,
    activities,
    glycol_pressure,
)
from curewatch.physics.solver.rosenbrock import Bands, RightSide
from curewatch.physics.supports import Bottom

_GLYCOL_OUT = (9.3e-6 / 2.475e-5) ** (2 / 3) * M_GLYCOL / (air.R_GAS * RHO_GLYCOL)
_OPEN_W, _OPEN_G, _OPEN_WIDTH = 2e-9, 5e-10, 0.02
_SAME, _OTHER = ([0, 1], [0, 1]), ([0, 1], [1, 0])


class Rates(NamedTuple):
    """The right-hand side at one state. Arrays belong to the Kinetics and live until its next call."""

    change: Array
    """d(w, g)/dt (cells, 2, films) [1/s]."""
    loss: Array
    """Water and glycol leaving the surface (2, films) [m/s of liquid]."""
    loss_slope: Array
    """d loss[i] / d u[j] of the surface cell (2, 2, films), with the film temperature following a_w in the water's."""
    balance: Balance


class Kinetics:
    """Right-hand side and Jacobian of `films` on `grid`."""

    def __init__(
        self, films: Films, grid: Grid, work: type[np.floating[Any]] = np.float64, t: Array | None = None
    ) -> None:
        """`t`: the films' times [s], where the air over them changes its speed.

        `work`: precision in which diffusivities are computed. Fluxes and the Jacobian are always in double, so that
        single precision costs no mass; it makes the diffusivities wrong by 1e-6, and an integration a fifth faster."""
        self.films, self.grid = films, grid
        cells, n = grid.cells, len(films)
        self._half = (0.5 * grid.share[:, None]).astype(work)
        self.p, self._q, self._free, self._open, self._p2 = (np.empty((cells, n), work) for _ in range(5))
        self._polymer, self._d, self._resist, self._a = (np.empty((cells, 2, n), work) for _ in range(4))
        self._mean, self._bend, self._out, self._back = (np.empty((cells - 1, 2, n), work) for _ in range(4))
        self._change, self._diagonal = (np.empty((cells, 2, n)) for _ in range(2))
        self._step, self._conduct, self._flux, self._lower, self._upper = (
            np.empty((cells - 1, 2, n)) for _ in range(5)
        )
        self.refresh(t)

    def update_air_speed(self, t: Array | None) -> None:
        """Take up the air speeds of `films` at their times `t` [s]."""
        films = self.films
        self._plate = Plate(films.air_speed_at(t), films.side, films.h_back)

    def refresh(self, t: Array | None = None) -> None:
        """Take up the parameters of `films` again, after some of them have been replaced in place."""
        films = self.films
        self.update_air_speed(t)
        self.bottom = Bottom.under(films)
        self._scale = 1 / (films.solids_m**2 * self.grid.share[:, None])
        self._packing = (films.packing / _OPEN_WIDTH).astype(self.p.dtype)
        self._ln_d0 = np.log(films.d0) + EA / (air.R_GAS * T_D) + 6.3
        self._ln_g0 = np.log(films.g0) + EG / (air.R_GAS * T_D) + 14.0

    def rates(self, u: Array, t_air: Array, p_air: Array, guess: Array | None = None) -> Rates:
        """Rates at state `u` (cells, 2, films) in air of `t_air` [K] and vapour pressure `p_air` [Pa].

        `guess`: a nearby film temperature [K].

        Leaves the solids fraction in `p` (cells, films).
        """
        np.add(u[:, 0], u[:, 1], out=self.p, casting="same_kind")
        self.p += 1.0
        np.divide(1.0, self.p, out=self.p)
        a_w, a_g, slope = activities(u[-1, 0], u[-1, 1])
        balance = self._plate.balance(t_air, p_air, a_w, guess)
        t_film = balance.t_film
        glycol = _GLYCOL_OUT * balance.k_m * glycol_pressure(t_film) / t_film
        loss = np.empty_like(u[-1])
        np.multiply(balance.rate, 1 / RHO_WATER, out=loss[0])
        np.multiply(glycol, a_g, out=loss[1])
        slope[0] *= balance.slope * (1 / RHO_WATER)
        slope[1] *= glycol
        self._conductances(u[:, 0], t_film)
        change = self._change
        np.subtract(u[:-1], u[1:], out=self._step)
        flux = np.multiply(self._conduct, self._step, out=self._flux)
        np.negative(flux[0], out=change[0])
        np.subtract(flux[:-1], flux[1:], out=change[1:-1])
        np.subtract(flux[-1], loss * self.films.solids_m, out=change[-1])
        if self.bottom is not None:
            change[0, 0] -= self.bottom.flows(u[0], t_film, t_air, p_air) * self.films.solids_m
        change *= self._scale
        return Rates(change, loss, slope, balance)

    def _conductances(self, w: Array, t_film: Array) -> None:
        """Diffusivities in each cell, and between cells the harmonic mean, weighted by the half cells in series."""
        p, free, paths, polymer, d, resist = self.p, self._free, self._open, self._polymer, self._d, self._resist
        inverse = (1 / air.R_GAS) / t_film
        # 9 phi_w + 6.3 phi_g = 6.3 + (2.7 w - 6.3) p  and  14 (phi_w + phi_g) = 14 - 14 p
        np.multiply(w, 2.7, out=free, casting="same_kind")
        free -= 6.3
        free *= p
        np.add(free, (self._ln_d0 - EA * inverse).astype(p.dtype), out=polymer[:, 0])
        np.multiply(p, -14.0, out=polymer[:, 1])
        polymer[:, 1] += (self._ln_g0 - EG * inverse).astype(p.dtype)
        np.exp(polymer, out=polymer)
        np.multiply(p, 1 / _OPEN_WIDTH, out=paths)
        paths -= self._packing
        np.exp(paths, out=paths)
        paths += 1.0
        np.divide(_OPEN_W, paths, out=paths)  # water's share of d by the liquid paths
        np.add(polymer[:, 0], paths, out=d[:, 0])
        np.multiply(paths, _OPEN_G / _OPEN_W, out=d[:, 1])
        d[:, 1] += polymer[:, 1]
        np.multiply(p, p, out=self._p2)
        np.multiply(d, self._p2[:, None], out=resist)
        np.divide(self._half, resist, out=resist)
        np.add(resist[:-1], resist[1:], out=self._mean)
        np.divide(1.0, self._mean, out=self._mean)
        np.copyto(self._conduct, self._mean)

    def bands(self, here: RightSide) -> Bands:
        """The Jacobian at the state of the last `rates` call, whose result is `here`.

        Each volatile's own flux with the dependence of its diffusivity on itself; at the surface the slopes of both
        activities in both volatiles, softened by cooling: free liquid there loses water as fast as it loses glycol.
        Within the film the coupling between the two is left out: ROS2 does not need it.
        """
        # d flux/du_i = conduct + bend a_i;  -d flux/du_{i+1} = conduct - bend a_{i+1};  bend = step conduct^2
        a, bend, mean = self._stretch(), self._bend, self._mean
        np.copyto(bend, self._step, casting="same_kind")
        bend *= mean
        bend *= mean
        out = np.multiply(bend, a[:-1], out=self._out)
        out += mean
        back = np.multiply(bend, a[1:], out=self._back)
        np.subtract(mean, back, out=back)
        diagonal, lower, upper = self._diagonal, self._lower, self._upper
        np.copyto(lower, out)
        np.copyto(upper, back)
        np.negative(lower, out=diagonal[:-1])
        at_surface = here.loss_slope * self.films.solids_m
        np.negative(at_surface[_SAME], out=diagonal[-1])
        diagonal[1:] -= upper
        if self.bottom is not None:
            diagonal[0, 0] -= self.bottom.slope.sum(0) * self.films.solids_m
        diagonal *= self._scale
        lower *= self._scale[1:]
        upper *= self._scale[:-1]
        return Bands(diagonal, lower, upper, at_surface[_OTHER] * -self._scale[-1])

    def _stretch(self) -> NDArray[np.floating[Any]]:
        """Half a cell's resistance times d ln K / du of each volatile's K = D p^2 (cells, 2, films).

        d phi/du = p (1 - phi), while the other's phi falls by phi p, and p^2 by 2 p^3.
        """
        p, paths, q, a = self.p, self._open, self._q, self._a
        np.subtract(2.7, self._free, out=q)  # 9 - (9 phi_w + 6.3 phi_g)
        np.multiply(q, p, out=a[:, 0])
        np.multiply(self._p2, 14.0, out=a[:, 1])
        a *= self._polymer
        np.multiply(paths, -1 / _OPEN_W, out=q)  # the liquid paths: d s/du = s (1 - s) p^2 / width
        q += 1.0
        q *= paths
        q *= self._p2
        q *= 1 / _OPEN_WIDTH
        a[:, 0] += q
        q *= _OPEN_G / _OPEN_W
        a[:, 1] += q
        a /= self._d
        np.add(p, p, out=q)
        a -= q[:, None]
        a *= self._resist
        return a
