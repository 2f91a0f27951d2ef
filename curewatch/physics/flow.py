"""How far a pour drifts on a support that is not level, before it packs.

A film of thickness h on a plane tilted by theta shears under its own weight. The stress is greatest at the support,

    tau_w = rho g h sin(theta)                                                                  [Pa]

and falls to nothing at the surface. A Bingham fluid (yield stress tau_y, viscosity eta) shears only where the stress
exceeds tau_y, over delta = h - tau_y/(rho g sin(theta)) above the support; the rest rides on it as a plug. The surface
then moves with

    u = rho g sin(theta) delta^2 / (2 eta)                                                      [m/s]

(Liu & Mei 1989, J. Fluid Mech. 207, eq. 2.13; with tau_y = 0 Nusselt's film, u = rho g h^2 sin(theta) / (2 eta)).

As water leaves, h falls and eta rises with the solids fraction phi (Krieger & Dougherty 1959, Trans. Soc. Rheol. 3):

    eta / eta_liquid = (1 - phi/phi_m)^(-[eta] phi_m)

and the yield stress with it (Chateau, Ovarlez & Trung 2008, J. Rheol. 52, 489):

    tau_y / tau_0 = sqrt((1 - phi) (1 - phi/phi_m)^(-[eta] phi_m))

A mix at rest also knits its thickener into a weak gel, which holds more the longer it is left (Roussel 2006, Cem.
Concr. Res. 36, 1797): tau_0 grows by `stiffening` [Pa/s]. Without it the laws above let a pour creep for hours at any
tilt; that the first three quarters of an hour do most of the moving is common practice, and the value is set by it.

phi_m is the fraction at which the film packs, so that the drift ends there by itself. [eta] is Einstein's 2.5: at low
shear colloids are measured to thicken faster (exponent 2 rather than 1.6; de Kruif et al. 1985), so the drift comes
out on the high side. (The figures of the papers named here are from memory: no reference library computes them.)
What a mix's viscosity is at the pour nobody knows within a factor of two; drift is inverse to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from curewatch.physics.air import Array
from curewatch.physics.film import PACKING, RHO_DRY, RHO_WATER

GRAVITY = 9.80665
"""Standard acceleration of gravity [m/s2]."""
EINSTEIN = 2.5
"""Intrinsic viscosity of hard spheres [-] (Einstein 1911)."""
VISCOSITY = 1.0
"""A pour mix at its pour [Pa s] [cal]: like warm honey."""
STIFFENING = 0.15 / 3600
"""How fast its yield stress grows at rest [Pa/s] [cal]: 1.2 mm at half a degree then moves for three quarters of an
hour (common practice)."""
STEEPEST = np.radians(45.0)
"""Tilts above this are no mishap [rad]; the laws hold up to here."""


def relative_viscosity(solids: Array | float, packing: float = PACKING, intrinsic: float = EINSTEIN) -> Array:
    """Viscosity over that of the liquid alone, at a solids fraction [-] (Krieger & Dougherty 1959); inf once packed."""
    free = np.maximum(1.0 - np.asarray(solids, dtype=float) / packing, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(free ** (-intrinsic * packing))


def wall_stress(thickness: Array | float, tilt: float, density: Array | float) -> Array:
    """Shear stress at the support [Pa]: film of `thickness` [m] and `density` [kg/m3], tilted by `tilt` [rad]."""
    return np.asarray(np.asarray(density) * GRAVITY * np.asarray(thickness) * np.sin(tilt))


def surface_speed(
    thickness: Array | float,
    tilt: float,
    viscosity: Array | float,
    density: Array | float,
    yield_stress: Array | float = 0.0,
) -> Array:
    """Speed of the surface down the tilt [m/s]; 0 where the stress nowhere exceeds `yield_stress` [Pa]."""
    stress = wall_stress(thickness, tilt, density)
    beyond = np.maximum(stress - yield_stress, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(stress > 0, beyond / stress, 0.0)  # of the thickness that shears
    return np.asarray(stress * share**2 * np.asarray(thickness) / (2 * np.asarray(viscosity)))


@dataclass(frozen=True)
class ThinningFilm:
    """One film on its way to packed: equally long arrays, the times increasing from the pour."""

    time_s: Array
    thickness: Array
    """[m]"""
    solids: Array
    """Mean solids fraction by volume [-]."""

    @classmethod
    def of(cls, time_s: Array, wet_thickness: float, volatile_fraction: Array) -> ThinningFilm:
        """From the solver's samples of `volatile_fraction`; what is solid stays, so the thickness follows."""
        solids = 1.0 - np.asarray(volatile_fraction, dtype=float)
        return cls(np.asarray(time_s, dtype=float), wet_thickness * solids[0] / solids, solids)

    @property
    def density(self) -> Array:
        """[kg/m3]; the liquid is taken as water."""
        return RHO_WATER + (RHO_DRY - RHO_WATER) * self.solids


@dataclass(frozen=True)
class Rheology:
    """How the paint flows at its pour."""

    viscosity: float = VISCOSITY
    """[Pa s]"""
    yield_stress: float = 0.0
    """[Pa]"""
    stiffening: float = STIFFENING
    """How fast the yield stress grows at rest [Pa/s]."""


def drift(film: ThinningFilm, mix: Rheology, tilt: float) -> Array:
    """How far the surface has moved down the tilt [rad] at each of the film's times [m].

    The deeper layers move less: nothing at the support. Raises ValueError for tilts beyond `STEEPEST`.
    """
    if not 0.0 <= tilt <= STEEPEST:
        raise ValueError(f"tilt must lie in 0..{STEEPEST:.3f} rad, got {tilt:g}")
    if film.solids[0] >= PACKING:
        return np.zeros_like(film.time_s)  # packed from the pour on: nothing flows
    thicker = relative_viscosity(film.solids) / relative_viscosity(film.solids[0])
    firmer = np.sqrt((1 - film.solids) / (1 - film.solids[0]) * thicker)
    held = mix.yield_stress + mix.stiffening * (film.time_s - film.time_s[0])
    with np.errstate(invalid="ignore"):
        yields = np.where(held > 0, held * firmer, 0.0)
    speed = surface_speed(film.thickness, tilt, mix.viscosity * thicker, film.density, yields)
    steps = np.diff(film.time_s) * (speed[1:] + speed[:-1]) / 2
    return np.concatenate([[0.0], np.cumsum(steps)])


def tilt_for(film: ThinningFilm, mix: Rheology, limit: float) -> float:
    """The tilt [rad] at which the surface drifts `limit` [m] before the film packs; STEEPEST if none below it does."""
    low, high = 0.0, float(STEEPEST)
    if drift(film, mix, high)[-1] <= limit:
        return high
    for _ in range(60):  # drift rises with the tilt, from none; halving finds it to the last bit
        middle = 0.5 * (low + high)
        low, high = (middle, high) if drift(film, mix, middle)[-1] <= limit else (low, middle)
    return low


def when(film: ThinningFilm, moved: Array, share: float) -> float:
    """When `share` [0-1] of all the drift has happened [s]; 0 if nothing moves."""
    if moved[-1] <= 0:
        return 0.0
    return float(np.interp(share, moved / moved[-1], film.time_s))  # in shares: a drift of 1e-308 m has no slope
