"""The state of films under integration: columns, one a film, that can be taken out and put back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from curewatch.physics import milestones as ms
from curewatch.physics.air import Array, Flags
from curewatch.physics.film import Columns, Films, Grid

STEP_FIRST = 20.0
"""The first step tried on a fresh film [s]."""


@dataclass
class State(Columns):
    """Everything that an integration needs in order to go on, one column a film. Times are in seconds from the pour."""

    t: Array
    u: Array
    """Water and glycol ratios (cells, 2, films)."""
    age: Array
    """Ageing c towards a fused film (0 to 1 and beyond)."""
    lost: Array
    """Water and glycol that have left, by whatever way (2, films) [m3 of liquid per m3 of solids]."""
    soaked: Array
    """Water that the support holds of it [m3 per m3 of solids]."""
    step: Array
    """Next step to try [s]."""
    t_film: Array
    """Film temperature [K]."""
    since: Array
    """Since when each condition holds (6, films), inf where it does not."""
    reached: Array
    """When each milestone was reached (4, films), inf where not yet."""
    before: Array
    """Margins of the conditions one step ago (6, films)..."""
    stride: Array
    """...and how long that step was [s]; 0: there was none."""
    failed: Flags
    """The last step tried was too long."""

    @classmethod
    def poured(cls, films: Films, grid: Grid, start: Array | float = 0.0) -> State:
        n = len(films)
        return cls(
            t=np.full(n, start, dtype=float) if np.isscalar(start) else np.array(start, dtype=float),
            u=films.initial(grid.cells),
            age=np.zeros(n),
            lost=np.zeros((2, n)),
            soaked=np.zeros(n),
            step=np.full(n, STEP_FIRST),
            t_film=np.full(n, np.nan),
            since=np.full((len(ms.CONDITIONS), n), np.inf),
            reached=np.full((len(ms.MILESTONES), n), np.inf),
            before=np.zeros((len(ms.CONDITIONS), n)),
            stride=np.zeros(n),
            failed=np.zeros(n, dtype=bool),
        )
