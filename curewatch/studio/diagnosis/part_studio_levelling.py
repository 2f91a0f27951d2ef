"""How far a piece's design drifted on the tilts that were measured of its support."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from curewatch.physics import flow
from curewatch.physics.flow import Rheology as Rheology
from curewatch.records.workshop import Tilt
from curewatch.studio.diagnosis.drying_history import Trace

DRIFTS, STAYS = 5e-3, 2e-3
"""A drift of the surface that shows, and one that does not [m]. Between them nobody can tell: what a mix's viscosity
was is not known within a factor of two, and the drift is inverse to it."""


def drifted(film: flow.Drying, poured_at: datetime, tilts: Sequence[Tilt], mix: Rheology | None = None) -> float:
    """How far the surface moved until the film packed [m]; for a mix of common flow, if none is given.

    `tilts` by time: the first is taken to have been so from the pour on, each later one from its moment (a shim).
    """
    begins = [0.0, *((one.measured_at - poured_at).total_seconds() for one in tilts[1:])]
    ends = [*begins[1:], np.inf]
    moved = 0.0
    for tilt, begin, end in zip(tilts, begins, ends, strict=True):
        course = flow.drift(film, mix or Rheology(), tilt.tilt_rad)
        until, since = np.interp([end, begin], film.time_s, course)
        moved += float(until - since)
    return moved


@dataclass(frozen=True)
class MeasuredDrift:
    """How far a design moves on all tilts measured [m], and the tilt that would move it `limit_m` [rad].

    None: the air of its room was not read, or no tilt was measured.
    """

    drift_m: float | None
    tilt_for_limit: float | None
    limit_m: float


def drifting(
    trace: Trace | None, poured_at: datetime, tilts: Sequence[Tilt], mix: Rheology, limit_m: float
) -> MeasuredDrift:
    """Of a piece with this film, for paint that flows as `mix`."""
    if trace is None:
        return MeasuredDrift(None, None, limit_m)
    moved = drifted(trace.film, poured_at, tilts, mix) if tilts else None
    return MeasuredDrift(moved, flow.tilt_for(trace.film, mix, limit_m), limit_m)


def slope_text(tilt_rad: float) -> str:
    """`2 mm per metre`."""
    return f"{np.tan(tilt_rad) * 1e3:.2g} mm per metre"
