"""The page of one room: how its air has been, who measures it, and what lies wet in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

from curewatch.records import Reading
from curewatch.studio.climate import climate_of
from curewatch.web.axis import Axis
from curewatch.web.board_view import is_wet, last_date, row
from curewatch.web.piece_view import air_pair
from curewatch.web.plot import Plot, thinned
from curewatch.web.site import Here, Site, page

router = APIRouter(include_in_schema=False)

SPANS = {"day": timedelta(days=1), "week": timedelta(days=7), "month": timedelta(days=30)}
POINTS = 180


@dataclass(frozen=True)
class SensorLine:
    """One source of a room's readings."""

    newest: Reading
    is_late: bool
    """Older than its settings allow."""


@router.get("/room/{name:path}")
def room(request: Request, site: Here, name: str, span: str = "day") -> HTMLResponse:
    now = site.clock.now()
    kept = site.boards.look(now)
    line = next((one for one in kept.rooms if one.name == name), None)
    if line is None:
        raise HTTPException(404)
    span = span if span in SPANS else "day"
    board, words = kept.board(now), site.words(now)
    wet = [one for one in board.pieces if one.room == name and is_wet(one, now)]
    alarms = [alarm for alarm in board.alarms if alarm.room == name]
    axis = Axis.to_show(now, max((at for one in wet if (at := last_date(one))), default=None))
    return page(
        request,
        "room.html",
        now,
        room=line,
        span=span,
        spans=list(SPANS),
        plots=_plots(site, name, SPANS[span], now),
        sensors=_sensors(site, name, now),
        alarms=alarms,
        axis=axis,
        rows=[row(one, axis, words, in_danger=bool(alarms)) for one in wet[:30]],
        wet=len(wet),
        dry=sum(one.room == name for one in board.pieces) - len(wet),
    )


def _plots(site: Site, name: str, span: timedelta, now: datetime) -> list[Plot]:
    with site.desk.store.read() as tx:
        read = tx.reading_columns(name, since=now - span, until=now)
    climate = climate_of(read.epoch_s, read.temp_c, read.rh_pct)
    if climate is None or len(climate.time_s) < 2:
        return []
    time, temp, rh = thinned(climate.time_s, climate.temp_c, climate.rh_pct, most=POINTS)
    return air_pair(time, temp, rh, site.desk.settings.alarms, site.words(now))


def _sensors(site: Site, name: str, now: datetime) -> list[SensorLine]:
    settings = site.desk.settings
    late_after = {sensor.id: timedelta(minutes=sensor.silent_after_min) for sensor in settings.sensors}
    typed_late = timedelta(hours=settings.alarms.typed_stale_after_h)
    with site.desk.store.read() as tx:
        newest = tx.newest_by_source(until=now)
    return [
        SensorLine(reading, now - reading.at > late_after.get(source.split("/")[0], typed_late))
        for (room, source), reading in sorted(newest.items())
        if room == name
    ]
