"""What lies behind a film: how heat comes through it, what water it soaks up and how fast, and what vapour it lets
through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.evaporation import H_BACK
from curewatch.physics.film import RHO_WATER, Films, activities

SOAK, BACK = 0, 1
"""The two ways out."""
SINK_REACH = 0.5
"""Share of its present time constant that an absorbent support may fill by in one step: its filling is followed
explicitly."""
OPEN_WIDTH = 0.02
"""Of the liquid paths' closing, as in `film`."""
FULL = 1e-3
"""A support with less than this share of its capacity free takes no more."""
MW_OVER_R_RHO = air.M_WATER / (air.R_GAS * RHO_WATER)


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
        self._packing = films.packing
        self._back = films.back_loss * MW_OVER_R_RHO
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
        paths = 1 / (1 + np.exp((p - self._packing) / OPEN_WIDTH))
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


PRIMED_CANVAS_S_D = 0.44
"""Vapour resistance of a primed canvas [m of still air] [cal]: amid the middle class, 0.14 to 1.4 m, into which EN 1062
sorts water-borne coatings by ISO 7783. The weave itself resists like a few millimetres."""
BEHIND_CANVAS_K_M = 2e-3
"""Mass transfer into the still air behind it [m/s]: as over a film at 0.1 m/s along 25 cm."""
RAW_PANEL_M = 0.3e-3
"""What an unsealed wooden panel soaks up of a pour [m of water] [cal]: no source; a few days of it swell the panel."""
RAW_PANEL_S = 4 * 3600.0
"""Time in which it would be two thirds full of clear water [s] [cal]: no source."""

CRADLE_AIR_R = 0.16
"""Resistance of the air shut in under a cradled panel [m2 K/W]: an unventilated layer of 25 mm and more, heat flowing
up to the film, which is colder than the table (ISO 6946, its table of such layers; from memory)."""
CRADLED_WOOD_R = 0.005 / 0.13
"""That of the panel itself [m2 K/W]: 5 mm of plywood of 500 kg/m3 (ISO 10456, from memory)."""
HARDBOARD_M = 0.25e-3
"""What one face of an unsealed hardboard soaks up [m of water] [cal]: 3 mm of a standard one weigh 3 kg/m2 and may take
up 35 % of that within a day under water, by both faces (ANSI A135.4, class standard); about half of it is common."""
HARDBOARD_S = 24 * 3600.0
"""Time in which it would be two thirds full of clear water [s] [cal]: the day of that test."""
PAPER_M = 0.3e-3
"""What a sheet of 300 g/m2 soaks up [m of water] [cal]: about its own weight; no source."""
PAPER_S = 20 * 60.0
"""Time in which it would be two thirds full of clear water [s] [cal]: 50 g/m2 in its first minute, as of a sized sheet
(the test is ISO 535's, the figure from memory), and on with the root of time."""


@dataclass(frozen=True)
class Backing:
    """A support, in the film's terms."""

    h_back: float
    """Heat through the back [W/(m2 K)]."""
    sink_m: float = 0.0
    """What it soaks up [m3 of water per m2]."""
    sink_rate: float = 0.0
    """How fast it does while it is empty [m/s]."""
    back_loss: float = 0.0
    """Conductance for vapour through the back [m/s]."""


_CLEAR, _LYING = H_BACK["canvas"], H_BACK["board"]
BACKINGS: Mapping[str, Backing] = {
    "canvas": Backing(_CLEAR, back_loss=back_conductance(PRIMED_CANVAS_S_D, BEHIND_CANVAS_K_M)),
    "board": Backing(_LYING),
    "panel": Backing(_CLEAR),
    "raw-panel": Backing(_CLEAR, sink_m=RAW_PANEL_M, sink_rate=RAW_PANEL_M / RAW_PANEL_S),
    "tile": Backing(_LYING),
    "glass": Backing(_LYING),
    "cradled-panel": Backing(1 / (1 / _LYING + CRADLE_AIR_R + CRADLED_WOOD_R)),
    "canvas-panel": Backing(_LYING),
    "hardboard": Backing(_LYING, sink_m=HARDBOARD_M, sink_rate=HARDBOARD_M / HARDBOARD_S),
    "paper": Backing(_LYING, sink_m=PAPER_M, sink_rate=PAPER_M / PAPER_S),
}
"""By the support's name: a primed canvas on stretchers, a board lying on the table, a wooden panel sealed or raw that
stands clear of it, a glazed tile and a sheet of glass lying on it; a sealed panel on a cradle that shuts air in, a
primed canvas on card, hardboard and paper lying on the table, whose back that closes."""
