# By itself: one equation with its source, its range and why it is asked.
"""Whether a film dries from its skin inwards: evaporation at the surface over what the core can supply.

A drying film stays even through its thickness while what leaves at the top is made up for from below, and draws a
skin over a wet core where it is not. What decides is one number, the Peclet number of drying films

    Pe = H E / D                                                                    [-]

(Routh & Russel 1998, AIChE J. 44:2088; H thickness, E evaporation as a velocity, D diffusivity): well below 1 the film
is even, above it a packed layer forms on top. That is theirs for particles in a liquid, and magnetic resonance
profiles of drying latex found it to order such films (Eur. Phys. J. Special Topics 166, 2009). Here it is asked of the
moment at which the skin of an acrylic pour can close: when the particles pack (film.py) and water goes through
polymer. In the solids-fixed frame of film.py a flux E/rho_w through solids H_s makes a difference in w of

    E H_s / (rho_w D_w p^2),    p = PACKING, D_w = D0 exp(-Ea/R (1/T_f - 1/T_D) + 9 (1 - p))

and over the water that is there then, w = (1 - p)/p, it is the number told here:

    Pe = E H_s / (rho_w D_w p (1 - p))

Glycol is left out, and D0 is [cal], so the number is good for comparing airs over a film rather than by itself. A cold
film loses water slowly and lets it through slowly: E falls with the vapour pressure (a factor 2 in 10 K) and D_w with
Ea (1.5 in 10 K), so cold makes it smaller, never larger. The gap between touch-dry and handle, which cold lengthens,
says nothing of it.
"""

from __future__ import annotations

import numpy as np

from curewatch.physics import air
from curewatch.physics.air import Array
from curewatch.physics.film import D0, EA, PACKING, RHO_WATER, T_D

EVEN = 1.0
"""Below this number a film dries evenly, whatever the air (Routh & Russel 1998: the order of magnitude at which)."""
_LOOSENING = 9.0
"""How the liquid speeds up diffusion: D_w grows as exp(9 phi_w) (film.py) [cal]."""


def diffusivity_at_packing(t_film: Array | float) -> Array:
    """D_w [m2/s] of a film at `t_film` [K] whose particles have just packed: liquid paths closed, the pores full."""
    warmth = -EA / air.R_GAS * (1 / np.asarray(t_film, dtype=float) - 1 / T_D)
    return np.asarray(D0 * np.exp(warmth + _LOOSENING * (1 - PACKING)))


def drying_number(rate: Array, t_film: Array, solids_m: Array | float) -> Array:
    """Pe [-] of films that lose water at `rate` E [kg/(m2 s)] at `t_film` [K]; `solids_m`: H_s [m3/m2].

    0 where nothing evaporates: a film that gains water makes no skin.
    """
    supply = RHO_WATER * diffusivity_at_packing(t_film) * PACKING * (1 - PACKING)
    return np.asarray(np.maximum(rate, 0.0) * solids_m / supply)
