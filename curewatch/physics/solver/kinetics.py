"""The right-hand side of a batch of films and its linearisation.

One dimension through the thickness, xi = 0 at the substrate to H_s at the surface [m3 of solids per m2], fixed to the
solids (Crank 1975, ch. 10). w and g: water and glycol [m3 per m3 of solids]; T: the film temperature [K] of
evaporation.py for the activity of the surface; phi: volume fractions; constants: film.py.

    dw/dt = d/dxi (D_w p^2 dw/dxi),  dg/dt = d/dxi (D_g p^2 dg/dxi),   p = 1/(1 + w + g), phi_w = w p, phi_g = g p  (1)
    D_w = D0 exp(-EA/R (1/T - 1/296.15) + 9 (phi_w + 0.7 phi_g)) + 2e-9 s(p)            [m2/s]                      (2)
    D_g = G0 exp(-EG/R (1/T - 1/296.15) + 14 (phi_w + phi_g)) + 5e-10 s(p),   s(p) = 1/(1 + exp((p - 0.64)/0.02))   (3)
    bottom: no flux (but see supports.py);   top: E / rho_w and E_g / rho_g             [m/s]                       (4)
    a_w, a_g: film.activities                                                                                       (5)
    E_g = k_m (9.3e-6/2.475e-5)^(2/3) (M_g/R) a_g p_g(T)/T                              [kg/(m2 s)]                 (6)

0.64 is `Films.packing`. The alternative of `Films.front`, a front that recedes through an open layer, puts for (2), (3)

    D_w = D0 exp(-EA/R (1/T - 1/296.15)) + 2e-9 s(p),   D_g as in (3),   s(p) = 1/(1 + exp((p - 0.695)/0.0125))     (F)

and changes nothing else. From packing (0.64) on the particles touch, but the pores between them stay open and full, so
liquid comes up as before until they are pressed shut at 0.74, hexagonal packing, where over 89-1322 µm the constant
rate of latex films ends (Kiil 2006, Prog. Org. Coat. 57:236); 0.695 = `packing` + 0.055 and 0.0125 are [cal] to that.
Then a wet front recedes from the surface: below it p stays near 0.74, above it water goes through polymer alone. That
holds no more than it can dissolve, the rest lies in pores; so the liquid does not loosen it: no 9 (phi_w + 0.7 phi_g).
What the layer above hands on falls with its depth alone, and the rate falls at one p in thick films and thin. Kiil's
own layer stays open to vapour (7e-7 m2/s); artists' acrylics fuse at room temperature and close it.

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
    FRONT_BEYOND,
    FRONT_WIDTH,
    M_GLYCOL,
    OPEN_WIDTH,
    RHO_GLYCOL,
    RHO_WATER,
    T_D,
    Films,
    Grid,
    activities,
    glycol_pressure,
)
from curewatch.physics.solver.coalescent import Coalescent
from curewatch.physics.solver.rosenbrock import Bands, RightSide
from curewatch.physics.supports import Bottom

GLYCOL_OUT = (9.3e-6 / 2.475e-5) ** (2 / 3) * M_GLYCOL / (air.R_GAS * RHO_GLYCOL)
OPEN_W, OPEN_G = 2e-9, 5e-10
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
        self.slow = Coalescent.within(films, self.grid)
        self._scale = 1 / (films.solids_m**2 * self.grid.share[:, None])
        front, work = films.front, self.p.dtype
        per_width = 1 / np.where(front, FRONT_WIDTH, OPEN_WIDTH)
        self._packing = ((films.packing + FRONT_BEYOND * front) / np.where(front, FRONT_WIDTH, OPEN_WIDTH)).astype(work)
        self._per_width: Any = per_width.astype(work) if front.any() else 1 / OPEN_WIDTH
        self._loosened = (~front).astype(work) if front.any() else None
        self._ln_d0 = np.log(films.d0) + EA / (air.R_GAS * T_D) + np.where(front, 0.0, 6.3)
        self._ln_g0 = np.log(films.g0) + EG / (air.R_GAS * T_D) + 14.0

    def rates(self, u: Array, t_air: Array, p_air: Array, guess: Array | None = None) -> Rates:
        """Rates at state `u` (cells, 2, films) in air of `t_air` [K] and vapour pressure `p_air` [Pa].

        `guess`: a nearby film temperature [K]. Slow solvent is as `slow` holds it.

        Leaves the solids fraction in `p` (cells, films), with slow solvent that of what packs, q of coalescent.py.
        """
        slow = self.slow
        np.add(u[:, 0], u[:, 1], out=self.p, casting="same_kind")
        if slow is not None:
            np.add(self.p, slow.swell - 1, out=self.p, casting="same_kind")
        self.p += 1.0
        np.divide(1.0, self.p, out=self.p)
        np.multiply(self.p, self.p, out=self._p2)
        w, top, foot = u[:, 0], u[-1], u[0]
        if slow is not None:
            w, top, foot = w / slow.swell, top / slow.swell[-1], foot / slow.swell[0]
            np.multiply(self.p, slow.swell, out=self.p, casting="same_kind")
        a_w, a_g, slope = activities(top[0], top[1])
        if slow is not None:
            slope /= slow.swell[-1]
        balance = self._plate.balance(t_air, p_air, a_w, guess)
        t_film = balance.t_film
        glycol = GLYCOL_OUT * balance.k_m * glycol_pressure(t_film) / t_film
        loss = np.empty_like(u[-1])
        np.multiply(balance.rate, 1 / RHO_WATER, out=loss[0])
        np.multiply(glycol, a_g, out=loss[1])
        slope[0] *= balance.slope * (1 / RHO_WATER)
        slope[1] *= glycol
        self._conductances(w, t_film)
        change = self._change
        np.subtract(u[:-1], u[1:], out=self._step)
        flux = np.multiply(self._conduct, self._step, out=self._flux)
        np.negative(flux[0], out=change[0])
        np.subtract(flux[:-1], flux[1:], out=change[1:-1])
        np.subtract(flux[-1], loss * self.films.solids_m, out=change[-1])
        if self.bottom is not None:
            change[0, 0] -= self.bottom.flows(foot, t_film, t_air, p_air) * self.films.solids_m
        change *= self._scale
        if slow is not None:
            slow.flows(self._p2, t_film, balance.k_m)
        return Rates(change, loss, slope, balance)

    def _conductances(self, w: Array, t_film: Array) -> None:
        """Diffusivities in each cell, and between cells the harmonic mean, weighted by the half cells in series."""
        p, free, paths, polymer, d, resist = self.p, self._free, self._open, self._polymer, self._d, self._resist
        inverse = (1 / air.R_GAS) / t_film
        # 9 phi_w + 6.3 phi_g = 6.3 + (2.7 w - 6.3) p  and  14 (phi_w + phi_g) = 14 - 14 p
        np.multiply(w, 2.7, out=free, casting="same_kind")
        free -= 6.3
        free *= p
        if self._loosened is not None:
            free *= self._loosened
        np.add(free, (self._ln_d0 - EA * inverse).astype(p.dtype), out=polymer[:, 0])
        np.multiply(p, -14.0, out=polymer[:, 1])
        polymer[:, 1] += (self._ln_g0 - EG * inverse).astype(p.dtype)
        np.exp(polymer, out=polymer)
        np.multiply(p, self._per_width, out=paths)
        paths -= self._packing
        np.exp(paths, out=paths)
        paths += 1.0
        np.divide(OPEN_W, paths, out=paths)  # water's share of d by the liquid paths
        np.add(polymer[:, 0], paths, out=d[:, 0])
        np.multiply(paths, OPEN_G / OPEN_W, out=d[:, 1])
        d[:, 1] += polymer[:, 1]
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
        p2 = self._p2 if self.slow is None else p * p
        np.subtract(2.7, self._free, out=q)  # 9 - (9 phi_w + 6.3 phi_g)
        if self._loosened is not None:
            q *= self._loosened
        np.multiply(q, p, out=a[:, 0])
        np.multiply(p2, 14.0, out=a[:, 1])
        a *= self._polymer
        np.multiply(paths, -1 / OPEN_W, out=q)  # the liquid paths: d s/du = s (1 - s) p^2 / width
        q += 1.0
        q *= paths
        q *= p2
        q *= self._per_width
        a[:, 0] += q
        q *= OPEN_G / OPEN_W
        a[:, 1] += q
        a /= self._d
        np.add(p, p, out=q)
        a -= q[:, None]
        a *= self._resist
        if self.slow is not None:  # so far by w/(1 + c) and g/(1 + c)
            a /= self.slow.swell[:, None].astype(a.dtype)
        return a
