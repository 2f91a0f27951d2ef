"""What is believed of the quantities nobody knows, and how observations change it: Gaussian, and exact where it can be.

The logarithms of the drying times are close to linear in the ensemble's standard normal deviates z (residual 2-6 %
where the times themselves spread by 20-60 %). An observation thus says something of one direction, y = at + pull z,
and expectation propagation (Minka 2001; Rasmussen & Williams 2006, section 3.6) brings a set of such sayings into one
Gaussian, whatever the shape of each likelihood. It keeps how quantities hang together: a finger test cannot tell
thin solids from fast air, but knows what the two come to.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array

SLIP = 0.02
"""Share of finger tests that are slips (of the pen, of the piece): no one of them can rule anything out [-]."""
SLIP_EQUAL = 1e-3
"""The same for what was measured: less, since a slip could be anywhere and the bell is narrow."""
SWEEPS, DAMPING = 12, 0.8
_GRID = np.linspace(-6.0, 6.0, 121)


class Sense(StrEnum):
    """How what was seen compares with what the model says."""

    ABOVE = "above"
    BELOW = "below"
    EQUAL = "equal"


def likelihood(sense: Sense, seen: float, noise: float, y: Array, slip: float = SLIP) -> Array:
    """How well `y` goes with what was seen, 0-1: a logistic step, or a bell, of standard deviation `noise`."""
    off = (y - seen) / noise
    if sense is Sense.EQUAL:
        fit = np.exp(-0.5 * np.minimum(off * off, 1400.0))
        return np.asarray((1 - SLIP_EQUAL) * fit + SLIP_EQUAL)
    step = off if sense is Sense.ABOVE else -off
    fit = 1 / (1 + np.exp(-np.clip(step * np.pi / np.sqrt(3.0), -700.0, 700.0)))
    return np.asarray((1 - slip) * fit + slip)


@dataclass(frozen=True)
class Clue:
    """What one observation says: y = `at` + `pull` z, give or take `rest`, lies above, below or at `seen`."""

    observed_s: float
    """When [s since 1970]."""
    at: float
    pull: tuple[float, ...]
    """By quantity of `ensemble.SPREADS`."""
    rest: float
    """Standard deviation of what is not linear in z."""
    sense: Sense
    seen: float
    noise: float
    slip: float = SLIP

    def likelihood(self, along: Array) -> Array:
        """At values `along` = pull z."""
        noise = float(np.hypot(self.noise, self.rest))
        return likelihood(self.sense, self.seen, noise, self.at + along, self.slip)


@dataclass(frozen=True)
class Gaussian:
    mean: Array
    cov: Array

    def draw(self, z: Array) -> Array:
        """Standard normal deviates (members, n) made into members of this belief."""
        values, vectors = np.linalg.eigh(self.cov)
        root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
        return np.asarray(self.mean + z @ root)

    def log_density(self, z: Array) -> Array:
        """Up to the constant that all Gaussians of this dimension share."""
        off = z - self.mean
        _, log_det = np.linalg.slogdet(self.cov)
        return np.asarray(-0.5 * (off * np.linalg.solve(self.cov, off.T).T).sum(-1) - 0.5 * log_det)

    def of(self, index: NDArray[np.intp]) -> Gaussian:
        """Of some of the quantities."""
        return Gaussian(self.mean[index], self.cov[np.ix_(index, index)])


@dataclass(frozen=True)
class Posterior:
    """A belief over n quantities, each a standard normal before, with the share that each clue has in it."""

    directions: Array
    """(clues, n)"""
    precision: Array
    """(clues)"""
    pull: Array
    """(clues): precision times mean."""

    def belief(self, without: NDArray[np.bool_] | None = None) -> Gaussian:
        """Of all clues, or of all but those marked in `without`."""
        tau, nu = self.precision, self.pull
        if without is not None:
            tau, nu = np.where(without, 0.0, tau), np.where(without, 0.0, nu)
        b = self.directions
        cov = np.linalg.inv(np.eye(b.shape[1]) + (b.T * tau) @ b)
        return Gaussian(np.asarray(cov @ (b.T @ nu)), np.asarray(cov, dtype=float))


def learn(clues: Sequence[Clue], columns: Sequence[NDArray[np.intp]], size: int) -> Posterior:
    """The belief over `size` quantities that `clues` lead to; `columns`: which quantity each entry of a pull is of."""
    b = np.zeros((len(clues), size))
    for row, clue, index in zip(b, clues, columns, strict=True):
        row[index] = clue.pull
    tau, nu = np.zeros(len(clues)), np.zeros(len(clues))
    cov, canonical = np.eye(size), np.zeros(size)
    for _ in range(SWEEPS):
        before = tau.copy()
        for k, clue in enumerate(clues):
            reach = cov @ b[k]
            variance = float(b[k] @ reach)
            if variance < 1e-10:
                continue
            new_tau, new_nu = _site(clue, float(reach @ canonical), variance, tau[k], nu[k])
            d_tau, d_nu = DAMPING * (new_tau - tau[k]), DAMPING * (new_nu - nu[k])
            tau[k], nu[k] = tau[k] + d_tau, nu[k] + d_nu
            cov = cov - np.outer(reach, reach) * (d_tau / (1 + d_tau * variance))
            canonical = canonical + d_nu * b[k]
        if np.abs(tau - before).max(initial=0.0) < 1e-3 * (1 + tau.max(initial=0.0)):
            break
    return Posterior(b, tau, nu)


def _site(clue: Clue, mean: float, variance: float, tau: float, nu: float) -> tuple[float, float]:
    """The Gaussian that stands for a clue beside all others: precision, and precision times mean."""
    precision = max(1 / variance - tau, 1e-9)  # of the others alone
    centre = (mean / variance - nu) / precision
    x = centre + _GRID / np.sqrt(precision)
    weight = np.exp(-0.5 * _GRID**2) * clue.likelihood(x)
    weight /= weight.sum()
    tilted = float(weight @ x)
    spread = max(float(weight @ (x - tilted) ** 2), 1e-12)
    new = max(1 / spread - precision, 0.0)  # a slip may widen what is believed; a Gaussian site must not
    return new, tilted * (precision + new) - centre * precision


def tempered(log_weight: Array, floor: float) -> Array:
    """Weights that sum to 1, flattened (w^beta) until the effective number of members is at least `floor`."""

    def weights(beta: float) -> Array:
        w = np.exp(beta * (log_weight - log_weight.max()))
        return np.asarray(w / w.sum())

    def effective(w: Array) -> float:
        return float(1 / (w * w).sum())

    full = weights(1.0)
    if effective(full) >= floor:
        return full
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(weights(middle)) >= floor else (low, middle)
    return weights(low)
