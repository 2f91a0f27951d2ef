"""How far the design of a pour drifts on a tilt in a given air, before any piece is poured."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from curewatch.physics import ensemble, flow
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator
from curewatch.studio.planning.estimate import DAY_S, EstimateInput

POINTS = 4000
"""Moments at which the drift is summed up: it is then within 0.1 % of that with many more."""
SAMPLES = 400
"""Moments at which the film's solids are sampled."""


@dataclass(frozen=True)
class TiltDrift:
    """What a tilt does to one pour, all in SI."""

    set_s: float | None
    """When nothing flows any more; None: not within the days looked at, which the drift then covers."""
    drift: float
    drift_at_most: float
    """If the mix never sets at rest."""
    tilt_for_limit: float
    half_s: float
    most_s: float
    """When half, and nine tenths, of the drift have happened."""
    first_speed: float
    stress: float
    """At the support, at the pour."""


def drifts(question: EstimateInput, mix: flow.Rheology, tilt: float, limit: float) -> TiltDrift:
    """On a tilt [rad]; `limit` [m]: the drift that would not matter."""
    film, set_s = _drying(question)
    moved = flow.drift(film, mix, tilt)
    never_sets = flow.drift(film, replace(mix, stiffening=0.0), tilt)
    wet, density = film.thickness[0], film.density[0]
    return TiltDrift(
        set_s,
        drift=float(moved[-1]),
        drift_at_most=float(never_sets[-1]),
        tilt_for_limit=flow.tilt_for(film, mix, limit),
        half_s=flow.when(film, moved, 0.5),
        most_s=flow.when(film, moved, 0.9),
        first_speed=float(flow.surface_speed(wet, tilt, mix.viscosity, density, mix.yield_stress)),
        stress=float(flow.wall_stress(wet, tilt, density)),
    )


def _drying(question: EstimateInput) -> tuple[flow.ThinningFilm, float | None]:
    """The central film until it packs, or as far as is looked, and when it packs [s]."""
    run = partial(
        ensemble.run, [question.pouring], ensemble.design(1), question.air.series(), tolerance=integrator.FINE
    )
    days_s = question.days * DAY_S
    sets = float(run(days_s).reached_s[MILESTONES.index("set"), 0, 0])
    end = sets if math.isfinite(sets) else days_s
    times = np.linspace(0.0, end, SAMPLES)
    volatile = run(end, sample_at=times).samples["volatile_fraction"][:, 0, 0]
    known = np.isfinite(volatile)
    finely = np.linspace(0.0, times[known][-1], POINTS)
    volatile = np.interp(finely, times[known], volatile[known])
    return flow.ThinningFilm.of(finely, question.pouring.wet_thickness, volatile), sets if math.isfinite(sets) else None
