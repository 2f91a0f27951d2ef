"""Pours that nobody has made yet, and how far a tilt would move one, as they are shown."""

from __future__ import annotations

import math
from datetime import datetime
from zoneinfo import ZoneInfo

from pydantic import Field

from curewatch.desk.reports.cure_record import CureRecord
from curewatch.studio.planning.estimate import Reached
from curewatch.views.base import View, tidy


class LevelOut(View):
    """How far a design drifts until the film packs, within a factor of two: nobody knows a mix's viscosity better."""

    piece: str
    tilts: list[TiltOut] = Field(description="The first holds from the pour on, each later one from its moment")
    drift_mm: float | None = Field(description="On these tilts; null: none was measured, or its air was not read")
    limit_mm: float
    tilt_for_limit_deg: float | None = Field(description="The tilt that would move it limit_mm")
    air_read_at: datetime | None


class TiltOut(View):
    measured_at: datetime
    tilt_deg: float


def tilts_of(looked: CureRecord, tz: ZoneInfo) -> list[TiltOut]:
    """What was measured of its support, by time."""
    return [
        TiltOut(measured_at=one.measured_at.astimezone(tz), tilt_deg=tidy(math.degrees(one.tilt_rad)))
        for one in looked.tilts
    ]


MEMBERS, DAYS = 64, 120.0


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
