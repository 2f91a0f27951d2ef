"""Whether a drying film cracks: its thickness against the thickest that bears its own shrinking.

Once its particles pack, a film that sticks to its support can shrink in thickness alone, and its pores pull on it in
its plane. A crack opens where that frees more energy than two new surfaces cost (Griffith), and what it frees grows
with the thickness; so there is a critical thickness, above which a film cracks (Tirumkudulu & Russel 2005, Langmuir
21:4938). Two ends of it are known.

*Hard particles*, far below their film-forming temperature, that the pores press but cannot close (Singh & Tirumkudulu
2007, Phys. Rev. Lett. 98:218302):

    h_hard = 0.64 (G M phi R^3 / (2 gamma))^(1/2) (2 gamma / (P_max R))^(3/2)                                  [m]

(R radius, G shear modulus, M contacts a particle, phi packing, gamma surface tension, P_max the most that the pores can
pull). It does not hang on the pace. With `RADIUS` and the others below it is about a micrometre: hard films of 30 to
100 um crack as soon as they are packed (electron microscopy of latex below its glass transition, Langmuir 2006). The
form is theirs; 0.64 and P_max = 5.3 gamma/R are quoted from memory, and a factor of five in either changes no date and
no odds of a pour, which is a thousand times as thick.

*Soft particles*, above it, close the pores before a crack opens: none were seen just above the film-forming
temperature, and many just below ("Drying and cracking of soft latex coatings", J. Coat. Technol. Res. 2013). What
bounds them is the skin: a surface that sets over a wet core is torn as that shrinks. No measurement of a pour is
public. Interior paints are asked to stand a wedge of 400 um wet, exterior ones 900 um, at 23 °C and 50 % (German
practice for latex paints), and pours of 1 to 2 mm mostly come out whole (common practice). So

    h_soft = H_SOFT / (1 + Pe)                     Pe: the drying number (evaporation.py) at the moment of packing
    ln h_c = (1 - s) ln h_hard + s ln h_soft,      s = 1/(1 + exp(-(T_f - MFFT)/SHARPNESS))
    odds   = 1/(1 + (h_c/h)^STEEPNESS),            h = H_s/p as the particles pack, thicker where paint ran together

with H_SOFT, SHARPNESS and STEEPNESS [cal]. Odds over the members of an ensemble are the mean of theirs; what they are
for is comparing one way to pour with another. They are no promise, in either direction.
"""

from __future__ import annotations

from math import sqrt

import numpy as np

from curewatch.physics import air, flow
from curewatch.physics.air import Array
from curewatch.physics.ensemble import Pouring
from curewatch.physics.evaporation import drying_number, film_balance
from curewatch.physics.film import D0, PACKING, Films

RADIUS = 100e-9
"""Of the particles of a waterborne acrylic [m]: 50 to 150 nm is common practice."""
MODULUS = 1.1e9
"""Shear modulus of a glassy acrylic [Pa] (handbook value for poly(methyl methacrylate): 1.1-1.7 GPa)."""
CONTACTS = 6.0
"""Of a particle in a random close packing [-] (Tirumkudulu & Russel 2005)."""
SURFACE_TENSION = 0.072
"""Of water at 25 °C [N/m]."""
PULL = 5.3
"""P_max R/gamma: the most that the pores of a packing pull before air enters [-]; from memory."""
H_HARD = (
    0.64
    * sqrt(MODULUS * CONTACTS * PACKING * RADIUS**3 / (2 * SURFACE_TENSION))
    * (2 / PULL) ** 1.5
)  # fmt: skip
"""The thickest film of hard particles that does not crack [m]."""
H_SOFT = 5e-3
"""The thickest soft one as its particles pack, where it dries so slowly that no skin forms [m] [cal]."""
SHARPNESS = 1.0
"""How far from its film-forming temperature a film passes from hard to soft [K] [cal]."""
STEEPNESS = 3.5
"""How sharp the critical thickness is from one paint to another: its logarithm spreads by 1.8/STEEPNESS [-] [cal]."""
RIM = 2.7e-3
"""No paint stands deeper than this at an edge that it wets but does not run over [m]: sqrt(2 gamma / (rho g)), a puddle
at 90 degrees (de Gennes, Brochard-Wyart & Quere 2004, section 2.2), with 0.04 N/m for paint (common practice)."""
LOOKS = (0.0, 0.5, 1.0)
"""When a film is looked at, between packed and touch-dry, its surface taken as wet: the worst of these counts."""
_POINTS = 60


