"""What is believed of the quantities nobody knows, and what one observation says of them: Gaussian, and nearly exact.

The logarithms of the drying times are close to quadratic in the ensemble's standard normal deviates z. Where the belief
lies, such a curve is a straight line and a known uncertainty about it (statistical linearisation: Garcia-Fernandez,
Svensson, Morelande & Sarkka 2015, "Posterior linearization filter"). An observation thus says something of one
direction, y = intercept + gradient z, and the Gaussian that stands for it has the moments of belief times likelihood,
whatever the shape of the likelihood (expectation propagation: Minka 2001; Rasmussen & Williams 2006, section 3.6). That
keeps how quantities hang together: a finger test cannot tell thin solids from fast air, but knows what the two come to.
`posterior.py` brings the observations of all pieces together.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from curewatch.physics.air import Array

SLIP = 0.02
"""Share of finger tests that are slips (of the pen, of the piece): no one of them can rule anything out [-]."""
SLIP_EQUAL = 1e-3
"""The same for what was measured: less, since a slip could be anywhere and the bell is narrow."""
_GRID = np.linspace(-6.0, 6.0, 121)
_BELL = np.exp(-0.5 * _GRID**2)


class Comparison(StrEnum):
    """How what was seen compares with what the model says."""

    ABOVE = "above"
    BELOW = "below"
    EQUAL = "equal"


def likelihood(
    sense: Comparison, observed: float | Array, noise: float | Array, y: Array, slip: float | Array = SLIP
) -> Array:
    """How well `y` goes with what was seen, 0-1: a logistic step, or a bell, of standard deviation `noise`."""
    off = (y - observed) / noise
    if sense is Comparison.EQUAL:
        fit = np.exp(-0.5 * np.minimum(off * off, 1400.0))
        return np.asarray((1 - SLIP_EQUAL) * fit + SLIP_EQUAL)
    step = off if sense is Comparison.ABOVE else -off
    fit = 1 / (1 + np.exp(-np.clip(step * np.pi / np.sqrt(3.0), -700.0, 700.0)))
    return np.asarray((1 - slip) * fit + slip)


@dataclass(frozen=True)
class Factor:
    """What one observation says: y = `intercept` + `gradient` z + z `quadratic` z, give or take `residual`, lies where
    `observed` is."""

    observed_s: float
    """When [s since 1970]."""
    intercept: float
    gradient: tuple[float, ...]
    """By quantity of `ensemble.SPREADS`; where it is `at_edge` two more, how thick this edge is and edges of its recipe
    are; with `residual_group` one more, its residual, which the group shares."""
    residual: float
    """Standard deviation of what is neither linear nor quadratic in z, and no other factor's."""
    sense: Comparison
    observed: float
    noise: float
    slip: float = SLIP
    quadratic: tuple[float, ...] = ()
    """Of z_i z_j, i <= j, row by row; empty: y is a straight line."""
    residual_group: str = ""
    """Factors of one piece that see the same y err alike: five tests of one date are not five fits of it."""
    at_edge: bool = False

    @cached_property
    def curvature(self) -> Array:
        """The symmetric matrix of `quadratic`."""
        size = len(self.gradient)
        curved = size - bool(self.residual_group) - 2 * self.at_edge
        found = np.zeros((size, size))
        if self.quadratic:
            found[np.triu_indices(curved)] = self.quadratic
        return np.asarray(0.5 * (found + found.T))


def linearize(
    intercept: Array, gradient: Array, curvature: Array, noise: Array, mean: Array, cov: Array
) -> tuple[Array, Array, Array]:
    """The line that y = `intercept` + `gradient` z + z `curvature` z, give or take `noise`, is about a belief.

    Arrays of one value, vector (…, n) or matrix (…, n, n) a factor. Returns the lines' intercepts, gradients and
    standard deviations.
    """
    bent = (curvature @ mean[..., None])[..., 0]
    along, spread = gradient + 2 * bent, curvature @ cov
    begins = intercept + ((gradient + bent - along) * mean).sum(-1) + np.trace(spread, axis1=-2, axis2=-1)
    noise = np.sqrt(noise**2 + 2 * (spread * spread.swapaxes(-1, -2)).sum((-1, -2)))
    return np.asarray(begins), along, np.asarray(noise)


def sites(
    sense: NDArray[np.intp], observed: Array, noise: Array, slip: Array, intercept: Array, mean: Array, variance: Array
) -> tuple[Array, Array]:
    """The Gaussians in y that stand for lines y = `intercept` + gradient z: precision, and precision times mean.

    One value a line; `sense`: its number in `Comparison`. `mean`, `variance`: of gradient z by all else believed.
    """
    x = mean[:, None] + _GRID * np.sqrt(variance)[:, None]
    weight = np.empty_like(x)
    for number, one in enumerate(Comparison):
        rows = np.flatnonzero(sense == number)
        fit = likelihood(
            one, observed[rows, None], noise[rows, None], intercept[rows, None] + x[rows], slip[rows, None]
        )
        weight[rows] = _BELL * fit
    weight /= weight.sum(-1, keepdims=True)
    tilted = (weight * x).sum(-1)
    spread = np.maximum((weight * (x - tilted[:, None]) ** 2).sum(-1), 1e-12)
    new = np.maximum(1 / spread - 1 / variance, 0.0)  # a slip may widen what is believed; a Gaussian site must not
    return new, tilted * (1 / variance + new) - mean / variance


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
