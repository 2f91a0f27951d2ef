"""Pours that nobody has made yet: when one would dry, and how far its design would drift on a tilt.

`estimate` and `level` are the public functions (`from curewatch import estimate`): numbers in, a model out, without
a store or a file. The API and the command line answer with the same models.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from pydantic import Field

from curewatch.physics.evaporation import AIR_SPEED
from curewatch.physics.flow import Rheology
from curewatch.records import RH_PCT_RANGE, WET_THICKNESS_RANGE_M, Recipe, Support, ThicknessSource
from curewatch.studio.forecasting.drying import DEFAULT_SIDE_M
from curewatch.studio.planning.estimate import EstimateInput, Reached, RoomAir, answer, cautions, film
from curewatch.studio.planning.tilt_drift import drifts
from curewatch.views.base import RequestModel, View, rounded, said, tidy

MEMBERS, DAYS = 64, 120.0
DIGITS = 7
"""Of hours and lengths: far finer than they are known, for comparing."""
ASSUMED, USUAL, LIMIT_MM = Recipe(name="assumed"), Rheology(), 5.0
WetMm = Annotated[float, Field(ge=WET_THICKNESS_RANGE_M[0] * 1e3, le=WET_THICKNESS_RANGE_M[1] * 1e3)]
Solids = Annotated[float, *Recipe.model_fields["solids"].metadata]
Glycol = Annotated[float, *Recipe.model_fields["glycol"].metadata]
Coalescent = Annotated[float, *Recipe.model_fields["coalescent"].metadata]
Model = Literal["standard", "front"]
"""Of the film: as forecasts are made, or with a front that recedes through an open layer (solver/kinetics.py)."""


class FilmIn(RequestModel):
    """One film in air that stays as it is."""

    wet_thickness_mm: WetMm
    thickness_source: ThicknessSource = ThicknessSource.GAUGE
    temp_c: Annotated[float, Field(ge=-40, le=60)]
    rh_pct: Annotated[float, Field(ge=RH_PCT_RANGE[0], le=RH_PCT_RANGE[1])]
    solids: Solids = ASSUMED.solids
    glycol: Glycol = ASSUMED.glycol
    coalescent: Coalescent = Field(ASSUMED.coalescent, description="A solvent slower than glycol")
    side_cm: Annotated[float, Field(ge=2, le=500)] = Field(DEFAULT_SIDE_M * 100, description="Its shorter side")
    air_m_s: Annotated[float, Field(ge=0.05, le=5)] = AIR_SPEED["still"]
    back: Support = Support.CANVAS
    tilt_deg: Annotated[float, Field(ge=0, le=45)] = Field(0.0, description="Of the support; 0: level")
    model: Model = Field("standard", description="An alternative of the drying model, to compare; no forecast uses it")

    def question(self, members: int = MEMBERS, days: float = DAYS) -> EstimateInput:
        pouring = film(
            self.wet_thickness_mm / 1e3,
            self.thickness_source,
            solids=self.solids,
            glycol=self.glycol,
            side_m=self.side_cm / 100,
            air_speed_m_s=self.air_m_s,
            support=self.back,
            tilt_rad=math.radians(self.tilt_deg),
            coalescent=self.coalescent,
            front=self.model == "front",
        )
        return EstimateInput(pouring, RoomAir.constant(self.temp_c, self.rh_pct), members, days)


class TiltedIn(FilmIn):
    tilt_deg: Annotated[float, Field(ge=0, le=45)]  # to be said here
    viscosity_pa_s: Annotated[float, Field(ge=0.01, le=1000)] = Field(
        USUAL.viscosity, description="Of the mix at its pour; 1 flows like warm honey"
    )
    yield_stress_pa: Annotated[float, Field(ge=0, le=1000)] = USUAL.yield_stress
    stiffening_pa_h: Annotated[float, Field(ge=0, le=3600)] = Field(
        USUAL.stiffening * 3600, description="How fast the yield stress grows at rest; 0: it never sets"
    )
    limit_mm: Annotated[float, Field(ge=0.1, le=1000)] = Field(LIMIT_MM, description="The drift that would not matter")

    @property
    def mix(self) -> Rheology:
        return Rheology(self.viscosity_pa_s, self.yield_stress_pa, self.stiffening_pa_h / 3600)


class ReachedOut(View):
    """Hours from the pour by which 10, 50 and 90 % of such films are there; null: not foreseen."""

    early_h: float | None
    worth_checking_h: float | None
    safe_h: float | None
    reason: str | None

    @classmethod
    def of(cls, one: Reached) -> ReachedOut:
        early, even, safe = (tidy(h, DIGITS) for h in one.hours)
        return cls(early_h=early, worth_checking_h=even, safe_h=safe, reason=said(one.reason))


class FilmAskedOut(View):
    """The question as it was understood."""

    wet_thickness_mm: float
    thickness_source: ThicknessSource
    solids: float
    glycol: float
    coalescent: float
    model: Model
    side_cm: float
    air_m_s: float
    back_w_m2k: float
    soaks_up_mm: float
    back_loss_m_s: float
    temp_c: float | None = Field(description="null: of a room's record")
    rh_pct: float | None
    room: str | None = Field(description="The file of the room's record")
    room_rows: int | None

    @classmethod
    def of(cls, question: EstimateInput, source: ThicknessSource, room: str | None) -> FilmAskedOut:
        pouring, air = question.pouring, question.air
        return cls(
            wet_thickness_mm=tidy(pouring.wet_thickness * 1e3),
            thickness_source=source,
            solids=pouring.solids,
            glycol=pouring.glycol,
            coalescent=pouring.coalescent,
            model="front" if pouring.front else "standard",
            side_cm=tidy(pouring.side * 100),
            air_m_s=pouring.air_speed,
            back_w_m2k=pouring.h_back,
            soaks_up_mm=tidy(pouring.sink_m * 1e3),
            back_loss_m_s=tidy(pouring.back_loss),
            temp_c=None if room else float(air.temp_c[0]),
            rh_pct=None if room else float(air.rh_pct[0]),
            room=room,
            room_rows=len(air.time_s) if room else None,
        )


class EstimateOut(View):
    milestones: dict[str, ReachedOut]
    film_temp_c: float = Field(description="In the first minute")
    crack_odds: float = Field(description="That such a film cracks in just this air, by a rough measure; no promise")
    weigh: str | None = Field(description="What to do where ready to varnish is known too roughly to plan on")
    warnings: list[str]
    inputs: FilmAskedOut
    members: int = Field(description="Films, each a little different, that make the spread")
    days: float = Field(description="As far as was looked")


class TiltAskedOut(FilmAskedOut):
    tilt_deg: float
    viscosity_pa_s: float
    yield_stress_pa: float
    stiffening_pa_h: float
    limit_mm: float


class DriftOut(View):
    """Within a factor of two: nobody knows a mix's viscosity better."""

    drift_mm: float
    drift_if_it_never_sets_mm: float
    tilt_for_limit_deg: float
    tilt_for_limit_mm_per_m: float
    half_of_it_by_h: float
    most_of_it_by_h: float = Field(description="Nine tenths")
    set_h: float | None = Field(description="null: not within the days looked at")
    first_speed_mm_h: float
    stress_pa: float = Field(description="At the support, at the pour")
    inputs: TiltAskedOut


