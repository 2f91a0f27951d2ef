"""The page of one room: how its air has been and is foreseen, who measures it, and what lies wet in it."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from curewatch.desk.commands import naming
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.naming import names_in_use
from curewatch.desk.commands.readings import parse_trust, standing_checks, trust_sensor
from curewatch.desk.reports.room import room_outlook, room_record, room_sensors
from curewatch.intake.typed.names import named
from curewatch.language import phrase
from curewatch.records.corrections import CorrectionKind, Naming
from curewatch.records.errors import Field, InputError
from curewatch.studio.air.flaws import Flaw
from curewatch.web.pages.board import axis_of, row
from curewatch.web.pages.forms import Wrong
from curewatch.web.pages.logged import just_done
from curewatch.web.plots.curves import room_air
from curewatch.web.scarce import costly
from curewatch.web.site import Here, Site, Typed, page, text_of

router = APIRouter(include_in_schema=False)
ASKS = (Flaw.CHECK, Flaw.SET_ASIDE)
"""A sensor of which somebody may say whether it is right."""
SPANS = {"day": timedelta(days=1), "week": timedelta(days=7), "month": timedelta(days=30)}
SPAN_WORDS = {"day": phrase("last day"), "week": phrase("last week"), "month": phrase("last month")}


@router.post("/trust")
def trust(site: Here, form: Typed) -> Response:
    """Which is right, the sensor or the thermometer beside it."""
    name = text_of(form, "room")
    trust_sensor(site.desk, name, parse_trust(text_of(form, "trust")), site.clock.now(), source=text_of(form, "source"))
    site.logged()
    return RedirectResponse(f"/room/{quote(name)}", 303)


@router.get("/names")
def names(
    request: Request, site: Here, done: str = "", of: Annotated[list[str] | None, Query()] = None
) -> HTMLResponse:
    """All rooms with their places, and all recipes, to be renamed, made one or removed."""
    return _names(request, site, done=done, of=of)


@router.post("/names")
def put_right(request: Request, site: Here, form: Typed) -> Response:
    """What is to become of one of them."""
    now, values = site.clock.now(), {str(field): text_of(form, field) for field in form}
    try:
        (kind, _, new), what = values.get("do", "").partition(" "), values.get("naming", "")
        if kind not in set(CorrectionKind) or what not in set(Naming):
            raise InputError(Field.DO, kind, phrase("renamed, merged or removed"))
        to = None if kind == CorrectionKind.REMOVED else named(values.get("to", ""), Field.TO)
        done = naming.put_right(
            site.desk, CorrectionKind(kind), Naming(what), values.get("name", ""), to, now,
            values.get("room") or None, bool(new),
        )  # fmt: skip
    except InputError as error:
        return _names(request, site, error, values)
    site.changed(now)
    logged = LogKind.RECIPE if done.naming is Naming.RECIPE else LogKind.NAME
    return RedirectResponse(f"/names?done={logged}&of={done.id}", 303)


def _names(
    request: Request,
    site: Site,
    error: InputError | None = None,
    values: dict[str, str] | None = None,
    done: str = "",
    of: list[str] | None = None,
) -> HTMLResponse:
    now = site.clock.now()
    with site.desk.store.read() as tx:
        found = names_in_use(tx)
    return page(
        request,
        "names.html",
        now,
        200 if error is None else 422,
        names=found,
        wrong=None if error is None else Wrong.of(error),
        values=values or {},
        done=just_done(done, of or [], site.boards.look(now), site.desk),
    )


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
    wet = [one for one in board.pieces if one.room == name and one.is_wet(now)]
    alarms = [alarm for alarm in board.alarms if alarm.room == name]
    close = board.close_to(name)
    since = now - SPANS[span]
    record = room_record(site.desk, name, since, now)
    with site.desk.store.read() as tx:
        agreeing = [one for one in standing_checks(tx, name, now) if not one.is_apart]
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
        spans=SPAN_WORDS,
        plots=[] if record is None else room_air(record, ahead, since.timestamp(), limits, words),
        foreseen=ahead is not None,
        checked=[] if record is None else sorted({one.source or "" for one in record.findings if one.flaw in ASKS}),
        doubts=[] if record is None else record.doubts(since.timestamp()),
        agreeing=[one.in_words() for one in agreeing],
        sensors=room_sensors(site.desk, kept, name, now),
        alarms=alarms,
        close=close,
        axis=axis,
        rows=[row(one, axis, words, in_danger=one.is_in_danger(board.over, now)) for one in wet[:30]],
        wet=len(wet),
        dry=sum(one.room == name for one in board.pieces) - len(wet),
    )
