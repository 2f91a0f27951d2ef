"""What people log from the page: pours, readings, a piece moved or gone; and each of it taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from functools import partial
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.desk.commands import correcting, pours, readings
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.mixing import density_of
from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.reports.piece import piece_report
from curewatch.intake.typed import not_future, parse_air, parse_humidity, parse_time
from curewatch.intake.typed.names import named
from curewatch.intake.typed.numbers import whole_number
from curewatch.intake.typed.pours import continued, promise_told
from curewatch.intake.typed.quantities import ROOM_TEMPERATURE
from curewatch.records import Reading
from curewatch.records.errors import Field, InputError, NearName
from curewatch.records.remarks import RemarkKind
from curewatch.records.workshop import Promise
from curewatch.studio import wording
from curewatch.web.pages.forms import (
    AGAIN,
    MOST_AT_ONCE,
    RECENT,
    Preset,
    correction_words,
    known_of,
    moment_of,
    newest_pours,
    pour_words,
    recent_sizes,
    refusal,
    with_unit,
)
from curewatch.web.pages.piece import back_to, refused
from curewatch.web.site import Acting, Here, Site, Typed, page, text_of

router = APIRouter(include_in_schema=False)


# --- pours ---


@router.get("/pour")
def pour_form(request: Request, site: Here) -> HTMLResponse:
    """The form, filled in with what the last pour was."""
    now = site.clock.now()
    preset = _preset(site.boards.look(now))
    return _pour_page(request, site, now, _filled(preset, site, now), None)


@router.post("/pour")
def log_pour(request: Request, site: Here, desk: Acting, form: Typed) -> Response:
    """Log one piece or several alike."""
    now = site.clock.now()
    kept = site.boards.look(now)
    values = {str(name): text_of(form, name) for name in form}
    try:
        words = replace(pour_words(values, _preset(kept)), name=values.get("name", ""), times=values.get("count", "1"))
        orders = words.orders(
            moment_of(values, now, site.desk.settings.tz), partial(density_of, site.desk), MOST_AT_ONCE
        )
        promise = promise_told(values.get("due") or None, values.get("occasion") or None, None, now, desk.zone)
        orders = [replace(order, promise=promise) for order in orders]
        ids = [_id(one.piece) for one in log_pours(desk, orders, now)]
    except InputError as error:
        return _pour_page(request, site, now, values, error, 422)
    return _done(site, now, "pour", ids)


@router.post("/pour/again")
def pour_again(request: Request, site: Here, desk: Acting, form: Typed) -> Response:
    """The last pour once more, or several times: the names are numbered on."""
    now = site.clock.now()
    kept = site.boards.look(now)
    preset = _preset(kept)
    if preset is None:
        raise InputError(Field.AGAIN, "", "a piece that was poured before")
    count = whole_number(text_of(form, "count"), MOST_AT_ONCE, Field.TIMES)
    orders = preset.again(count, kept.dryings, now)
    ids = [_id(one.piece) for one in log_pours(desk, orders, now)]
    return _done(site, now, "pour", ids)


def _pour_page(
    request: Request, site: Site, now: datetime, values: dict[str, str], wrong: InputError | None, status: int = 200
) -> HTMLResponse:
    kept = site.boards.look(now)
    with site.desk.store.read() as tx:
        recipes = [recipe.name for recipe in tx.recipes()]
    presets = [Preset.of(drying) for drying in newest_pours(kept)[:RECENT]]
    return page(
        request,
        "pour.html",
        now,
        status,
        values=values,
        wrong=None if wrong is None else refusal(wrong),
        near=isinstance(wrong, NearName),
        preset=presets[0] if presets else None,
        again=[(count, continued(presets[0].name, count, kept.dryings)[-1]) for count in AGAIN] if presets else [],
        rooms=[room.name for room in kept.rooms],
        recipes=recipes,
        sizes=recent_sizes(presets),
        places=list(dict.fromkeys(one.place for one in presets if one.place)),
    )


def _filled(preset: Preset | None, site: Site, now: datetime) -> dict[str, str]:
    """What a fresh form holds."""
    there = site.desk.local(now)
    name = continued(f"Pour of {there.day} {there:%b}", 1, site.boards.look(now).dryings)[0]
    values = {"name": name, "count": "1", "when": "now"}
    if preset is None:
        return values | {"thickness": "medium", "support": "canvas"}
    return values | {
        "room": preset.room,
        "size": preset.size,
        "recipe": preset.recipe,
        "thickness": "same",
        "silicone": "yes" if preset.silicone else "",
        "support": preset.support.value,
    }


def _preset(kept: CachedBoard) -> Preset | None:
    """The pour that was logged last."""
    newest = newest_pours(kept)
    return Preset.of(newest[0]) if newest else None


def _id(piece: object) -> int:
    found: int = piece.id  # type: ignore[attr-defined]  # log_pour always gives one
    return found


# --- readings ---


@router.get("/reading")
def reading_form(request: Request, site: Here, room: str = "") -> HTMLResponse:
    return _reading_page(request, site, {"room": room, "when": "now"}, None)


@router.post("/reading")
def log_reading(request: Request, site: Here, desk: Acting, form: Typed) -> Response:
    """Store what a thermometer and a hygrometer show."""
    now = site.clock.now()
    values = {str(name): text_of(form, name) for name in form}
    try:
        room = named(values.get("room_typed") or values.get("room", ""), Field.ROOM)
        unit = values.get("unit", "C")
        reading = Reading(
            room=room,
            at=moment_of(values, now, site.desk.settings.tz),
            temp_c=ROOM_TEMPERATURE.parse(with_unit(values.get("temperature", ""), unit), Field.TEMPERATURE),
            rh_pct=parse_humidity(with_unit(values.get("humidity", ""), "%"), field=Field.HUMIDITY),
            received_at=now,
        )
        logged = readings.log_reading(desk, reading, new=values.get("new") == "yes")
    except InputError as error:
        near = isinstance(error, NearName)
        return _reading_page(request, site, values, refusal(error), 422, near=near)
    refused = [one for one in logged.remarks if one.kind is RemarkKind.READING_STORED_ALREADY]
    if refused:
        return _reading_page(request, site, values, f"{room}: {wording.notes(refused)[0]}", 422)
    return _done(site, now, "reading", [logged.room or room, reading.at.isoformat()])


def _reading_page(
    request: Request, site: Site, values: dict[str, str], wrong: str | None, status: int = 200, *, near: bool = False
) -> HTMLResponse:
    now = site.clock.now()
    rooms = site.boards.look(now).rooms
    return page(request, "reading.html", now, status, values=values, wrong=wrong, near=near, rooms=rooms)


# --- a piece on its way ---


@router.post("/piece/{name:path}/promise")
def promise(site: Here, desk: Acting, form: Typed, name: str) -> Response:
    """By when it is to be ready; without a date, nobody waits for it any more."""
    now, due = site.clock.now(), text_of(form, "due")
    told = promise_told(due, text_of(form, "occasion") or None, text_of(form, "ready"), now, desk.zone) if due else None
    pours.promise(desk, name, told or Promise(piece_id=0, due_at=None, logged_at=now), now)
    return _done(site, now, "promise", [name, now.isoformat()])


@router.post("/piece/{name:path}/move")
def move(request: Request, site: Here, form: Typed, name: str) -> Response:
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    room = named(values.get("room_typed") or values.get("room", ""), Field.ROOM)
    place, air = values.get("place"), values.get("air")
    speed = parse_air(air, field=Field.AIR) if air else None
    at_place = named(place, Field.PLACE) if place else None
    try:
        pours.move(site.desk, name, room, at_place, now, speed, new=values.get("new") == "yes")
    except NearName as error:
        return refused(request, site, name, now, error, values | {"do": "move"})
    return _done(site, now, "move", [name])


@router.post("/piece/{name:path}/gone")
def gone(site: Here, form: Typed, name: str) -> Response:
    now = site.clock.now()
    return _done(site, now, "gone", [_id(pours.leave(site.desk, name, now).piece)])


@router.post("/piece/{name:path}/correct")
def correct(request: Request, site: Here, form: Typed, name: str) -> Response:
    """Put right what was logged of its pour."""
    now, zone = site.clock.now(), site.desk.settings.tz
    values = {str(field): text_of(form, field) for field in form}
    known = known_of(piece_report(site.desk, name, now).drying, zone)
    try:
        start = values.get("start", "")
        at = None
        if start != known["start"]:
            at = not_future(parse_time(start, field=Field.AT, now=now, zone=zone), now, field=Field.AT, given=start)
        done = correcting.correct(site.desk, name, correction_words(values, known).change(at), now)
    except InputError as error:
        return refused(request, site, name, now, error, values | {"do": "correct"})
    site.changed(now)
    return back_to(done.piece.name, "correct", [done.correction.id])


@router.post("/piece/{name:path}/delete")
def delete(site: Here, form: Typed, name: str) -> Response:
    """It was never poured."""
    now = site.clock.now()
    return _done(site, now, "delete", [correcting.delete(site.desk, name, now).correction.id])


def _done(site: Site, now: datetime, what: str, of: list[int] | list[str]) -> Response:
    """To the board, which says what was logged and offers to take it back."""
    site.changed(now)
    return RedirectResponse(f"/?{urlencode({'done': what, 'of': of}, doseq=True)}", 303)
