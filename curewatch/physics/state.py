"""The state of films on a march: columns, one a film, that can be taken out and put back."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import milestones as ms
from curewatch.physics.air import Array
from curewatch.physics.film import Films, Grid

STEP_FIRST = 20.0
"""The first step tried on a fresh film [s]."""

Index = NDArray[np.intp] | NDArray[np.bool_] | slice
C = TypeVar("C")


def put(into: Any, index: Index, part: Any) -> None:
    """Overwrite the columns of dataclass `into` at `index` by those of `part`, of the same class."""
    for f in fields(part):
        getattr(into, f.name)[..., index] = getattr(part, f.name)


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
    """Water and glycol that have left (2, films) [m3 of liquid per m3 of solids]."""
    step: Array
    """Next step to try [s]."""
    t_film: Array
    """Film temperature [K]."""
    since: Array
    """Since when each condition holds (6, films), inf where it does not."""
    reached: Array
    """When each milestone was reached (4, films), inf where not yet."""

    @classmethod
    def poured(cls, films: Films, grid: Grid, start: Array | float = 0.0) -> State:
        n = len(films)
        return cls(
            t=np.full(n, start, dtype=float) if np.isscalar(start) else np.array(start, dtype=float),
            u=films.initial(grid.cells),
            age=np.zeros(n),
            lost=np.zeros((2, n)),
            step=np.full(n, STEP_FIRST),
            t_film=np.full(n, np.nan),
            since=np.full((len(ms.CONDITIONS), n), np.inf),
            reached=np.full((len(ms.MILESTONES), n), np.inf),
        )

    def take(self, index: Index) -> State:
        return take(self, index)

    def put(self, index: Index, part: State) -> None:
        put(self, index, part)


@dataclass
class Ride:
    """What a march keeps about each film of its batch beside the film's own state."""

    film: NDArray[np.intp]
    """Which of all the films it is."""
    room: NDArray[np.intp]
    until: Array
    """[s]"""
    next_sample: NDArray[np.intp]
    attempts: NDArray[np.intp]
    """Steps tried since the last landmark."""
    landmark: Array
    """Time up to which it has to come for its attempts to count anew [s]."""
    failed: NDArray[np.bool_]
    """The last step was too long."""
    finished: NDArray[np.bool_]