def estimated(
    question: EstimateInput, source: ThicknessSource, *, drained: bool = True, room: str | None = None
) -> EstimateOut:
    """The answer to a question in SI. `room`: the file its air was read from; `drained`: see `cautions`."""
    found = answer(question)
    return EstimateOut(
        milestones={name: ReachedOut.of(one) for name, one in found.milestones.items()},
        film_temp_c=rounded(found.film_temp_c, 4),
        crack_odds=rounded(found.crack_odds, 4),
        weigh=said(found.weigh),
        warnings=[said(one) for one in cautions(question, source, found, drained=drained)],
        inputs=FilmAskedOut.of(question, source, room),
        members=question.members,
        days=question.days,
    )


def drifted(
    question: EstimateInput, source: ThicknessSource, mix: Rheology, tilt_rad: float, limit_m: float,
    *, room: str | None = None,
) -> DriftOut:  # fmt: skip
    """What a tilt does to one pour."""
    found = drifts(question, mix, tilt_rad, limit_m)
    return DriftOut(
        drift_mm=tidy(found.drift * 1e3, DIGITS),
        drift_if_it_never_sets_mm=tidy(found.drift_at_most * 1e3, DIGITS),
        tilt_for_limit_deg=tidy(math.degrees(found.tilt_for_limit), DIGITS),
        tilt_for_limit_mm_per_m=tidy(math.tan(found.tilt_for_limit) * 1e3, DIGITS),
        half_of_it_by_h=tidy(found.half_s / 3600, DIGITS),
        most_of_it_by_h=tidy(found.most_s / 3600, DIGITS),
        set_h=None if found.set_s is None else tidy(found.set_s / 3600, DIGITS),
        first_speed_mm_h=tidy(found.first_speed * 3.6e6, DIGITS),
        stress_pa=tidy(found.stress, DIGITS),
        inputs=TiltAskedOut(
            **dict(FilmAskedOut.of(question, source, room)),
            tilt_deg=tidy(math.degrees(tilt_rad), DIGITS),
            viscosity_pa_s=mix.viscosity,
            yield_stress_pa=mix.yield_stress,
            stiffening_pa_h=tidy(mix.stiffening * 3600, DIGITS),
            limit_mm=tidy(limit_m * 1e3, DIGITS),
        ),
    )


