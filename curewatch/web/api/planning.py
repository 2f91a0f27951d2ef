"""The API of pours that nobody has made yet, and of how level a piece lies."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query

from curewatch.desk.commands.moves import measured
from curewatch.desk.reports.cure_record import cure_record_of
from curewatch.studio.diagnosis.drying_history import Rheology, drifting
from curewatch.studio.planning.estimate import answer, cautions
from curewatch.studio.planning.tilt_drift import drifts
from curewatch.views.air import air_read_at
from curewatch.views.estimate import MEMBERS, DriftOut, EstimateOut, LevelOut, ReachedOut, tilts_of
from curewatch.views.logged import LoggedOut
from curewatch.web.api.answers import BASE, REFUSALS, logged, moment, require_piece
from curewatch.web.api.requests import LIMIT_MM, USUAL, FilmIn, TiltedIn, TiltIn
from curewatch.web.site import Here, one_at_a_time

router = APIRouter(prefix=BASE, responses=REFUSALS)


@router.get("/estimate")
def estimate(asked: Annotated[FilmIn, Query()]) -> EstimateOut:
    """When a pour would be packed, touch-dry, fit to handle and ready for varnish. Nothing is stored."""
    question = asked.question(MEMBERS)
    with one_at_a_time:
        found = answer(question)
    return EstimateOut(
        milestones={name: ReachedOut.of(one) for name, one in found.milestones.items()},
        film_temp_c=round(found.film_temp_c, 4),
        warnings=cautions(question, asked.thickness_source, found),
    )


@router.get("/level")
def level(asked: Annotated[TiltedIn, Query()]) -> DriftOut:
    """How far the design of a pour would drift on a tilt before the film packs. Nothing is stored."""
    mix = Rheology(asked.viscosity_pa_s, asked.yield_stress_pa, asked.stiffening_pa_h / 3600)
    with one_at_a_time:
        found = drifts(asked.question(1), mix, math.radians(asked.tilt_deg), asked.limit_mm / 1e3)
    packed_s = found.packed_s
    return DriftOut(
        drift_mm=_digits(found.drift * 1e3),
        drift_if_it_never_sets_mm=_digits(found.drift_at_most * 1e3),
        tilt_for_limit_deg=_digits(math.degrees(found.tilt_for_limit)),
        half_of_it_by_h=_digits(found.half_s / 3600),
        most_of_it_by_h=_digits(found.most_s / 3600),
        packed_h=None if packed_s is None else _digits(packed_s / 3600),
    )


def _digits(value: float) -> float:
    return float(f"{value:.7g}")


@router.get("/pieces/{name:path}/level")
def piece_level(
    site: Here,
    name: str,
    viscosity_pa_s: Annotated[
        float, Query(ge=0.01, le=1000, description="Of the mix at its pour; 1 flows like warm honey")
    ] = USUAL.viscosity,
    yield_stress_pa: Annotated[
        float, Query(ge=0, le=1000, description="Of a mix that holds its shape")
    ] = USUAL.yield_stress,
    stiffening_pa_h: Annotated[
        float, Query(ge=0, le=3600, description="How fast that grows at rest; 0: it never sets")
    ] = USUAL.stiffening * 3600,
    limit_mm: Annotated[float, Query(ge=0.1, le=1000, description="The drift that would not matter")] = LIMIT_MM,
) -> LevelOut:
    """How far the tilts measured of it make its design drift, and how level would be level enough."""
    now = site.clock.now()
    require_piece(site, name, now)
    mix = Rheology(viscosity_pa_s, yield_stress_pa, stiffening_pa_h / 3600)
    looked = cure_record_of(site.desk, name, now)
    found = drifting(looked.trace, looked.history.drying.pour.at, looked.tilts, mix, limit_mm / 1e3)
    angle = found.tilt_for_limit
    return LevelOut(
        piece=name,
        tilts=tilts_of(looked, site.desk.settings.tz),
        drift_mm=None if found.drift_m is None else float(f"{found.drift_m * 1e3:.7g}"),
        limit_mm=limit_mm,
        tilt_for_limit_deg=None if angle is None else float(f"{math.degrees(angle):.7g}"),
        air_read_at=air_read_at(looked.history, site.desk.settings.tz),
    )


@router.post("/pieces/{name:path}/tilts", status_code=201)
def measure(site: Here, name: str, tilt: TiltIn) -> LoggedOut:
    """How far from level its support was found to be. Said again of the same moment, that stands."""
    now = site.clock.now()
    require_piece(site, name, now)
    measured(site.desk, name, math.radians(tilt.tilt_deg), moment(tilt.at, now), now)
    return logged(site, now, name)
