"""The slow solvent: a butyl glycol ether that lies in the polymer, leaves more slowly than glycol and hinders fusing.

A third volatile c [m3 per m3 of solids] beside w and g of kinetics.py, whose symbols hold here. A film without any is
not touched by it: its numbers are those of kinetics.py to the last bit. It swells the particles, so that polymer and
slow solvent together are what packs and what water and glycol are thinned by:

    p   = 1/(1 + w + g + c),   q = (1 + c) p,   phi_w = w p, phi_g = g p, phi_c = c p, v = c/(1 + c)               (C1)
    in (2), (3), (5), (F) and supports.py q, w/(1 + c), g/(1 + c) take the place of p, w, g; p of (C1) stays in (1)
    packing is judged by q, touch-dry and handle by the volatile fraction 1 - q + phi_c/2                          (C2)
    dc/dt = d/dxi (D_c p^2 dc/dxi),    D_c = C0 exp(-E_c/R (1/T - 1/296.15) + 14 (phi_w + phi_g + phi_c))          (C3)
    bottom: no flux;   top: E_c / rho_c  [m/s]
    E_c = k_m (5.4e-6/2.475e-5)^(2/3) (M_c/R) a_c p_c(T)/T                              [kg/(m2 s)]                (C4)
    a_c = min(v exp((1 - v) + 0.4 (1 - v)^2), 1) at the surface,  p_c = 5 Pa exp(-58e3/R (1/T - 1/293.15))         (C5)
    fusing: the film's ageing is slower by 1 + (mean v / 0.045)^4, the mean over the solids                         (C6)

Air takes up 5.4e-6 m2/s of it (Fuller's method, Poling, Prausnitz & O'Connell, eq. 11-4.4). 5 Pa at 20 °C is what data
sheets bound it by (0.04 mmHg), 58 kJ/mol leads from there to its boiling point, 230 °C. C0, the exponent, 0.4, the half
in (C2) and (C6) are calibration: in Zohrehvand & te Nijenhuis 2005 (J. Colloid Interface Sci.) 15 % of a glycol ether
put fusing off for nearly a year, while a few per cent help a film to form. Readiness for varnish weighs water and
glycol alone, and waits for this one by (C6).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.film import (
    CHI_COALESCENT,
    E_COALESCENT,
    HINDERS,
    HINDERS_POWER,
    M_COALESCENT,
    RHO_COALESCENT,
    T_D,
    Films,
    Grid,
)
from curewatch.physics.solver.rosenbrock import GAMMA, Bands, Shifted

_OUT = (5.4e-6 / 2.475e-5) ** (2 / 3) * M_COALESCENT / (air.R_GAS * RHO_COALESCENT)
_LOOSENING = 14.0


def vapour_pressure(t: Array) -> Array:
    """p_c [Pa] at `t` [K] (C5)."""
    return np.asarray(5.0 * np.exp(-58e3 / air.R_GAS * (1 / t - 1 / 293.15)))


def activity(c: Array) -> tuple[Array, Array]:
    """a_c of a surface cell with `c`, and its slope da_c/dc (C5)."""
    v = c / (1 + c)
    rest = 1 - v
    growth = np.exp(rest * (1 + CHI_COALESCENT * rest))
    slope = growth * (1 - v * (1 + 2 * CHI_COALESCENT * rest)) * rest * rest  # dv/dc = (1 - v)^2
    free = v * growth > 1
    return np.where(free, 1.0, v * growth), np.where(free, 0.0, slope)


class Coalescent:
    """The slow solvent of a batch of films over a step: like the other volatiles' step, by a system of its own.

    Its terms in theirs stay out of the Jacobian, and theirs in its: they make no stiffness.
    """

    swell: Array
    """1 + c of the look that is being taken (cells, films)."""
    end: Array
    """Where the last step leads (cells, films), what leaves the surface on it (films) [m3/m2]..."""
    lost: Array
    correction: Array
    """...and its second-order less its first-order result."""

    def __init__(self, films: Films, grid: Grid) -> None:
        self._share = grid.share
        self._solids_m = films.solids_m
        self._scale = 1 / (films.solids_m**2 * grid.share)
        self._ln_d0 = np.log(films.coalescent0) + E_COALESCENT / (air.R_GAS * T_D) + _LOOSENING

    @classmethod
    def within(cls, films: Films, grid: Grid) -> Coalescent | None:
        """None where no film has any."""
        return cls(films, grid) if (films.coalescent > 0).any() else None

    def holds(self, value: Array) -> None:
        """From here on the films hold `value` (cells, films) of it."""
        self._value, self.swell = value, 1 + value

    @property
    def hindrance(self) -> Array:
        """How many times slower the films fuse for it (films) (C6)."""
        v = (self._share * (1 - 1 / self.swell)).sum(0)
        return np.asarray(1 + (v / HINDERS) ** HINDERS_POWER)

    def firm(self, q: NDArray[np.floating[Any]]) -> Array:
        """What is dry to a finger, 1 less its volatile fraction (cells, films) (C2)."""
        return np.asarray(q * (1 - 0.5 * self._value / self.swell))

    def flows(self, p2: NDArray[np.floating[Any]], t_film: Array, k_m: Array) -> None:
        """How it moves at `t_film` [K] where `p2` is p^2 (cells, films), and leaves the surface (C3, C4)."""
        value, p = self._value, np.sqrt(p2, dtype=float)
        conductivity = np.exp(self._ln_d0 - E_COALESCENT / air.R_GAS / t_film - _LOOSENING * p) * p * p
        self._resist = 0.5 * self._share / conductivity
        self._bend_by = self._resist * (_LOOSENING * p - 2) * p  # d ln(D_c p^2)/dc, half a cell of it
        self._conduct = 1 / (self._resist[:-1] + self._resist[1:])
        self._step = value[:-1] - value[1:]
        flux = self._conduct * self._step
        a_c, slope = activity(value[-1])
        out = _OUT * k_m * vapour_pressure(t_film) / t_film
        self._loss, self._slope = out * a_c, out * slope
        change = np.empty_like(value)
        np.negative(flux[0], out=change[0])
        np.subtract(flux[:-1], flux[1:], out=change[1:-1])
        np.subtract(flux[-1], self._loss * self._solids_m, out=change[-1])
        self._change = change * self._scale

    def _bands(self) -> Bands:
        bend = self._step * self._conduct * self._conduct
        lower, upper = self._conduct + bend * self._bend_by[:-1], self._conduct - bend * self._bend_by[1:]
        diagonal = np.zeros_like(self._value)
        diagonal[:-1] -= lower
        diagonal[1:] -= upper
        diagonal[-1] -= self._slope * self._solids_m
        return Bands(diagonal * self._scale, lower * self._scale[1:], upper * self._scale[:-1], None)

    def first(self, shift: Array) -> None:
        """The first stage of a step, and to hold what its second looks at."""
        self._system, self._begin, self._slope_begin = Shifted(self._bands(), shift), self._value, self._slope
        self._k1 = self._system.solve(self._change)
        self._out1 = self._loss + shift * self._slope * self._k1[-1]
        self.holds(np.maximum(self._value + shift * self._k1, 0.0))

    def second(self, tau: Array) -> None:
        """The second stage of a step of `tau` [s], and where that leads."""
        k1 = self._k1
        k2 = self._system.solve(self._change - 2 * GAMMA * k1)
        out2 = self._loss + GAMMA * tau * self._slope_begin * k2[-1] - 2 * GAMMA * self._out1
        self.lost = tau * (GAMMA * self._out1 + (2 - GAMMA) * out2)
        gain = tau * (GAMMA * k1 + (2 - GAMMA) * k2)
        self.end, self.correction = self._begin + gain, gain - tau * k1
