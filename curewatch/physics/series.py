"""The room's air over time as piecewise-linear series, many at once.

Series of different lengths lie end to end in flat arrays, each shifted by a multiple of one span, so that a single
`searchsorted` finds the segment for every film of a batch.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from curewatch.physics.air import Array

UNIT_T = 2.0
"""Change of temperature [K] that a time step may pass over at most."""
UNIT_RH = 0.06
"""Change of relative humidity [-] that a time step may pass over at most."""


class AirSeries:
    """Room temperature [K] and relative humidity [-] over time [s], for one or more rooms.

    Before its first knot and after its last a series holds that knot's value.
    """

    def __init__(self, series: Sequence[tuple[ArrayLike, ArrayLike, ArrayLike]]) -> None:
        """`series`: one (time [s], temperature [K], humidity [0-1]) triple a room; times strictly increasing."""
        if not series:
            raise ValueError("an AirSeries needs at least one room")
        parts = [_checked(*triple) for triple in series]
        self._span = max(float(t[-1] - t[0]) for t, _, _ in parts) + 1.0
        self._first = np.array([t[0] for t, _, _ in parts])
        self._length = np.array([t[-1] - t[0] for t, _, _ in parts])
        self._time = np.concatenate([t - t[0] + i * self._span for i, (t, _, _) in enumerate(parts)])
        self._temp = np.concatenate([temp for _, temp, _ in parts])
        self._rh = np.concatenate([rh for _, _, rh in parts])
        starts = np.cumsum([0, *(len(t) for t, _, _ in parts)])
        self._begin, self._end = starts[:-1], starts[1:] - 1
        self._travel = np.concatenate([_travel(*part) for part in parts])
        self._reach = float(max(self._travel[self._end])) + 2.0
        self._travel += np.repeat(np.arange(len(parts)) * self._reach, np.diff(starts))

    @classmethod
    def constant(cls, temperature: float, humidity: float) -> AirSeries:
        """A room that stays as it is: temperature [K], relative humidity [0-1]."""
        return cls([(np.zeros(1), np.full(1, temperature), np.full(1, humidity))])

    @property
    def rooms(self) -> int:
        return len(self._first)

    def at(self, time: Array, room: NDArray[np.intp]) -> tuple[Array, Array]:
        """Temperature [K] and relative humidity [-] at `time` [s] in series `room`; arrays of one length."""
        if len(self._time) == 1:
            return np.full(time.shape, self._temp[0]), np.full(time.shape, self._rh[0])
        local = np.clip(time - self._first[room], 0.0, self._length[room])
        key = local + room * self._span
        left = np.clip(
            np.searchsorted(self._time, key, "right") - 1,
            self._begin[room],
            np.maximum(self._end[room] - 1, self._begin[room]),
        )
        right = np.minimum(left + 1, self._end[room])
        width = np.maximum(self._time[right] - self._time[left], 1e-9)
        share = np.clip((key - self._time[left]) / width, 0.0, 1.0)
        temp, rh = self._temp, self._rh
        return temp[left] + share * (temp[right] - temp[left]), rh[left] + share * (rh[right] - rh[left])

    def next_change(self, time: Array, room: NDArray[np.intp]) -> Array:
        """Latest end [s] of a step from `time` that passes over at most one UNIT_T or UNIT_RH of change; inf if none.

        An adaptive step could otherwise land on the same hour each day and never see the night.
        """
        if len(self._time) == 1:
            return np.full(time.shape, np.inf)
        local = np.clip(time - self._first[room], 0.0, self._length[room])
        travelled = np.interp(local + room * self._span, self._time, self._travel)
        target = travelled + 1.0
        ahead = np.interp(target, self._travel, self._time) - room * self._span + self._first[room]
        beyond = target > self._travel[self._end[room]]
        # the end of the record is a corner as well: stop there once, then nothing changes any more
        last = self._first[room] + self._length[room]
        return np.where(beyond, np.where(time < last, last, np.inf), ahead)


def _travel(time: Array, temp: Array, rh: Array) -> Array:
    """How far the air has moved up to each knot, in units; strictly increasing so that it can be inverted."""
    moved = np.abs(np.diff(temp)) / UNIT_T + np.abs(np.diff(rh)) / UNIT_RH + 1e-9 * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(moved)])


def _checked(time: ArrayLike, temp: ArrayLike, rh: ArrayLike) -> tuple[Array, Array, Array]:
    t, temperature, humidity = (np.atleast_1d(np.asarray(x, dtype=float)) for x in (time, temp, rh))
    if not len(t) == len(temperature) == len(humidity) or not len(t):
        raise ValueError(f"a room's series needs equal lengths, got {len(t)}, {len(temperature)}, {len(humidity)}")
    if not (np.isfinite(t).all() and np.isfinite(temperature).all() and np.isfinite(humidity).all()):
        raise ValueError("a room's series must be finite")
    if len(t) > 1 and np.diff(t).min() <= 0:
        raise ValueError("a room's series needs strictly increasing times")
    return t, temperature, humidity
