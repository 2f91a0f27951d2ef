"""The page of one room: how its air has been, who measures it, and what lies wet in it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.exceptions import HTTPException

from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.reports.room import room_outlook, room_record
from curewatch.records import Reading
from curewatch.studio.outlook.outlook import Outlook
from curewatch.web.pages.board import axis_of, is_wet, row
from curewatch.web.pages.room import air_plots, doubts
from curewatch.web.part_web_site import Here, Site, page

router = APIRouter(include_in_schema=False)

SPANS = {"day": timedelta(days=1), "week": timedelta(days=7), "month": timedelta(days=30)}


@dataclass(frozen=True)
class SensorLine:
    """One source of a room's readings."""

    newest: Reading
    is_late: bool
    """Older than its settings allow."""
    is_low: bool
    """Its battery is."""


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
    since = now - SPANS[span]
    record = room_record(site.desk, name, since, now)
    ahead = _foreseen(site, name, line.data_at, now)
    limits = site.desk.settings.alarms
    axis = axis_of(wet, now)
    return page(
        request,
        "room.html",
        now,
        mark=kept.mark,
        room=line,
        span=span,
        spans=list(SPANS),
        plots=[] if record is None else air_plots(record, ahead, since.timestamp(), limits, words),
        foreseen=ahead is not None,
        doubts=doubts(record, since.timestamp(), words),
        sensors=sensors_of(site, kept, name, now),
        alarms=alarms,
        axis=axis,
        rows=[row(one, axis, words, in_danger=bool(alarms)) for one in wet[:30]],
        wet=len(wet),
        dry=sum(one.room == name for one in board.pieces) - len(wet),
    )


def _foreseen(site: Site, name: str, newest: datetime | None, now: datetime) -> Outlook | None:
    return site.outlooks.of(f"{newest} {name}", now, lambda: room_outlook(site.desk, name, now))[1]


def sensors_of(site: Site, kept: CachedBoard, name: str, now: datetime) -> list[SensorLine]:
    settings = site.desk.settings
    late_after = {sensor.id: timedelta(minutes=sensor.silent_after_min) for sensor in settings.sensors}
    typed_late = timedelta(hours=settings.alarms.typed_stale_after_h)
    with site.desk.store.read() as tx:
        newest = tx.newest_by_source(until=now)
    low = {(one.room, one.source) for one in kept.snapshot.low}
    return [
        SensorLine(reading, now - reading.at > late_after.get(source.split("/")[0], typed_late), (room, source) in low)
        for (room, source), reading in sorted(newest.items())
        if room == name
    ]
