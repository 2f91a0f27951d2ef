"""The state of films under integration: columns, one a film, that can be taken out and put back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import milestones as ms
from curewatch.physics.air import Array, Flags
from curewatch.physics.film import Films, Grid

STEP_FIRST = 20.0
"""The first step tried on a fresh film [s]."""
Index = NDArray[np.intp] | Flags | slice
C = TypeVar("C")


def put(into: Any, index: Index, part: Any) -> None:
    """Overwrite the columns of dataclass `into` at `index` by those of `part`, of the same class."""
    for f in fields(part):
        getattr(into, f.name)[..., index] = getattr(part, f.name)


def join(parts: Sequence[C]) -> C:
    """The columns of several such dataclasses side by side."""
    some: Any = parts
    names = [f.name for f in fields(some[0])]
    found: C = type(parts[0])(
        **{name: np.concatenate([getattr(part, name) for part in some], axis=-1) for name in names}
    )
    return found


def take(whole: C, index: Index) -> C:
    """A copy of some columns of a dataclass of arrays."""
    columns: Any = whole
    return type(whole)(**{f.name: getattr(columns, f.name)[..., index].copy() for f in fields(columns)})


@dataclass
class State:
    """Everything that a march needs in order to go on, one column a film. Times are in seconds from the pour."""

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

    def take(self, index: Index) -> State:
        return take(self, index)

    def put(self, index: Index, part: State) -> None:
        put(self, index, part)
