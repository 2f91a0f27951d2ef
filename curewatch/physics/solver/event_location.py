"""Event location: where within a step a margin crosses zero, how long conditions have held, and which milestones
that reaches."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.physics.milestones import CONDITIONS, HOLD_S, MILESTONES, NEEDS
from curewatch.physics.solver.state import State

_NEED_ROWS = [[CONDITIONS.index(c) for c in NEEDS[m]] for m in MILESTONES]


def crossing(start: Array, end: Array, width: Array, secant: Array, width_before: Array) -> Array:
    """Share of a step [0-1] at which a margin rises through zero, for margins with start < 0 <= end.

    The root of the parabola through both ends of the step and the start of the step before, whose slope was
    `secant` [1/s] over `width_before` [s] (0: there was none). Values, not the right-hand side: late in the drying
    the surface cell is so stiff that the rate at a state tells little about the trend.
    """
    rise = end - start
    curvature = (rise - secant * width) * width / (width + width_before)
    curvature = np.where(width_before > 0, np.clip(curvature, -rise, rise), 0.0)  # monotone between the ends
    slope = rise - curvature
    return -2 * start / (slope + np.sqrt(slope**2 - 4 * curvature * start))


class MarginHistory:
    """The margins of the six conditions along an integration."""

    def __init__(self, films: int) -> None:
        self.margin = np.zeros((len(CONDITIONS), films))
        self._earlier, self._width = self.margin.copy(), np.zeros(films)

    def join(self, fresh: NDArray[np.intp], state: State, margin: Array) -> None:
        """The films at `fresh` begin, or go on, at `margin` (6, films): what holds only now begins now."""
        self.margin[:, fresh] = margin[:, fresh]
        self._width[fresh] = state.stride[fresh]
        self._earlier[:, fresh] = np.where(self._width[fresh] > 0, state.before[:, fresh], margin[:, fresh])
        begun = np.where((margin >= 0) & np.isinf(state.since), state.t, state.since)
        state.since[:, fresh] = begun[:, fresh]

    def rise(self, row: int) -> Array:
        """How fast one margin rose over the last step [1/s]; 0 where there was none."""
        return np.asarray((self.margin[row] - self._earlier[row]) / np.maximum(self._width, 1e-9))

    def follow(self, state: State, margin: Array, began: Array, width: Array) -> None:
        """Go on to `margin` over a step of `width` [s] (0: rejected) from `began` [s].

        Updates in `state` since when each condition holds, and what it takes to go on from there.
        """
        since = state.since
        holds = margin >= 0
        np.copyto(since, np.inf, where=~holds)
        at = np.nonzero((self.margin < 0) & holds)
        if len(at[1]):
            film = at[1]
            before = self._width[film]
            secant = (self.margin[at] - self._earlier[at]) / np.maximum(before, 1e-9)
            share = crossing(self.margin[at], margin[at], width[film], secant, before)
            since[at] = began[film] + share * width[film]
        moved = width > 0
        self._earlier = np.where(moved, self.margin, self._earlier)
        self._width = np.where(moved, width, self._width)
        self.margin, state.before, state.stride = margin, self._earlier, self._width

    def take(self, left: NDArray[np.intp]) -> None:
        """Keep only the films at `left`."""
        self.margin, self._earlier, self._width = self.margin[:, left], self._earlier[:, left], self._width[left]


def reach(reached: Array, since: Array, now: Array) -> None:
    """Enter into `reached` (4, films) [s; inf = not yet] the milestones whose conditions, `since` then, held long."""
    for row, needs in enumerate(_NEED_ROWS):
        begun = since[needs[0]]
        for need in needs[1:]:
            begun = np.maximum(begun, since[need])
        np.copyto(reached[row], begun, where=(begun + HOLD_S[row] <= now) & np.isinf(reached[row]))


def open_fraction(before: Array, after: Array) -> Array:
    """Share of a step during which all gates (gates, films) are >= 0, each taken as linear in time."""
    swing = np.where(before == after, 1.0, after - before)
    cross = np.clip(-before / swing, 0.0, 1.0)
    opens = np.where(before >= 0, 0.0, np.where(after >= 0, cross, 1.0))
    closes = np.where(after >= 0, 1.0, np.where(before >= 0, cross, 0.0))
    return np.asarray(np.maximum(closes.min(0) - opens.max(0), 0.0))
