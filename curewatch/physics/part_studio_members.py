"""The members of an ensemble at any deviates z, and their outcomes with weights.

The physics spreads its members over a fixed design; what has been learned shifts, narrows and slants that design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import ensemble, film
from curewatch.physics.air import Array
from curewatch.physics.air_series import AirSeries
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator

FARTHEST = 5.0
"""No member lies further out than this many standard deviations of what was believed before."""


@dataclass(frozen=True)
class WeightedOutcome(ensemble.Outcome):
    """An outcome whose members do not all count alike."""

    weights: Array | None = None
    """(members), sum 1; None: all alike."""

    def at(self, milestone: str, q: tuple[float, ...] = ensemble.QUANTILES) -> list[float]:
        return ensemble.quantiles(self.reached_s[MILESTONES.index(milestone)], self.weights, at=q)


def bounded_films_at(pourings: Sequence[ensemble.Pouring], z: Array) -> film.Films:
    """The films of `pourings` at deviates `z` (pourings, members, 8) that were learned, none of them farther out."""
    return ensemble.films_at(pourings, np.clip(z, -FARTHEST, FARTHEST))


@dataclass(frozen=True)
class EnsembleRun:
    """Members that have been marched: (pourings, members) each, samples (times, pourings, members)."""

    films: film.Films
    reached_s: Array
    """(4, pourings, members) [s from the pour], inf where not within the time marched."""
    hindrance: NDArray[np.str_]
    samples: dict[str, Array]
    times: Array
    """Of the samples [s from the pour]."""

    def outcome(self, k: int, weights: Array | None = None) -> WeightedOutcome:
        return WeightedOutcome(self.reached_s[:, k], self.hindrance[:, k], weights)

    def sample(self, name: str, k: int, time_s: float) -> Array:
        """One of `integrate.SAMPLED` of the k-th pouring's members at one of the sample times."""
        return np.asarray(self.samples[name][int(np.searchsorted(self.times, time_s)), k])

    def solids_m(self, k: int) -> Array:
        """Solids per area of the k-th pouring's members [m3/m2]."""
        return np.asarray(self.films.solids_m.reshape(self.reached_s.shape[1:])[k])


def integrate_ensemble(
    pourings: Sequence[ensemble.Pouring],
    z: Array,
    series: AirSeries,
    room: NDArray[np.intp],
    until: Array | float,
    sample_at: Array | None = None,
) -> EnsembleRun:
    """March the members at `z` (pourings, members, 8) to `until` [s].

    `room`: index into `series` of each pouring, or of each member of each.
    """
    split = z.shape[:2]
    films = bounded_films_at(pourings, z)
    rooms = np.repeat(room, split[1]) if len(room) == split[0] else room
    limit = np.repeat(np.broadcast_to(np.asarray(until, dtype=float), len(pourings)), split[1])
    state, samples = integrator.integrate(films, series, rooms, limit, sample_at=sample_at)
    why = ensemble.hindrances(films, state, *series.at(limit, rooms))
    return EnsembleRun(
        films=films,
        reached_s=state.reached.reshape(4, *split),
        hindrance=why.reshape(4, *split),
        samples={name: value.reshape(-1, *split) for name, value in samples.items()},
        times=np.empty(0) if sample_at is None else sample_at,
    )
