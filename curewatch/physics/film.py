"""The drying film: its constants, the parameters of a batch, the grid, the activities at its surface, and the wet
thickness a pour comes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from curewatch.physics import air
from curewatch.physics.air import Array, Flags

RHO_WATER, RHO_GLYCOL = 998.0, 1036.0
"""Densities of water and of propylene glycol [kg/m3]."""
RHO_DRY = 1350.0
"""Density of the dry film [kg/m3] [cal]."""
M_GLYCOL = 0.076095
"""Molar mass of propylene glycol [kg/mol]."""
D0, EA = 1.5e-12, 30e3
"""Diffusivity of water in the film at 296.15 K [m2/s] [cal], its activation energy [J/mol] (Kovacs 2021: 23-28)."""
G0, EG = 6e-14, 60e3
"""The same for glycol [m2/s], [J/mol] [cal]."""
T_D = 296.15
"""Temperature at which D0 and G0 are given [K]."""
PACKING = 0.64
"""Solids fraction at which particles pack (random close packing; 0.60-0.75 in Vanderhoff 1973)."""
LIMIT_SURFACE, LIMIT_BOTTOM, LIMIT_DRY = 0.12, 0.16, 0.02
"""Volatile fraction at touch-dry (top tenth) and handle (lowest tenth); volatile mass at ready to varnish [cal]."""
MFFT = 283.15
"""Minimum film-forming temperature of artists' acrylics [K] (ISO 2115 / ASTM D2354 quantity; common practice)."""
CHI_WATER, CHI_GLYCOL = 2.6, -0.5
"""Flory-Huggins interaction parameters [-] [cal]. Glycol's sign was set by what leaves films of 100-150 µm on metal: it
takes 3-4 days (Sparks et al. 1999, Indoor Air 9:10-17), most of it within 100 h (Chang et al. 1997, Indoor Air 7)."""
CORNER = 0.002
"""Activity over which the corner of a_w is rounded [-]: a step that lands beyond a sharp one overshoots, and the next
one back again, for ever smaller steps. Milestones move by less than 0.02 %."""
FUSE_EA, FUSE_S = 80e3, 150 * 3600.0
"""Ageing towards a fused film: activation energy [J/mol] [cal], time at 296.15 K [s] (Prog. Org. Coat. 2006)."""
OPEN_WIDTH = 0.02
"""Solids fraction over which the liquid paths close at packing."""
FRONT_BEYOND, FRONT_WIDTH = 0.055, 0.0125
"""The same in a film with a receding front (see `Films.front`): how far beyond packing half of the paths have closed,
over how much [cal]: all but three hundredths by 0.74, where latex films leave their constant rate (Kiil 2006)."""
M_COALESCENT, RHO_COALESCENT = 0.1903, 913.0
"""The slow solvent is a butyl ether of dipropylene glycol: molar mass [kg/mol], density [kg/m3] (data sheets)."""
CHI_COALESCENT = 0.4
"""Its Flory-Huggins parameter in the polymer, a good solvent of it [-] [cal]."""
COALESCENT0, E_COALESCENT = 2e-18, 60e3
"""Its diffusivity in the dry film at 296.15 K [m2/s], its activation energy [J/mol] [cal]: 15 % of it on the polymer
keep a coat unfused for nearly a year (Zohrehvand & te Nijenhuis 2005, J. Colloid Interface Sci.)."""
HINDERS, HINDERS_POWER = 0.045, 4
"""Fusing goes 1 + (v/HINDERS)^HINDERS_POWER times slower with a share v of slow solvent in the polymer [-] [cal]: some
70 times with the 15 % of that source, hardly with the few that help a film to form."""
FUSING, FUSED = 0.01, 1.0
"""Ageing c at which a film has begun to fuse enough to be handled [cal], and has fused."""
_CHI = np.array([[CHI_WATER], [CHI_GLYCOL]])
MOLES = (RHO_WATER / air.M_WATER, RHO_GLYCOL / M_GLYCOL)
"""Of water and glycol in a volume of each [mol/m3]."""
_MOLES = np.array(MOLES)[:, None]
NO_MOLES = 1e-3
"""Liquid [mol per m3 of solids] below which there is none to speak of mole fractions of."""


