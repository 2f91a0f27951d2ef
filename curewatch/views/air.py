"""The JSON of the air a piece has had and of how it dries in it. As in `api_models`."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import Field

from curewatch.desk.reports.cure_record import PieceHistory
from curewatch.settings import AlarmSettings
from curewatch.studio.forecasting.drying_curve import DryingCurve
from curewatch.views.board import View
from curewatch.views.record import AirHadOut
from curewatch.web.plots.plot import Array


class LimitsOut(View):
    """Of the alarms: a wet film below `cold_mfft_c`, its film-forming temperature, cannot fuse."""

    cold_mfft_c: float
    frost_c: float
    damp_rh_pct: float
    hot_c: float
    dry_rh_pct: float

    @classmethod
    def of(cls, limits: AlarmSettings) -> LimitsOut:
        return cls(
            cold_mfft_c=limits.cold_mfft_c,
            frost_c=limits.frost_c,
            damp_rh_pct=limits.damp_rh_pct,
            hot_c=limits.fast_temp_c,
            dry_rh_pct=limits.fast_rh_pct,
        )


class AirPoint(View):
    at: datetime
    temp_c: float
    rh_pct: float


class PieceAirOut(View):
    """The air a piece has had, room by room as it lay there, and what that came to."""

    piece: str
    read_at: datetime | None
    limits: LimitsOut
    came_to: AirHadOut | None = Field(description="null: it was not read")
    points: list[AirPoint]


def air_read_at(found: PieceHistory, tz: ZoneInfo) -> datetime | None:
    """Until when the room it lies in, or left, was read."""
    climate = found.climates.get(found.drying.room)
    return None if climate is None else climate.newest_at.astimezone(tz)


def air_points(*air: Array, tz: ZoneInfo) -> list[AirPoint]:
    """From times [s since 1970], temperatures [°C] and humidities [%]."""
    return [
        AirPoint(at=datetime.fromtimestamp(at, tz), temp_c=round(temp, 2), rh_pct=round(rh, 2))
        for at, temp, rh in zip(*(column.tolist() for column in air), strict=True)
    ]


class MembersOut(View):
    """10, 50 and 90 % of the members of the ensemble."""

    p10: float
    p50: float
    p90: float


class CurvePoint(View):
    at: datetime
    since_pour_h: float
    left: MembersOut = Field(description="Water and glycol still in the film, as a share of what was poured")
    surface_volatile_fraction: MembersOut = Field(description="By volume, in the top tenth")
    bottom_volatile_fraction: MembersOut
    film_temp_c: MembersOut


class CurveOut(View):
    """A drying curve, past and foreseen. A film below `cold_mfft_c` after packing cannot fuse."""

    piece: str
    forecast_at: datetime | None
    air_read_at: datetime | None
    reason: str | None = Field(description="Why there are no points")
    cold_mfft_c: float
    points: list[CurvePoint]


def curve_points(curve: DryingCurve, poured_at: datetime, tz: ZoneInfo) -> list[CurvePoint]:
    left, surface, bottom, film_c = (
        [MembersOut(p10=low, p50=mid, p90=high) for low, mid, high in np.round(np.array(band), 6).T.tolist()]
        for band in (curve.left, curve.surface, curve.bottom, curve.film_temp_c)
    )
    return [
        CurvePoint(
            at=datetime.fromtimestamp(poured_at.timestamp() + 3600 * h, tz), since_pour_h=round(h, 4), left=left[k],
            surface_volatile_fraction=surface[k], bottom_volatile_fraction=bottom[k], film_temp_c=film_c[k],
        )
        for k, h in enumerate(curve.hours.tolist())
    ]  # fmt: skip
