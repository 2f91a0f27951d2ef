"""What leaves a film at its lower side: water that the support soaks up, and vapour through a support's back.

An absorbent support wicks water from the bottom of the film until it is full:

    q = k (1 - s/C) phi_w s(p)              [m/s of water],  ds/dt = q

s(p) is the film's own (film.py): what is wicked is liquid, and its paths close when the particles pack. C is what it
takes [m3/m2 = m], k how fast while it is empty [m/s]; what it took it gives off at its own other side,
never back into the film. (The first-order filling of a store whose suction falls as it fills; capillary uptake by the
root of time, Hall & Hoff, Water Transport in Brick, Stone and Concrete, is faster at first and slower later.) Glycol is
not counted as taken: what goes in with the water cannot evaporate from in there, and comes back as the film dries.

Through the back of a stretched canvas vapour leaves the bottom of the film, or enters it in damp air:

    E_b = k_b (M_w/R) (a_w p_sat(T_f)/T_f - p_a/T_a)      [kg/(m2 s)],   1/k_b = s_d/D + 1/k_m

s_d is the layer of still air that resists as much as the canvas with its priming [m] (ISO 7783), 1/k_m the air behind
it. Its heat is not counted in the film's balance: a few hundredths of it, where the rate is known to a fifth.
"""

from __future__ import annotations

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.film import PACKING, RHO_WATER, Films, activities

SOAK, BACK = 0, 1
"""The two ways out."""
SINK_REACH = 0.5
"""Share of its present time constant that an absorbent support may fill by in one step: its filling is followed
explicitly."""
OPEN_WIDTH = 0.02
"""Of the liquid paths' closing, as in `film`."""
FULL = 1e-3
"""A support with less than this share of its capacity free takes no more."""
_MW_OVER_R_RHO = air.M_WATER / (air.R_GAS * RHO_WATER)


def back_conductance(s_d: float, k_m: float) -> float:
    """k_b [m/s] of a support that resists vapour like `s_d` [m] of still air, with `k_m` [m/s] behind it."""
    return 1 / (s_d / float(air.water_vapour_diffusivity(293.15)) + 1 / k_m)


class Bottom:
    """The lower side of a batch of films. `out` and `slope` are those of the last `flows`."""

    out: Array
    """Water leaving by each way (2, films) [m/s of liquid]."""
    slope: Array
    """d out / d w of the bottom cell (2, films)."""

    def __init__(self, films: Films) -> None:
        absorbs = (films.sink_m > 0) & (films.sink_rate > 0)
        self._rate = np.where(absorbs, films.sink_rate, 0.0)
        self._per_capacity = np.where(absorbs, 1 / np.where(absorbs, films.sink_m, 1.0), 0.0)
        self._back = films.back_loss * _MW_OVER_R_RHO
        self._loses = bool((films.back_loss > 0).any())
        self._taken = np.zeros(len(films))

    @classmethod
    def under(cls, films: Films) -> Bottom | None:
        """None where every film lies on a sealed support."""
        is_open = (films.back_loss > 0) | ((films.sink_m > 0) & (films.sink_rate > 0))
        return cls(films) if is_open.any() else None

    def holds(self, taken: Array) -> None:
        """From here on the supports hold `taken` [m] of water."""
        self._taken = taken

    def ahead(self, more: Array) -> None:
        """The same, but by `more` [m] of water than so far."""
        self._taken = self._taken + more

    def flows(self, u: Array, t_film: Array, t_air: Array, p_air: Array) -> Array:
        """Water leaving [m/s] a bottom cell with ratios `u` (2, films), by both ways together.

        Film and air at `t_film`, `t_air` [K], vapour in the air `p_air` [Pa].
        """
        out, slope = np.zeros(u.shape), np.zeros(u.shape)
        p = 1 / (1 + u[0] + u[1])
        suction, phi = self._rate * self._free(), u[0] * p
        paths = 1 / (1 + np.exp((p - PACKING) / OPEN_WIDTH))
        np.multiply(suction, phi * paths, out=out[SOAK])
        np.multiply(suction, paths * p * (1 - phi + phi * (1 - paths) * p / OPEN_WIDTH), out=slope[SOAK])
        if self._loses:
            a_w, _, by_u = activities(u[0], u[1])
            by_activity = self._back * air.saturation(t_film)[0] / t_film
            out[BACK] = by_activity * a_w - self._back * p_air / t_air
            slope[BACK] = by_activity * by_u[0, 0]
        self.out, self.slope = out, slope
        return np.asarray(out.sum(0))

    def _free(self) -> Array:
        free = 1 - self._taken * self._per_capacity
        return np.where(free > FULL, free, 0.0)

    def reach(self, liquid: Array) -> Array:
        """How far a step may go [s] with a volume fraction `liquid` at the bottom; inf where nothing is soaked up."""
        pace = self._rate * self._per_capacity * (self._free() > 0) * np.maximum(liquid, 1e-6)
        return np.asarray(np.where(pace > 0, SINK_REACH / np.where(pace > 0, pace, 1.0), np.inf))