Index = NDArray[np.intp] | Flags | slice


class Columns:
    """A dataclass of arrays whose last axis is the films."""

    def take(self, index: Index) -> Self:
        """A copy of some columns."""
        columns: Any = self
        return type(self)(**{f.name: getattr(self, f.name)[..., index].copy() for f in fields(columns)})

    def put(self, index: Index, part: Self) -> None:
        """Overwrite the columns at `index` by those of `part`."""
        columns: Any = self
        for f in fields(columns):
            getattr(self, f.name)[..., index] = getattr(part, f.name)

    @classmethod
    def join(cls, parts: Sequence[Self]) -> Self:
        """The columns of several side by side."""
        some: Any = cls
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts], axis=-1) for f in fields(some)})


@dataclass(frozen=True)
class Films(Columns):
    """Parameters of a batch of films, one value a film (scalars broadcast at `Films.of`)."""

    solids_m: Array
    """H_s: solids per area [m3/m2]."""
    water: Array
    """w at the pour [m3 per m3 of solids]."""
    glycol: Array
    """g at the pour [m3 per m3 of solids]."""
    side: Array
    """Side of the piece along the air [m]."""
    air_speed: Array
    """At the pour [m/s]; later as `air_speed_at` says."""
    h_back: Array
    """Heat through the back [W/(m2 K)]."""
    d0: Array
    g0: Array
    limit_surface: Array
    limit_bottom: Array
    mfft: Array
    """[K]"""
    packing: Array
    """Solids fraction at which its particles pack."""
    fuse_s: Array
    """Time in which it fuses at 296.15 K [s]."""
    fusing: Array
    """Ageing c at which it can be handled."""
    air_temp_off: Array
    """By how much its room is warmer than was read [K]: a steady error of the sensor, and..."""
    air_rh_off: Array
    """...damper [0-1]."""
    sink_m: Array
    """What the support soaks up [m3 of liquid per m2]; 0: sealed."""
    sink_rate: Array
    """How fast it does while it is empty [m/s]."""
    back_loss: Array
    """Conductance for vapour through its back [m/s]; 0: sealed."""
    speed_change_s: Array
    """When another air moves over it (turns, films) [s, as the solver counts], increasing; inf: no more turns..."""
    changed_speed: Array
    """...and how fast that moves (turns, films) [m/s]."""
    coalescent: Array
    """Slow solvent at the pour [m3 per m3 of solids] (see solver/coalescent.py)."""
    coalescent0: Array
    """Its diffusivity in the dry film at 296.15 K [m2/s]."""
    front: Flags
    """Whether its wet front recedes through an open layer (see solver/kinetics.py): an alternative of the model."""

    @classmethod
    def of(
        cls,
        wet_thickness: ArrayLike,
        solids: ArrayLike = 0.30,
        glycol: ArrayLike = 0.03,
        *,
        side: ArrayLike = 0.25,
        air_speed: ArrayLike = 0.1,
        h_back: ArrayLike = 5.0,
        d0: ArrayLike = D0,
        g0: ArrayLike = G0,
        limit_surface: ArrayLike = LIMIT_SURFACE,
        limit_bottom: ArrayLike = LIMIT_BOTTOM,
        mfft: ArrayLike = MFFT,
        packing: ArrayLike = PACKING,
        fuse_s: ArrayLike = FUSE_S,
        fusing: ArrayLike = FUSING,
        air_temp_off: ArrayLike = 0.0,
        air_rh_off: ArrayLike = 0.0,
        sink_m: ArrayLike = 0.0,
        sink_rate: ArrayLike = 0.0,
        back_loss: ArrayLike = 0.0,
        coalescent: ArrayLike = 0.0,
        coalescent0: ArrayLike = COALESCENT0,
        front: ArrayLike = False,
    ) -> Films:
        """Films of `wet_thickness` [m] with volume fractions `solids`, `glycol` and `coalescent` of the wet paint, the
        rest water.

        Raises ValueError where a fraction leaves no room for water or a quantity is not positive.
        """
        plate = (side, air_speed, h_back)
        limits, offsets = (limit_surface, limit_bottom, mfft, packing, fuse_s, fusing), (air_temp_off, air_rh_off)
        below = (sink_m, sink_rate, back_loss)
        slow = (coalescent, coalescent0, front)
        columns = (wet_thickness, solids, glycol, *slow, *plate, d0, g0, *limits, *offsets, *below)
        all_columns = np.broadcast_arrays(*(np.atleast_1d(c) for c in columns))
        h, s, g, c, c0, f, *rest = (np.array(x, dtype=float) for x in all_columns)
        if not (h > 0).all() or not (s > 0).all() or not (np.minimum(g, c) >= 0).all() or not (s + (g + c) <= 1).all():
            raise ValueError("films need thickness and solids > 0, solvents >= 0, and all together <= 1")
        if not all((x >= 0).all() for x in rest[-3:]):
            raise ValueError("what leaves a film at its bottom must be 0 or more")
        never = np.empty((0, len(h)))
        return cls(*[h * s, (1 - s - g - c) / s, g / s, *rest, never, never, c / s, c0, f > 0])

    def __len__(self) -> int:
        return len(self.solids_m)

    def shifted(self, by_s: Array) -> Films:
        """The same films with their times counted from a moment that is `by_s` earlier."""
        return replace(self, speed_change_s=self.speed_change_s + by_s)

    def with_air_speed(self, air_speed: Array) -> Films:
        """The same films with air of `air_speed` [m/s] over them, for good."""
        return replace(
            self, air_speed=air_speed, speed_change_s=self.speed_change_s[:0], changed_speed=self.changed_speed[:0]
        )

    def next_speed_change(self, t: Array) -> Array:
        """When the air over each film next changes its speed after `t` [s]; inf: never."""
        return np.asarray(np.where(self.speed_change_s > t, self.speed_change_s, np.inf).min(0, initial=np.inf))

    def air_speed_at(self, t: Array | None) -> Array:
        """Air speed over each film [m/s] at `t` [s] (None: at the pour)."""
        if t is None or not len(self.speed_change_s):
            return self.air_speed
        speeds = np.concatenate([self.air_speed[None], self.changed_speed])
        return np.asarray(speeds[(self.speed_change_s <= t).sum(0), np.arange(len(self))])

    def air_had(self, read: tuple[Array, Array]) -> tuple[Array, Array]:
        """Temperature [K] and humidity [0-1] over each film where its room was read as this."""
        return read[0] + self.air_temp_off, np.clip(read[1] + self.air_rh_off, 0.0, 1.0)

    def initial(self, cells: int) -> Array:
        """Uniform film as poured, (cells, 2, films)."""
        return np.tile(np.stack([self.water, self.glycol]), (cells, 1, 1))


