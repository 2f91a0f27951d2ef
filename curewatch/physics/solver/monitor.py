"""What the integrator watches beside a film's state: where it is to stop, samples on the way, the moments at which its
milestones' conditions come to hold, and the guard against no progress.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import AirSeries, Array, Flags
from curewatch.physics.film import Columns, Films
from curewatch.physics.milestones import CONDITIONS, HOLD_S, MILESTONES, NEEDS
from curewatch.physics.solver.state import State

ATTEMPTS, PROGRESS, PROGRESS_S = 2000, 0.01, 600.0
"""A film that comes no further than a hundredth of its time (at least ten minutes) in so many steps is stuck. Counted
since the last such landmark, not in all: a restless room needs many steps, and they lead somewhere."""


class Stalled(ArithmeticError):
    """A film made no progress. Nothing known leads here: it guards against integrating for ever."""


def watch(progress: Progress, state: State, films: Films, series: AirSeries) -> None:
    """Count the attempts since each film's last landmark. Raises Stalled where one needs too many."""
    arrived = state.t >= progress.landmark
    progress.attempts = np.where(arrived, 0, progress.attempts + ~progress.finished)
    further = np.maximum(PROGRESS_S, PROGRESS * np.abs(state.t))
    progress.landmark = np.where(arrived, state.t + further, progress.landmark)
    if progress.attempts.max() > ATTEMPTS:
        stuck(int(progress.attempts.argmax()), progress, state, films, series)


def stuck(i: int, progress: Progress, state: State, films: Films, series: AirSeries) -> NoReturn:
    """Raises Stalled with what can be said of the i-th film of a batch."""
    t_air, rh = films.air_had(series.at(state.t, progress.room))
    what = {name: float(getattr(films, name)[i]) for name in ("solids_m", "water", "glycol", "air_speed")}
    raise Stalled(
        f"film {progress.film[i]} is stuck after {ATTEMPTS} steps at {state.t[i]:.6g} s in air of "
        f"{t_air[i]:.2f} K, {rh[i]:.3f}: step {state.step[i]:.3g} s, {what}"
    )


SAMPLED = ("volatile_fraction", "surface", "bottom", "film_temperature", "rate")
"""What `samples` hold: volatile volume fraction of the film, of its top tenth, of its lowest tenth [-], film
temperature [K], water leaving [kg/(m2 s)]."""


class Samples:
    """`SAMPLED` of films at increasing `times` [s], each (times, films), NaN where not passed over."""

    def __init__(self, times: Array, films: int, batch: int) -> None:
        self.times = times
        self.found = {name: np.full((len(times), films), np.nan) for name in SAMPLED}
        self._scalars = np.zeros((len(SAMPLED), batch))

    def take(self, left: NDArray[np.intp]) -> None:
        """Keep only the films of the batch at `left`."""
        self._scalars = self._scalars[:, left]

    def follow(self, progress: Progress, began: Array, now: Array, after: Array, fresh: NDArray[np.intp]) -> None:
        """Fill in the times passed over from `began` to `now` [s], linearly between the looks before and `after`.

        `after`: `SAMPLED` as they are now (5, films of the batch). The films at `fresh` have just joined.
        """
        before, self._scalars = self._scalars, after
        before[:, fresh] = after[:, fresh]
        while True:
            due = np.flatnonzero(progress.next_sample < len(self.times))
            due = due[self.times[progress.next_sample[due]] <= now[due]]
            if not len(due):
                return
            row = progress.next_sample[due]
            share = (self.times[row] - began[due]) / np.maximum(now[due] - began[due], 1e-9)
            values = before[:, due] + share * (after[:, due] - before[:, due])
            for name, value in zip(SAMPLED, values, strict=True):
                self.found[name][row, progress.film[due]] = value
            progress.next_sample[due] += 1


@dataclass
class Progress(Columns):
    """What an integration keeps about each film of its batch beside the film's own state."""

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
    checkpoint_at: Array
    """Up to when the state is to be kept on the way [s]; -inf: no more, or never."""
    finished: Flags

    @classmethod
    def begin(
        cls, state: State, room: NDArray[np.intp], until: Array | float, times: Array,
        sampled: Flags | None, checkpoint_at: Array | None,
    ) -> Progress:  # fmt: skip
        """All films at the outset; samples at `times` [s] are still to come, of those `sampled` (None: of all)."""
        n = len(state.t)
        wanted = np.ones(n, dtype=bool) if sampled is None else sampled
        return cls(
            film=np.arange(n),
            room=np.asarray(room, dtype=np.intp),
            until=np.array(np.broadcast_to(until, n), dtype=float),
            next_sample=np.where(wanted, np.searchsorted(times, state.t, "left"), len(times)),
            attempts=np.zeros(n, dtype=np.intp),
            landmark=np.full(n, -np.inf),
            checkpoint_at=np.full(n, -np.inf) if checkpoint_at is None else checkpoint_at.copy(),
            finished=np.zeros(n, dtype=bool),
        )


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
