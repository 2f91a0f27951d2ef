"""The API of pours that nobody has made yet: when one would be dry in a given air, and how far a tilt would move it."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import Field

from curewatch.records import RH_PCT_RANGE, Recipe, Support, ThicknessSource
from curewatch.settings import AIR_SPEEDS_M_S
from curewatch.studio.diagnosis.part_studio_levelling import Rheology
from curewatch.studio.forecasting.drying import DEFAULT_SIDE_M
from curewatch.studio.planning.estimate import EstimateInput, Reached, RoomAir, answer, film
from curewatch.studio.planning.part_studio_estimate_cautions import cautions
from curewatch.studio.planning.tilt_drift import drifts
from curewatch.views.board import RequestModel, View
from curewatch.views.mixing import Glycol, Solids
from curewatch.web.api.answers import BASE, REFUSALS
from curewatch.web.api.part_web_api_level import LIMIT_MM, USUAL
from curewatch.web.api.requests import WetMm
from curewatch.web.pages.plan import one_at_a_time

router = APIRouter(prefix=BASE, responses=REFUSALS)

MEMBERS, DAYS = 64, 120.0
ASSUMED = Recipe(name="assumed")


class FilmIn(RequestModel):
    """One film in air that stays as it is."""

    wet_thickness_mm: WetMm
    thickness_source: ThicknessSource = ThicknessSource.GAUGE
    temp_c: Annotated[float, Field(ge=-40, le=60)]
    rh_pct: Annotated[float, Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1])]
    solids: Solids = ASSUMED.solids
    glycol: Glycol = ASSUMED.glycol
    side_cm: Annotated[float, Field(ge=2, le=500)] = Field(DEFAULT_SIDE_M * 100, description="Its shorter side")
    air_m_s: Annotated[float, Field(ge=0.05, le=5)] = AIR_SPEEDS_M_S["still"]
    back: Support = Support.CANVAS

    def question(self, members: int) -> EstimateInput:
        pouring = film(
            self.wet_thickness_mm / 1e3,
            self.thickness_source,
            solids=self.solids,
            glycol=self.glycol,
            side_m=self.side_cm / 100,
            air_speed_m_s=self.air_m_s,
            support=self.back,
        )
        return EstimateInput(pouring, RoomAir.constant(self.temp_c, self.rh_pct), members, DAYS)


class TiltedIn(FilmIn):
    tilt_deg: Annotated[float, Field(ge=0, le=45)]
    viscosity_pa_s: Annotated[float, Field(ge=0.01, le=1000)] = Field(
        USUAL.viscosity, description="Of the mix at its pour; 1 flows like warm honey"
    )
    yield_stress_pa: Annotated[float, Field(ge=0, le=1000)] = USUAL.yield_stress
    stiffening_pa_h: Annotated[float, Field(ge=0, le=3600)] = Field(
        USUAL.stiffening * 3600, description="How fast the yield stress grows at rest; 0: it never sets"
    )
    limit_mm: Annotated[float, Field(ge=0.1, le=1000)] = Field(LIMIT_MM, description="The drift that would not matter")


class ReachedOut(View):
    """Hours from the pour by which 10, 50 and 90 % of such films are there; null: not foreseen."""

    early_h: float | None
    worth_checking_h: float | None
    safe_h: float | None
    reason: str | None

    @classmethod
    def of(cls, one: Reached) -> ReachedOut:
        early, even, safe = (None if h is None else float(f"{h:.7g}") for h in one.hours)
        return cls(early_h=early, worth_checking_h=even, safe_h=safe, reason=one.reason)


class EstimateOut(View):
    milestones: dict[str, ReachedOut]
    film_temp_c: float = Field(description="In the first minute")
    warnings: list[str]


class DriftOut(View):
    """Within a factor of two: nobody knows a mix's viscosity better."""

    drift_mm: float
    drift_if_it_never_sets_mm: float
    tilt_for_limit_deg: float
    half_of_it_by_h: float
    most_of_it_by_h: float = Field(description="Nine tenths")
    packed_h: float | None = Field(description=f"null: not within {DAYS:g} days")


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
