"""The API of one room: how its air is, who measures it, what is doubted of that, and the limits of its alarms."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from pydantic import Field
from starlette.exceptions import HTTPException

from curewatch.desk.reports.room import room_record
from curewatch.views.air import LimitsOut
from curewatch.views.board import AlarmOut, RoomOut, View
from curewatch.web.api.answers import BASE, REFUSALS
from curewatch.web.pages.part_web_room_page import SensorLine, sensors_of
from curewatch.web.pages.room import doubts
from curewatch.web.part_web_site import Here

router = APIRouter(prefix=BASE, responses=REFUSALS)

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
            read_at=newest.at.astimezone(tz),
            age_s=round((now - newest.at).total_seconds()),
            temp_c=newest.temp_c,
            rh_pct=newest.rh_pct,
            battery_pct=newest.battery_pct,
            is_late=line.is_late,
            battery_is_low=line.is_low,
        )


class RoomReportOut(RoomOut):
    sensors: list[SensorOut]
    doubts: list[str] = Field(description="What was wrong with the readings of the last day, the newest first")
    limits: LimitsOut
    alarms: list[AlarmOut]


@router.get("/rooms/{name:path}")
def room(site: Here, name: str) -> RoomReportOut:
    """One room with its sensors."""
    now, tz = site.clock.now(), site.desk.settings.tz
    kept = site.boards.look(now)
    line = next((one for one in kept.rooms if one.name == name), None)
    if line is None:
        raise HTTPException(404)
    since = now - DOUBTED
    return RoomReportOut(
        **dict(RoomOut.of(line, now, tz)),
        sensors=[SensorOut.of(one, now, tz) for one in sensors_of(site, kept, name, now)],
        doubts=list(doubts(room_record(site.desk, name, since, now), since.timestamp(), site.words(now))),
        limits=LimitsOut.of(site.desk.settings.alarms),
        alarms=[AlarmOut.of(one, tz) for one in kept.board(now).alarms if one.room == name],
    )