@dataclass(frozen=True)
class Grid:
    """Cells through the thickness as shares of H_s, geometric, finest at the surface."""

    share: Array
    """Cell widths (cells, 1), sum 1."""
    top_tenth: Array
    """Weights (cells, 1) of the mean over the top 10 % of solids."""
    low_tenth: Array
    """Weights (cells, 1) of the mean over the lowest 10 % of solids."""

    @classmethod
    def graded(cls, cells: int = 20, ratio: float = 0.02) -> Grid:
        """`ratio`: width of the top cell over that of the bottom one."""
        share = np.geomspace(1.0, ratio, cells)
        share /= share.sum()
        top = np.cumsum(share[::-1])[::-1]
        weight = np.clip(0.1 - (top - share), 0.0, share) / 0.1
        low = np.clip(0.1 - (np.cumsum(share) - share), 0.0, share) / 0.1
        return cls(share[:, None], weight[:, None], low[:, None])

    @property
    def cells(self) -> int:
        return len(self.share)


def activities(w: Array, g: Array) -> tuple[Array, Array, Array]:
    """a_w and a_g (films) of a surface cell with `w` and `g`, and their slopes (2, 2, films): d a[i] / d (w, g)[j].

    The corner where a_w passes from one branch to the other is rounded over `CORNER`; the cap on a_g follows it.
    """
    u = np.stack([w, g])
    p = 1 / (1 + w + g)
    phi = u * p
    rest = 1 - phi
    bend = _CHI * rest
    growth = np.exp(rest * (1 + bend))
    flory = phi * growth
    by_phi = growth * (1 - phi * (1 + 2 * bend)) * p
    moles = u * _MOLES
    per_mole = 1 / np.maximum(moles[0] + moles[1], NO_MOLES)
    x_g = moles[1] * per_mole
    x_w = 1 - x_g
    by_w, by_g = x_g * (_MOLES[0] * per_mole), x_w * (_MOLES[1] * per_mole)  # d x_w/dw, -d x_w/dg
    gap = flory[0] - x_w
    root = np.sqrt(gap * gap + CORNER * CORNER)
    free = 0.5 + 0.5 * gap / root
    bound = 1 - free
    slope = np.empty((2, *u.shape))
    w_by_w, w_by_g = by_phi[0] * rest[0], by_phi[0] * phi[0]  # d phi_w/dw = p (1 - phi_w), d phi_w/dg = -p phi_w
    slope[0, 0] = bound * w_by_w + free * by_w
    slope[0, 1] = -bound * w_by_g - free * by_g
    cap = bound + free * x_g
    capped = flory[1] > cap
    opening = x_w * (0.5 * CORNER**2) / (root * root * root)
    slope[1, 0] = np.where(capped, -free * by_w - opening * (w_by_w - by_w), -by_phi[1] * phi[1])
    slope[1, 1] = np.where(capped, free * by_g + opening * (w_by_g - by_g), by_phi[1] * rest[1])
    return 0.5 * (flory[0] + x_w - root), np.where(capped, cap, flory[1]), slope


