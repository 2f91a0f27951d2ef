"""A piece looked back on, as it is shown: its record, its label, and what may have gone wrong."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.reports.cure_record import CureRecord
from curewatch.desk.reports.piece import PieceReport
from curewatch.records import Support, ThicknessSource
from curewatch.studio import wording
from curewatch.studio.diagnosis.drying_history import MeasuredDrift, Trace
from curewatch.studio.diagnosis.mechanisms import Diagnosis, Verdict
from curewatch.studio.forecasting.drying import Drying
from curewatch.views.air import AirHadOut, air_read_at
from curewatch.views.alarms import AlarmOut, CloseOut, HarmOut
from curewatch.views.base import View, local, rounded, said, tidy
from curewatch.views.board import MilestoneOut, PieceOut, milestones_of
from curewatch.views.care import DoneOut, ObservationOut, PhotoOut
from curewatch.views.corrections import CorrectionOut
from curewatch.views.sheet import HONESTY


class FilmOut(View):
    """How its central film dried in that air, an estimate; usual is still air of 21 °C and 50 %."""

    skin_gap_h: float | None = Field(description="Of that film, from touch-dry to handle")
    usual_skin_gap_h: float | None
    early_pace: float = Field(description="Water that left in the first six hours, over the usual")
    cold_h: float = Field(description="Below the film-forming temperature after packing and before handle")
    coldest_c: float
    tilt_for_5mm_deg: float

    @classmethod
    def of(cls, trace: Trace | None) -> FilmOut | None:
        if trace is None:
            return None
        return cls(
            skin_gap_h=rounded(trace.gap_h),
            usual_skin_gap_h=rounded(trace.usual_gap_h),
            early_pace=rounded(trace.early_pace, 2),
            cold_h=rounded(trace.cold_h, 2),
            coldest_c=rounded(trace.coldest_c, 2),
            tilt_for_5mm_deg=rounded(math.degrees(trace.tilt_for_5mm), 4),
        )


class PouredOut(View):
    """What was poured, and onto what."""

    wet_thickness_mm: float
    thickness_source: ThicknessSource
    width_cm: float | None
    height_cm: float | None
    round: bool
    recipe: str
    solids: float
    glycol: float
    coalescent: float
    silicone: bool
    back: Support
    poured_by: str | None = Field(description="As far as it was told")


def poured(drying: Drying) -> dict[str, Any]:
    """The fields of `PouredOut`."""
    pour, recipe = drying.pour, drying.recipe
    return {
        "wet_thickness_mm": tidy(pour.wet_thickness_m * 1e3),
        "thickness_source": pour.thickness_source,
        "width_cm": None if pour.width_m is None else tidy(pour.width_m * 100),
        "height_cm": None if pour.height_m is None else tidy(pour.height_m * 100),
        "round": pour.round,
        "recipe": pour.recipe,
        "solids": recipe.solids,
        "glycol": recipe.glycol,
        "coalescent": recipe.coalescent,
        "silicone": pour.silicone,
        "back": pour.support,
        "poured_by": pour.logged_by,
    }


class PieceReportOut(PouredOut, PieceOut):
    air_m_s: float
    film_temp_c: float | None
    volatile_fraction: float | None
    air_read_at: datetime | None
    alarms: list[AlarmOut]
    close: list[CloseOut] = Field(description="What may come to be an alarm of its room")
    harm: list[HarmOut] = Field(description="What stands against it until somebody has looked it over")
    above_dew_point_k: float | None = Field(description="How far it would be from dew if it were dry")
    crack_odds: float | None = Field(description="That it cracks, by a rough measure; null: it no longer can")
    photos: list[PhotoOut]
    weigh: str | None = Field(description="What to do where ready to varnish is known too roughly to plan on")

    @classmethod
    def of_report(cls, report: PieceReport, now: datetime, tz: ZoneInfo) -> PieceReportOut:
        forecast = report.forecast
        return cls(
            **dict(PieceOut.of(report.line, tz)),
            **poured(report.drying),
            air_m_s=report.drying.air_speed,
            film_temp_c=forecast.film_temp_c if forecast else None,
            volatile_fraction=forecast.volatile_fraction if forecast else None,
            air_read_at=local(report.data_at, tz),
            alarms=[AlarmOut.of(alarm, tz) for alarm in report.alarms],
            close=[CloseOut.of(one, tz) for one in report.close_to],
            harm=[HarmOut.of(report.line.name, one, tz) for one in report.damages],
            above_dew_point_k=None if report.dew is None else round(report.dew.kelvin, 2),
            crack_odds=wording.crack_odds(forecast, now),
            photos=[PhotoOut.of(one, tz) for one in report.history.photos],
            weigh=said(wording.weigh_piece(forecast, now)),
        )


class StayOut(View):
    room: str
    place: str | None
    since: datetime


class TiltOut(View):
    measured_at: datetime
    tilt_deg: float


def tilts_of(looked: CureRecord, tz: ZoneInfo) -> list[TiltOut]:
    """What was measured of its support, by time."""
    return [
        TiltOut(measured_at=local(one.measured_at, tz), tilt_deg=tidy(math.degrees(one.tilt_rad)))
        for one in looked.tilts
    ]


class RecordOut(PouredOut):
    """A piece's cure record. `estimated` and `film` are a model's; `observed` is what people found."""

    name: str
    written_at: datetime
    poured_at: datetime
    gone_at: datetime | None
    recipe_stated: bool
    stays: list[StayOut]
    tilts: list[TiltOut]
    estimated: dict[str, MilestoneOut]
    forecast_at: datetime | None
    model_version: str | None
    film: FilmOut | None = Field(description="null: the air it lay in was not read")
    air_while_drying: AirHadOut | None = Field(description="Until it may safely be handled, or as far as it has come")
    air_so_far: AirHadOut | None
    observed: list[ObservationOut]
    steps: list[DoneOut]
    photos: list[PhotoOut]
    harm: list[HarmOut]
    corrections: list[CorrectionOut] = Field(description="Of what was logged of its pour, in the order they were made")
    honesty: str

    @classmethod
    def of(cls, looked: CureRecord, tz: ZoneInfo) -> RecordOut:
        drying, forecast = looked.history.drying, looked.history.forecast
        name = drying.piece.name
        return cls(
            **poured(drying),
            name=name,
            written_at=local(looked.now, tz),
            honesty=said(HONESTY),
            poured_at=local(drying.pour.at, tz),
            gone_at=local(drying.piece.gone_at, tz),
            recipe_stated=drying.recipe.stated,
            stays=[StayOut(room=s.room, place=s.place, since=local(s.since, tz)) for s in drying.stays],
            tilts=tilts_of(looked, tz),
            estimated=milestones_of(forecast, tz),
            forecast_at=local(forecast.made_at if forecast else None, tz),
            model_version=None if forecast is None else forecast.model_version,
            film=FilmOut.of(looked.trace),
            air_while_drying=AirHadOut.of(looked.wet_air, tz),
            air_so_far=AirHadOut.of(looked.whole_air, tz),
            observed=[ObservationOut.of(one, tz) for one in looked.seen],
            steps=[DoneOut.of(one, tz) for one in looked.history.steps],
            photos=[PhotoOut.of(one, tz) for one in looked.history.photos],
            harm=[HarmOut.of(name, one, tz) for one in looked.history.damages],
            corrections=[CorrectionOut.of(one, looked.changes, tz) for one in looked.corrections],
        )


class FindingOut(View):
    mechanism: str
    verdict: Verdict
    figure: str
    next_time: str

    @classmethod
    def of(cls, one: Diagnosis) -> FindingOut:
        told = {"mechanism": said(one.mechanism), "figure": said(one.figure), "next_time": said(one.next_time)}
        return cls(verdict=one.verdict, **told)


class ComparedOut(View):
    pieces: list[RecordOut]


class LabelOut(View):
    """What stands on a label; its code says nothing of the piece, and finds it after it has left too."""

    piece: str
    poured_at: datetime
    recipe: str
    width_cm: float | None
    height_cm: float | None
    round: bool
    code: str
    link: str | None = Field(description="None as long as the page opens on the machine alone that serves it")
    photo: PhotoOut | None = Field(description="The newest one")


class LevelOut(View):
    """How far a design drifts until the film sets, within a factor of two: nobody knows a mix's viscosity better."""

    piece: str
    tilts: list[TiltOut] = Field(description="The first holds from the pour on, each later one from its moment")
    drift_mm: float | None = Field(description="On these tilts; null: none was measured, or its air was not read")
    limit_mm: float
    tilt_for_limit_deg: float | None = Field(description="The tilt that would move it limit_mm")
    tilt_for_5mm_deg: float | None = Field(description="Of the usual mix")
    air_read_at: datetime | None

    @classmethod
    def of(cls, looked: CureRecord, found: MeasuredDrift, tz: ZoneInfo) -> LevelOut:
        angle = found.tilt_for_limit
        return cls(
            piece=looked.history.name,
            tilts=tilts_of(looked, tz),
            drift_mm=None if found.drift_m is None else tidy(found.drift_m * 1e3, 7),
            limit_mm=tidy(found.limit_m * 1e3, 7),
            tilt_for_limit_deg=None if angle is None else tidy(math.degrees(angle), 7),
            tilt_for_5mm_deg=None if looked.trace is None else tidy(math.degrees(looked.trace.tilt_for_5mm), 7),
            air_read_at=air_read_at(looked.history, tz),
        )
