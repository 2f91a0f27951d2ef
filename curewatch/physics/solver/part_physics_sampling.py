"""What is read off films at given times along a march."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array
from curewatch.physics.solver.state import Progress

SAMPLED = ("volatile_fraction", "surface", "bottom", "film_temperature", "rate")
"""What `samples` hold: volatile volume fraction of the film, of its top tenth, of the bottom cell [-], film
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
