"""The API of pours that nobody has made yet, and of how level a piece lies."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query

from curewatch.desk.commands.pours import measured
from curewatch.desk.reports.cure_record import cure_record_of
from curewatch.studio.diagnosis.drying_history import Rheology, drifting
from curewatch.views.estimate import LIMIT_MM, USUAL, DriftOut, EstimateOut, FilmIn, TiltedIn, estimated, tilted
from curewatch.views.logged import LoggedOut
from curewatch.views.record import LevelOut
from curewatch.web.api.answers import BASE, REFUSALS, PieceName, logged, moment, require_piece
from curewatch.web.api.requests import TiltIn
from curewatch.web.scarce import costly
from curewatch.web.site import Here

router = APIRouter(prefix=BASE, responses=REFUSALS)


@router.get("/estimate")
@costly
def estimate(site: Here, asked: Annotated[FilmIn, Query()]) -> EstimateOut:
    """When a pour would be set, touch-dry, dry to handle and ready to varnish. Nothing is stored."""
    return site.estimates(f"film {asked}", lambda: estimated(asked.question(), asked.thickness_source))  # type: ignore[no-any-return]


@router.get("/level")
@costly
def level(site: Here, asked: Annotated[TiltedIn, Query()]) -> DriftOut:
    """How far the design of a pour would drift on a tilt before the film packs. Nothing is stored."""
    return site.estimates(f"tilt {asked}", lambda: tilted(asked))  # type: ignore[no-any-return]


@router.get("/pieces/{name:path}/level")
@costly
def piece_level(
    site: Here,
    name: PieceName,
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
    return LevelOut.of(looked, found, site.desk.settings.tz)


@router.post("/pieces/{name:path}/tilts", status_code=201)
def measure(site: Here, name: PieceName, tilt: TiltIn) -> LoggedOut:
    """How far from level its support was found to be. Said again of the same moment, that stands."""
    now = site.clock.now()
    require_piece(site, name, now)
    measured(site.desk, name, math.radians(tilt.tilt_deg), moment(site, tilt.at, now), now)
    return logged(site, now, name)
