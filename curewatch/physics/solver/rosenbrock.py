"""ROS2: one step of a linearly implicit two-stage Rosenbrock method, for a batch of films.

    (1 - gamma tau J) k1 = f(t, u)
    (1 - gamma tau J) k2 = f(t + gamma tau, u + gamma tau k1) - 2 gamma k1
    u' = u + tau (gamma k1 + (2 - gamma) k2),     first-order companion u + tau k1,     gamma = 1 - 1/sqrt 2

Of the family of Verwer, Spee, Blom & Hundsdorfer (1999, SIAM J. Sci. Comput. 20): L-stable, and of order two for any
Jacobian; so what makes no stiffness may stay out of it. Of the family's free parameter (where the second stage looks)
theirs is u + tau k1, which overshoots a stiff unknown 2.4 times; here it is the implicit Euler point u + gamma tau k1,
which does not overshoot, so a corner in the surface's activity is met softly.

The unknowns are two tridiagonal systems (water, glycol) that meet in the last row, the surface, and where a film has
slow solvent a third that meets neither (coalescent.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple, Protocol

import numpy as np

from curewatch.physics.air import Array, Flags
from curewatch.physics.supports import Bottom

GAMMA = 1 - 1 / np.sqrt(2)
SAFETY, SHRINK_MOST, SHRINK_LEAST, SHRINK_AGAIN, GROW_MOST = 0.85, 0.2, 0.7, 0.35, 6.0
"""The next step aims at this share of the tolerance, and by how much it may change; `SHRINK_AGAIN` on failing twice."""


class RightSide(Protocol):
    """What a step needs of the right-hand side at one state. Arrays may be reused by the next evaluation."""

    @property
    def change(self) -> Array:
        """f (cells, 2, films)."""
        ...

    @property
    def loss(self) -> Array:
        """What leaves the surface (2, films)."""
        ...

    @property
    def loss_slope(self) -> Array:
        """d loss[i] / d u[j] of the surface cell (2, 2, films)."""
        ...


class Bands(NamedTuple):
    """The Jacobian: tridiagonal in each volatile (cells, 2, films), (cells - 1, 2, films) twice, crossed at the top."""

    diagonal: Array
    lower: Array
    """d change[i+1] / d u[i]."""
    upper: Array
    """d change[i] / d u[i+1]."""
    cross: Array | None
    """d change / d (the other volatile), in the surface cell (2, films); None: there is no other."""


class Shifted:
    """(1 - shift J) factored once (Thomas), for as many right sides as needed. Consumes the bands it is given."""

    def __init__(self, bands: Bands, shift: Array) -> None:
        pivot, ratio, upper, cross = bands
        for band in bands:
            if band is not None:
                band *= -shift
        pivot += 1.0
        np.divide(1.0, pivot[0], out=pivot[0])
        scratch = np.empty_like(pivot[0])
        for below, here, lower, above in zip(pivot, pivot[1:], ratio, upper, strict=False):
            lower *= below
            np.multiply(lower, above, out=scratch)
            here -= scratch
            np.divide(1.0, here, out=here)
        upper *= pivot[:-1]
        self._cross = cross
        if cross is not None:
            cross *= pivot[-1]
            self._uncross = 1 / (1 - cross[0] * cross[1])
        self._pivot, self._ratio, self._upper, self._scratch = pivot, ratio, upper, scratch

    def solve(self, x: Array) -> Array:
        """Solve in place for the right side `x` (cells, 2, films) or (cells, films), and return it."""
        scratch = self._scratch
        for below, here, ratio in zip(x, x[1:], self._ratio, strict=False):
            np.multiply(ratio, below, out=scratch)
            here -= scratch
        x *= self._pivot
        if self._cross is not None:
            x[-1] = (x[-1] - self._cross * x[-1, ::-1]) * self._uncross
        for here, above, upper in zip(x[-2::-1], x[:0:-1], self._upper[::-1], strict=True):
            np.multiply(upper, above, out=scratch)
            here -= scratch
        return x


class Third(Protocol):
    """A volatile with a system of its own, which keeps where its step leads."""

    def first(self, shift: Array) -> None: ...
    def second(self, tau: Array) -> None: ...


class Attempt(NamedTuple):
    """Where a step leads, before anyone has judged it."""

    u: Array
    lost: Array
    """What left through the surface (2, films), such that the balance is exact."""
    correction: Array
    """Second-order minus first-order result."""
    below: Array | None = None
    """Water that left through the bottom by each way (ways, films); None: it is sealed."""


def attempt(
    u: Array, here: RightSide, bands: Bands, tau: Array, ahead: Callable[[Array], RightSide],
    bottom: Bottom | None = None, third: Third | None = None,
) -> Attempt:  # fmt: skip
    """One step of `tau` (films) from `u`, where the right-hand side is `here` and its Jacobian `bands` (consumed).

    `ahead` evaluates the right-hand side at a state for the second stage; it gets nothing negative. `bottom`: the
    lower side where it is open; its first way out is into the support. `third`: stepped alongside.
    """
    shift = GAMMA * tau
    drain = None if bottom is None else _Drain(bottom, shift)
    system = Shifted(bands, shift)
    loss, slope = here.loss, here.loss_slope
    k1 = system.solve(here.change.copy())
    if drain is not None:
        drain.first(k1[0, 0])
    if third is not None:
        third.first(shift)
    between = shift * k1
    between += u
    np.maximum(between, 0.0, out=between)
    there = ahead(between)
    if third is not None:
        third.second(tau)
    k2 = np.multiply(k1, -2 * GAMMA, out=between)
    k2 += there.change
    system.solve(k2)
    # the loss is integrated as one more unknown of the same scheme, which makes the balance exact
    out1 = loss + shift * _lost_with(slope, k1[-1])
    out2 = there.loss + shift * _lost_with(slope, k2[-1]) - 2 * GAMMA * out1
    lost = tau * (GAMMA * out1 + (2 - GAMMA) * out2)
    below = None if drain is None else tau * drain.second(k2[0, 0])
    k1 *= tau
    k2 *= (2 - GAMMA) * tau
    second = np.multiply(k1, GAMMA)
    second += k2
    correction = np.subtract(second, k1, out=k1)
    second += u
    return Attempt(second, lost, correction, below)


class _Drain:
    """Water that leaves at the bottom over a step, integrated like the loss at the surface."""

    def __init__(self, bottom: Bottom, shift: Array) -> None:
        self._bottom, self._shift, self._slope, self._out = bottom, shift, bottom.slope, bottom.out

    def first(self, k: Array) -> None:
        self._out1 = self._out + self._shift * (self._slope * k)
        self._bottom.ahead(self._shift * self._out1[0])

    def second(self, k: Array) -> Array:
        """Per unit of time (ways, films)."""
        out2 = self._bottom.out + self._shift * (self._slope * k) - 2 * GAMMA * self._out1
        return np.asarray(GAMMA * self._out1 + (2 - GAMMA) * out2)


def _lost_with(slope: Array, k: Array) -> Array:
    return np.asarray(slope[:, 0] * k[0] + slope[:, 1] * k[1])


def error(u: Array, correction: Array, weight: Array, rtol: float, atol: float) -> Array:
    """Each film's error in units of its tolerance: RMS by `weight` (cells, 1, 1), the worse of the two volatiles.

    Overwrites `correction`. An error that is no number is inf.
    """
    allowed = u + atol / rtol
    allowed *= rtol / np.sqrt(weight)
    correction /= allowed
    correction *= correction
    return np.asarray(np.nan_to_num(np.sqrt(correction.sum(0).max(0)), nan=np.inf))


def next_step(tau: Array, found: Array, ok: Flags, failed: Flags) -> Array:
    """The step to try after `tau` with error `found`, accepted where `ok`; `failed`: the one before was not."""
    most = np.where(ok, np.where(failed, 1.0, GROW_MOST), np.where(failed, SHRINK_AGAIN, SHRINK_LEAST))
    return tau * np.clip(SAFETY / np.sqrt(np.maximum(found, 1e-8)), SHRINK_MOST, most)