def critical_thickness(t_film: Array | float, mfft: Array | float, number: Array | float) -> Array:
    """h_c [m] of films at `t_film` whose film-forming temperatures are `mfft` [K], drying at a `number` Pe [-]."""
    soft = 1 / (1 + np.exp(-(np.asarray(t_film, dtype=float) - mfft) / SHARPNESS))
    return np.asarray(np.exp((1 - soft) * np.log(H_HARD) + soft * np.log(H_SOFT / (1 + np.asarray(number)))))


def looked_at(reached_s: Array, limit_s: Array) -> Array:
    """When to look at films that reach their milestones at `reached_s` (4, films), within `limit_s`: (looks, films)."""
    packed, touch = np.minimum(reached_s[:2], limit_s)
    return np.stack([packed + share * (np.maximum(touch, packed) - packed) for share in LOOKS])


def odds(films: Films, time_s: Array, t_air: Array, rh: Array, thicker: Array | float = 1.0) -> Array:
    """Odds that each film cracks (films), in room air as read, `t_air` [K] and `rh` [0-1] at moments `time_s` [s from
    the pour], (looks, films) each. `thicker`: how many times thicker it lies where paint ran together (see `pile`).
    """
    worst = np.zeros(len(films))
    packed_m = films.solids_m / films.packing * thicker
    for at, t, humidity in zip(time_s, t_air, rh, strict=True):
        t, humidity = films.air_had((t, humidity))
        wet = film_balance(t, air.vapour_pressure(t, humidity), 1.0, films.air_speed_at(at), films.side, films.h_back)
        number = drying_number(wet.rate, wet.t_film, films.solids_m * thicker) * D0 / films.d0
        critical = critical_thickness(wet.t_film, films.mfft, number)
        worst = np.maximum(worst, 1 / (1 + (critical / packed_m) ** STEEPNESS))
    return worst


def pile(film: Pouring, packed_s: float) -> float:
    """How many times thicker than the rest paint lies at the low edge, for a mix of common flow.

    What flows down, two thirds of what the surface does times the thickness, lies as a wedge with a level top:
    H x drift x 2/3 = slope x length^2 / 2; what would stand above `RIM` runs over the edge. The first tilt holds from
    the pour on, each later one from its moment; `packed_s` [s from the pour].
    """
    tilts, wet_thickness, solids = film.tilts, film.wet_thickness, film.solids
    steepest = max((tilt for _, tilt in tilts), default=0.0)
    if steepest <= 0.0 or not packed_s > 0.0:
        return 1.0
    time = np.linspace(0.0, packed_s, _POINTS)
    fraction = 1 / np.linspace(1 / solids, 1 / max(PACKING, solids), _POINTS)  # water leaves evenly until it is packed
    thinning = flow.ThinningFilm(time, wet_thickness * solids / fraction, fraction)
    ends = [*(since for since, _ in tilts[1:]), packed_s]
    moved = 0.0
    for i, ((since, tilt), end) in enumerate(zip(tilts, ends, strict=True)):
        course = flow.drift(thinning, flow.Rheology(), min(tilt, float(flow.STEEPEST)))
        first, last = np.interp([0.0 if i == 0 else since, end], time, course)
        moved += float(last - first)
    slope = float(np.tan(min(steepest, float(flow.STEEPEST))))
    deepest = wet_thickness + sqrt(2 * slope * wet_thickness * 2 / 3 * moved)
    return max(min(deepest, RIM), wet_thickness) / wet_thickness
