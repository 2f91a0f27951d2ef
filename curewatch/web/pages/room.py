# By itself: a page has a file of its own.
"""The page of one room: how its air has been and is foreseen, who measures it, and what lies wet in it."""

from __future__ import annotations

from datetime import timedelta
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from curewatch.desk.commands.trust import parse_trust, trust_sensor
from curewatch.desk.reports.room import room_outlook, room_record, room_sensors
from curewatch.studio.air.flaws import Flaw
from curewatch.web.pages.board import axis_of, is_wet, row
from curewatch.web.plots.air_plots import room_air
from curewatch.web.scarce import costly
from curewatch.web.site import Here, Typed, page, text_of

router = APIRouter(include_in_schema=False)
ASKS = (Flaw.CHECK, Flaw.SET_ASIDE)
"""A sensor of which somebody may say whether it is right."""
SPANS = {"day": timedelta(days=1), "week": timedelta(days=7), "month": timedelta(days=30)}


@router.post("/trust")
def trust(site: Here, form: Typed) -> Response:
    """Which is right, the sensor or the thermometer beside it."""
    name = text_of(form, "room")
    trust_sensor(site.desk, name, parse_trust(text_of(form, "trust")), site.clock.now(), source=text_of(form, "source"))
    site.logged()
    return RedirectResponse(f"/room/{quote(name)}", 303)


@router.get("/room/{name:path}")
@costly
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
    ahead = site.outlooks(f"{line.data_at} {name}", lambda: room_outlook(site.desk, name, now))
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
        plots=[] if record is None else room_air(record, ahead, since.timestamp(), limits, words),
        foreseen=ahead is not None,
        checked=[] if record is None else sorted({one.source or "" for one in record.findings if one.flaw in ASKS}),
        doubts=[] if record is None else record.doubts(since.timestamp(), words.local),
        sensors=room_sensors(site.desk, kept, name, now),
        alarms=alarms,
        axis=axis,
        rows=[row(one, axis, words, in_danger=bool(alarms)) for one in wet[:30]],
        wet=len(wet),
        dry=sum(one.room == name for one in board.pieces) - len(wet),
    )