def glycol_pressure(t: Array) -> Array:
    """Vapour pressure of propylene glycol [Pa]: 13 Pa at 20 °C, 65 kJ/mol (±25 % between accepted correlations)."""
    return np.asarray(13.0 * np.exp(-65e3 / air.R_GAS * (1 / t - 1 / 293.15)))


def equilibrium_water(rh: Array | float) -> Array:
    """Water fraction phi_w that a glycol-free film keeps in air at `rh` [0-1]: the Flory-Huggins law inverted.

    1 where the law never falls to `rh` below the point at which liquid water stands free (its first maximum).
    """
    rh = np.asarray(rh, dtype=float)
    top = (1 + 2 * CHI_WATER - np.sqrt((1 + 2 * CHI_WATER) ** 2 - 8 * CHI_WATER)) / (4 * CHI_WATER)
    low, high = np.zeros_like(rh), np.full_like(rh, top)
    for _ in range(50):
        mid = 0.5 * (low + high)
        above = mid * np.exp((1 - mid) + CHI_WATER * (1 - mid) ** 2) > rh
        low, high = np.where(above, low, mid), np.where(above, mid, high)
    return np.where(rh >= 1.0, 1.0, 0.5 * (low + high))


def wet_thickness(poured: float, ran_off: float, area: float) -> float:
    """Mean wet thickness [m] of what stays: `poured` less `ran_off` [m3] over `area` [m2].

    Rule for a bound (common practice): 1 US fl oz on 25 square inches is 1.83 mm before anything runs off.
    Raises ValueError where nothing stays, or for an area that is none.
    """
    if not area > 0:
        raise ValueError(f"an area must be above 0 m2, got {area}")
    if not 0 <= ran_off < poured:
        raise ValueError(f"what ran off must be from 0 to less than what was poured ({poured} m3), got {ran_off} m3")
    return (poured - ran_off) / area
