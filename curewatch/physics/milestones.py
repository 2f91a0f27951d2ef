"""When a film is set, touch-dry, dry to handle and ready to varnish: the six conditions and their margins."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.physics.film import FUSED, LIMIT_DRY, RHO_DRY, RHO_GLYCOL, RHO_WATER, Films, Grid

MILESTONES = ("set", "touch_dry", "handle", "varnish_ready")
CONDITIONS = ("packed", "surface", "bottom", "volatiles", "fusing", "fused")
NEEDS = {
    "set": ("packed",),
    "touch_dry": ("surface",),
    "handle": ("surface", "bottom", "fusing"),
    "varnish_ready": ("volatiles", "fused"),
}
"""The conditions of each milestone, all of which must hold."""
HOLD_S = np.array([2.0, 2.0, 2.0, 24.0])[:, None] * 3600
"""How long they must hold [s]: a dry afternoon does not make a piece ready to varnish."""


def margins(
    u: Array, p: NDArray[np.floating[Any]], firm: NDArray[np.floating[Any]], age: Array, films: Films, grid: Grid
) -> Array:
    """Margins of the six conditions (6, films), >= 0 where the condition holds.

    `u` (cells, 2, films) state, `p` its solids fraction, `firm` that of what is dry to a finger (with slow solvent a
    little less: coalescent.py), `age` the ageing c.
    """
    share = grid.share[:, 0]
    mean_w, mean_g = (np.einsum("c,cn->n", share, u[:, i]) for i in (0, 1))
    return np.stack(
        [
            np.einsum("c,cn->n", share, p) - films.packing,
            films.limit_surface - (1 - np.einsum("c,cn->n", grid.top_tenth[:, 0], firm)),
            films.limit_bottom - (1 - np.einsum("c,cn->n", grid.low_tenth[:, 0], firm)),
            LIMIT_DRY - (RHO_WATER / RHO_DRY * mean_w + RHO_GLYCOL / RHO_DRY * mean_g),
            age - films.fusing,
            age - FUSED,
        ]
    )
