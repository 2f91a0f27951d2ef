"""Truths that learning is tried against: films by our own model, and by others that break it.

A finger tests the edge that it is told to, so each truth has a film of the piece and one of its edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import ensemble
from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import PACKING
from curewatch.physics.solver.kinetics import Kinetics
from curewatch.studio.inference.observation_model import EDGE_HABIT, EDGE_SPREAD, EDGE_THICKNESS
from curewatch.studio.learning import learning


class Truth(StrEnum):
    OWN = "as believed"
    WIDE = "all constants twice as far out"
    SENSOR = "the sensor 4 %RH off"
    EDGE = "an edge half as thick"
    CENTRE = "a centre drier than the edge"
    LAW = "another law of diffusion"
    FRONT = "a front that recedes"


WIDER = 2.0
"""How much further out than believed the constants of `WIDE` are drawn; a comb gauge errs as it does."""
SENSOR_OFF_SD = 2.0
"""What is read in the room of `SENSOR` is off by so many of a cheap sensor's standard deviations, up or down."""
EDGES = {Truth.EDGE: 0.5, Truth.CENTRE: 1.2}
"""Thickness of a film at its edge over that of the piece: of `CENTRE`, paint that ran outwards gathered there. Of all
other truths each studio's edges are as thin as is believed of those of a recipe."""


@dataclass(frozen=True)
class Films:
    """Films that have dried: those of the pieces, and when their edges reach the milestones (4, pieces) [s]."""

    pieces: ensemble.EnsembleRun
    edges_s: Array


class LinearKinetics(Kinetics):
    """Diffusivity grows linearly with the liquid where ours grows exponentially, with the same ends: dry and packed."""

    def refresh(self, t: Array | None = None) -> None:
        super().refresh(t)
        self._ours = self._ln_d0

    def _conductances(self, w: Array, t_film: Array) -> None:
        exponent = np.clip(6.3 + (2.7 * w - 6.3) * self.p, 0.0, 9 * (1 - PACKING))
        steep = np.expm1(9 * (1 - PACKING)) / (9 * (1 - PACKING))
        self._ln_d0 = self._ours + np.log1p(steep * exponent) - exponent
        super()._conductances(w, t_film)


def drawn(truth: Truth, studios: int, pieces: int, rng: np.random.Generator) -> Array:
    """Deviates of what nobody knows of each piece (studios, pieces, quantities): but for a piece's own, a studio's."""
    z = np.repeat(rng.standard_normal((studios, 1, learning.QUANTITIES)), pieces, axis=1)
    z[:, :, learning.OWN] = rng.standard_normal((studios, pieces, len(learning.OWN)))
    if truth is Truth.WIDE:
        z[:, :, [name != "thickness" for name in ensemble.SPREADS]] *= WIDER
    if truth is Truth.SENSOR:
        damp = ensemble.SPREADS.index("air_rh")
        z[:, :, damp] = SENSOR_OFF_SD * np.sign(z[:, :, damp])
    return z


def dried(
    truth: Truth, pourings: Sequence[ensemble.Pouring], z: Array, series: AirSeries, until_s: float,
    rng: np.random.Generator, sample_at: Array | None = None,
) -> Films:  # fmt: skip
    """The films of `pourings` at deviates `z` (studios, pieces, quantities), each in its own of `series`."""
    share = edges_of(truth, z.shape[:2], rng)
    whole = [replace(one, front=truth is Truth.FRONT) for one in pourings]
    edges = [
        replace(one, wet_thickness=one.wet_thickness * float(part)) for one, part in zip(whole, share, strict=True)
    ]
    kinetics = LinearKinetics if truth is Truth.LAW else Kinetics
    room: NDArray[np.intp] = np.arange(len(pourings))
    flat = z.reshape(-1, 1, z.shape[-1])
    runs = [
        ensemble.run(some, flat, series, until_s, room=room, sample_at=times, kinetics=kinetics)
        for some, times in ((whole, sample_at), (edges, None))
    ]
    return Films(runs[0], runs[1].reached_s[:, :, 0])


def edges_of(truth: Truth, size: tuple[int, int], rng: np.random.Generator) -> Array:
    """Thickness of the films at their edges over that of the pieces, (studios, pieces) in a row."""
    own, habit = rng.standard_normal(size), rng.standard_normal((size[0], 1))
    usual = EDGES.get(truth, EDGE_THICKNESS * np.exp(EDGE_HABIT * habit))
    return np.asarray(usual * np.exp(EDGE_SPREAD * own)).ravel()
