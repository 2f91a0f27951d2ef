"""Air as it is shown: what a room read, who measures it, how it is foreseen, and what a piece has had of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from pydantic import Field

from curewatch.desk.commands.readings import Check
from curewatch.desk.reports.cure_record import PieceHistory
from curewatch.desk.reports.room import SensorLine
from curewatch.physics.air import Array
from curewatch.records import SensorTrust, Trust
from curewatch.settings import AlarmSettings
from curewatch.studio.air.climate import HOUR_S
from curewatch.studio.diagnosis.drying_history import PastAir, Spread
from curewatch.studio.forecasting.drying_curve import DryingCurve
from curewatch.studio.outlook.outlook import Band, Outlook
from curewatch.views.alarms import AlarmOut, CloseOut
from curewatch.views.base import View, local, rounded, said
from curewatch.views.board import RoomOut


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
    return None if climate is None else local(climate.newest_at, tz)


def air_points(*air: Array, tz: ZoneInfo) -> list[AirPoint]:
    """From times [s since 1970], temperatures [°C] and humidities [%]."""
    return [
        AirPoint(at=datetime.fromtimestamp(round(at), tz), temp_c=round(temp, 2), rh_pct=round(rh, 2))
        for at, temp, rh in zip(*(column.tolist() for column in air), strict=True)
    ]


class BandOut(View):
    """In one case of ten it lies below `p10`, in one above `p90`: of the members of the ensemble, or an hour's mean."""

    p10: float
    p50: float
    p90: float


class CurvePoint(View):
    at: datetime
    since_pour_h: float
    left: BandOut = Field(description="Water and glycol still in the film, as a share of what was poured")
    surface_volatile_fraction: BandOut = Field(description="By volume, in the top tenth")
    bottom_volatile_fraction: BandOut
    film_temp_c: BandOut


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
        [
            BandOut(p10=low, p50=mid, p90=high)
            for low, mid, high in np.round([band.low, band.mid, band.high], 6).T.tolist()
        ]
        for band in (curve.left, curve.surface, curve.bottom, curve.film_temp_c)
    )
    return [
        CurvePoint(
            at=local(poured_at + timedelta(hours=h), tz), since_pour_h=round(h, 4), left=left[k],
            surface_volatile_fraction=surface[k], bottom_volatile_fraction=bottom[k], film_temp_c=film_c[k],
        )
        for k, h in enumerate(curve.hours.tolist())
    ]  # fmt: skip


class HourOut(View):
    begins_at: datetime
    temp_c: BandOut
    rh_pct: BandOut


class OutlookOut(View):
    room: str
    read_at: datetime | None
    hours: list[HourOut]

    @classmethod
    def of(cls, room: str, read_at: datetime | None, found: Outlook, tz: ZoneInfo) -> OutlookOut:
        begin = datetime.fromtimestamp(found.first_s, tz)

        def band(one: Band, k: int) -> BandOut:
            return BandOut(p10=round(one.low[k], 2), p50=round(one.mid[k], 2), p90=round(one.high[k], 2))

        hours = [
            HourOut(
                begins_at=local(begin + timedelta(seconds=HOUR_S * k), tz), temp_c=band(found.temp_c, k),
                rh_pct=band(found.rh_pct, k),
            )
            for k in range(len(found.temp_c.mid))
        ]  # fmt: skip
        return cls(room=room, read_at=local(read_at, tz), hours=hours)


class ReadingOut(View):
    at: datetime
    temp_c: float | None
    rh_pct: float | None
    source: str
    battery_pct: float | None
    by: str | None = Field(description="Who typed it, as far as it was told")


class SensorTrustOut(View):
    """What somebody said of a sensor that was checked."""

    room: str
    source: str
    trust: Trust
    at: datetime = Field(description="From when on")
    temp_offset_c: float | None
    rh_offset_pct: float | None
    logged_at: datetime

    @classmethod
    def of(cls, said: SensorTrust, tz: ZoneInfo) -> SensorTrustOut:
        moments = {"at": local(said.at, tz), "logged_at": local(said.logged_at, tz)}
        return cls.model_validate(said.model_dump() | moments)


class SpreadOut(View):
    min: float
    mean: float
    max: float

    @classmethod
    def of(cls, one: Spread) -> SpreadOut:
        return cls(min=rounded(one.least), mean=rounded(one.mean), max=rounded(one.most))


class AirHadOut(View):
    """What the air came to over a span. Hours out of range are by the limits of the alarms."""

    begins_at: datetime
    ends_at: datetime
    temp_c: SpreadOut
    rh_pct: SpreadOut
    cold_h: float
    damp_h: float
    hot_h: float
    dry_h: float
    unread_h: float = Field(description="Of it in gaps of the record, interpolated in all the other numbers")

    @classmethod
    def of(cls, past: PastAir | None, tz: ZoneInfo) -> AirHadOut | None:
        if past is None:
            return None
        return cls(
            begins_at=local(past.begins_at, tz),
            ends_at=local(past.ends_at, tz),
            temp_c=SpreadOut.of(past.temp_c),
            rh_pct=SpreadOut.of(past.rh_pct),
            cold_h=rounded(past.cold_h),
            damp_h=rounded(past.damp_h),
            hot_h=rounded(past.hot_h),
            dry_h=rounded(past.dry_h),
            unread_h=rounded(past.unread_h),
        )


DOUBTED = timedelta(days=1)


class SensorOut(View):
    """One source of a room's readings, by its newest."""

    source: str
    read_at: datetime
    age_s: int
    temp_c: float | None
    rh_pct: float | None
    battery_pct: float | None
    is_late: bool = Field(description="Older than its settings allow")
    battery_is_low: bool

    @classmethod
    def of(cls, line: SensorLine, now: datetime, tz: ZoneInfo) -> SensorOut:
        newest = line.newest
        return cls(
            source=newest.source,
            read_at=local(newest.at, tz),
            age_s=round((now - newest.at).total_seconds()),
            temp_c=newest.temp_c,
            rh_pct=newest.rh_pct,
            battery_pct=newest.battery_pct,
            is_late=line.is_late,
            battery_is_low=line.is_low,
        )


class CheckOut(View):
    """A reading typed beside a sensor, the last one of the last days."""

    at: datetime
    source: str
    temp_c: float | None = Field(description="As it was typed")
    rh_pct: float | None
    sensor_temp_c: float | None
    sensor_rh_pct: float | None
    agrees: bool
    text: str

    @classmethod
    def of(cls, one: Check, tz: ZoneInfo) -> CheckOut:
        temp_c, rh_pct = one.sensor_said
        return cls(
            at=local(one.at, tz), source=one.source, temp_c=one.typed.temp_c, rh_pct=one.typed.rh_pct,
            sensor_temp_c=rounded(temp_c), sensor_rh_pct=rounded(rh_pct), agrees=not one.is_apart,
            text=said(one.in_words(), tz),
        )  # fmt: skip


class RoomReportOut(RoomOut):
    sensors: list[SensorOut]
    checks: list[CheckOut]
    doubts: list[str] = Field(description="What was wrong with the readings of the last day, the newest first")
    limits: LimitsOut
    alarms: list[AlarmOut]
    close: list[CloseOut] = Field(description="What may come to be an alarm")
