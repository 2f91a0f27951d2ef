"""What is known of one piece beyond what anybody would assume: by other pieces, and by its own observations."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import Array
from curewatch.physics.ensemble import EnsembleRun
from curewatch.records import Pour
from curewatch.records.observations import Observation
from curewatch.studio.inference import observation_model
from curewatch.studio.inference.factors import Gaussian, tempered

FLOOR = 1 / 2
"""Effective share of the members below which their weights are flattened: the belief they come from has heard the same
observations, and few members would let chance speak of what no observation bears on."""
_NODES = np.polynomial.hermite_e.hermegauss(9)
"""Gauss's nodes of a normal distribution, and their weights."""
_DIGITS = 4
"""A belief that moves less than this is the same one."""


@dataclass(frozen=True)
class Posterior:
    """Members are drawn from `belief`, and then weighed against the observations themselves, which are not Gaussian."""

    pour: Pour
    observations: tuple[Observation, ...]
    prior: Gaussian
    """By the other pieces alone."""
    belief: Gaussian
    """With what its own observations say."""
    edge: tuple[float, float] = (0.0, 0.0)
    """How thick its edges are over those in general, by the other pieces: the logarithm, and its standard deviation."""

    @property
    def times(self) -> list[float]:
        """When its members must be looked at in order to weigh them [s from the pour]."""
        return observation_model.sample_times(self.pour, self.observations)

    def weights(self, runs: EnsembleRun, k: int, z: Array) -> Array | None:
        """What each member of the k-th pouring of `runs`, at deviates `z`, counts; None: all alike."""
        if not self.observations or len(z) == 1:
            return None
        return weights(
            observation_model.predicted_observations(self.pour, self.observations, runs, k),
            z,
            self.prior,
            self.belief,
            self.edge,
        )

    @cached_property
    def fingerprint(self) -> str:
        """Hash of all that it adds to a forecast."""
        digest = hashlib.sha256(repr(self.observations).encode())
        for one in (self.prior, self.belief):
            for part in (one.mean, one.cov):
                digest.update((np.round(part, _DIGITS) + 0.0).tobytes())
        digest.update((np.round(self.edge, _DIGITS) + 0.0).tobytes())
        return digest.hexdigest()[:16]


def weights(
    predicted_observations: Sequence[observation_model.PredictedObservation],
    z: Array,
    prior: Gaussian,
    proposed: Gaussian,
    edge: tuple[float, float] = (0.0, 0.0),
) -> Array:
    """What each member counts: its own likelihood, by what was believed before over what it was drawn from.

    All that was felt at its edge was felt at one edge, of which `edge` is believed. Flattened where they would rest on
    too few members (`FLOOR`). Sum 1.
    """
    nodes, shares = _NODES
    edges = edge[0] + edge[1] * nodes[:, None]
    total = np.repeat(np.log(shares)[:, None], len(z), axis=1)
    for predicted in predicted_observations:
        with np.errstate(invalid="ignore"):
            found = np.log(predicted.likelihood(edges))
        total = total + np.where(np.isfinite(found), found, 0.0)  # a member not looked at then says nothing
    log_weight = prior.log_density(z) - proposed.log_density(z) + np.logaddexp.reduce(total, axis=0)
    return tempered(log_weight, FLOOR * len(z))


def deviates(posterior: Posterior | None, members: int) -> Array:
    """(1 + members, quantities): the central film's, then the members'; those of the design where nothing is known."""
    parts = [ensemble.design(n) for n in (1, members) if n]
    return np.concatenate([z if posterior is None else posterior.belief.draw(z) for z in parts])
