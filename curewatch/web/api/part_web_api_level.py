"""The API of how level a piece lies: tilts measured of its support, and how far they make its design drift."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from curewatch.desk.commands.part_desk_levelling import measured
from curewatch.desk.reports.part_desk_looking_back import cure_record_of
from curewatch.studio.diagnosis.part_studio_levelling import Rheology, drifting
from curewatch.views.air import air_read_at
from curewatch.views.board import At, LoggedOut, RequestModel, View
from curewatch.views.care import NOW
from curewatch.views.record import TiltOut, tilts_of
from curewatch.web.api.answers import BASE, REFUSALS, logged, moment, require_piece
from curewatch.web.part_web_site import Here

router = APIRouter(prefix=BASE, responses=REFUSALS)

USUAL = Rheology()
LIMIT_MM = 5.0


class TiltIn(RequestModel):
    tilt_deg: Annotated[float, Field(ge=0, le=45, description="Off level; 3 mm on a metre are 0.172")]
    at: At | None = NOW


class LevelOut(View):
    """How far a design drifts until the film packs, within a factor of two: nobody knows a mix's viscosity better."""

    piece: str
    tilts: list[TiltOut] = Field(description="The first holds from the pour on, each later one from its moment")
    drift_mm: float | None = Field(description="On these tilts; null: none was measured, or its air was not read")
    limit_mm: float
    tilt_for_limit_deg: float | None = Field(description="The tilt that would move it limit_mm")
    air_read_at: datetime | None


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