def estimate(
    *,
    wet_thickness_mm: float,
    temp_c: float,
    rh_pct: float,
    thickness_source: ThicknessSource | str = ThicknessSource.GAUGE,
    solids: float = ASSUMED.solids,
    glycol: float = ASSUMED.glycol,
    coalescent: float = ASSUMED.coalescent,
    side_cm: float = DEFAULT_SIDE_M * 100,
    air_m_s: float = AIR_SPEED["still"],
    back: Support | str = Support.CANVAS,
    tilt_deg: float = 0.0,
    model: Model = "standard",
    members: int = MEMBERS,
    days: float = DAYS,
) -> EstimateOut:
    """When a pour would be set, touch-dry, dry to handle and ready to varnish, in air that stays as it is.

    wet_thickness_mm : wet film [mm]; thickness_source: "gauge", "volume" or "layer", each with its own spread
    temp_c, rh_pct   : of the room's air [°C, %]
    solids, glycol   : of the wet paint, by volume [-];  coalescent: a solvent slower than glycol
    side_cm          : the piece's shorter side [cm];  air_m_s: speed of the air over it [m/s]
    back             : what it lies on: "canvas", "board", "panel", "raw-panel", "tile", "glass", "cradled-panel",
                       "canvas-panel", "hardboard" or "paper"
    tilt_deg         : of the support [°]: paint runs together at the low edge, which cracks sooner
    model            : "front" is an alternative of the drying model, to compare; no forecast uses it
    members, days    : films that make the spread (1: the central one); how far to look ahead [d]

    Raises pydantic's ValidationError, a ValueError, for a value out of its range.

        >>> found = estimate(wet_thickness_mm=1.2, temp_c=20, rh_pct=50)
        >>> found.milestones["handle"].safe_h  # doctest: +SKIP
        101.3
        >>> found.model_dump()  # doctest: +SKIP
    """
    asked = FilmIn.model_validate({k: v for k, v in locals().items() if k not in ("members", "days")})
    return estimated(asked.question(members, days), asked.thickness_source)


def level(*, tilt_deg: float, limit_mm: float = LIMIT_MM, viscosity_pa_s: float = USUAL.viscosity,
          yield_stress_pa: float = USUAL.yield_stress, stiffening_pa_h: float = USUAL.stiffening * 3600,
          **film: float | str) -> DriftOut:  # fmt: skip
    """How far the design of a pour drifts on a tilt [°] before the film sets; `film`: as `estimate` takes it.

    limit_mm        : the drift that would not matter [mm]
    viscosity_pa_s  : of the mix at its pour [Pa s]; 1 flows like warm honey
    yield_stress_pa, stiffening_pa_h : of a mix that holds its shape [Pa], and how fast that grows at rest [Pa/h]
    """
    told = {k: v for k, v in locals().items() if k != "film"} | film
    return tilted(TiltedIn.model_validate(told))


def tilted(asked: TiltedIn) -> DriftOut:
    """As `level`, of a request."""
    tilt, limit = math.radians(asked.tilt_deg), asked.limit_mm / 1e3
    return drifted(asked.question(1), asked.thickness_source, asked.mix, tilt, limit)
