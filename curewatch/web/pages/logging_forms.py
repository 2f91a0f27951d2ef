"""What people log from the page: pours, readings, a piece moved or gone; and each of it taken back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, tzinfo
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
from curewatch.language import Reader, phrase, reads
from curewatch.records import Reading
from curewatch.records.errors import Field, InputError, understood
from curewatch.records.remarks import RemarkKind
from curewatch.records.workshop import Promise
from curewatch.studio import wording
from curewatch.web.form_units import measures_of, with_unit
from curewatch.web.pages.forms import (
    AGAIN,
    MOST_AT_ONCE,
    RECENT,
    Preset,
    Wrong,
    correction_words,
    known_of,
    moment_of,
    newest_pours,
    pour_words,
    recent_sizes,
    typed_at,
)
from curewatch.web.pages.piece import back_to, refused
from curewatch.web.site import Here, Sending, Site, Typed, page, text_of

router = APIRouter(include_in_schema=False)


# --- pours ---


@router.get("/pour")
def pour_form(request: Request, site: Here) -> HTMLResponse:
    """The form, filled in with what the last pour was."""
    now = site.clock.now()
    preset = _preset(site.boards.look(now))
    return _pour_page(request, site, now, _filled(preset, site, reads(), now), None)


@router.post("/pour")
def log_pour(request: Request, site: Here, desk: Sending, form: Typed) -> Response:
    """Log one piece or several alike."""
    now = site.clock.now()
    kept = site.boards.look(now)
    values = {str(name): text_of(form, name) for name in form}
    try:
        told = pour_words(values, _preset(kept, values.get("like", "")))
        words = replace(told, name=values.get("name", ""), times=values.get("count", "1"))
        when = partial(moment_of, values, now, site.desk.settings.tz)
        alike = partial(words.orders, density=partial(density_of, site.desk), most=MOST_AT_ONCE)
        said = values.get("due") or None, values.get("occasion") or None, None
        promise = partial(promise_told, *said, typed_at(values, now), desk.zone)
        understood(lambda: alike(now), when, promise)
        orders = [replace(order, promise=promise()) for order in alike(when())]
        ids = [_id(one.piece) for one in log_pours(desk, orders, now)]
    except InputError as error:
        return _pour_page(request, site, now, values, error, 422)
    return _done(site, now, "pour", ids)


@router.post("/pour/again")
def pour_again(site: Here, desk: Sending, form: Typed) -> Response:
    """The last pour once more, or several times: the names are numbered on."""
    now = site.clock.now()
    kept, like = site.boards.look(now), text_of(form, "like")
    preset = _preset(kept, like)
    if preset is None:
        raise InputError(Field.AGAIN, like, phrase("a piece that was poured before and is here still"))
    count = whole_number(text_of(form, "count"), MOST_AT_ONCE, Field.TIMES)
    orders = preset.again(count, kept.dryings, typed_at({"ago_s": text_of(form, "ago_s")}, now))
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
        wrong=None if wrong is None else Wrong.of(wrong, values),
        preset=presets[0] if presets else None,
        preset_words=presets[0].in_words(site.words(now)) if presets else "",
        again=[(count, continued(presets[0].name, count, kept.dryings)[-1]) for count in AGAIN] if presets else [],
        rooms=[room.name for room in kept.rooms],
        recipes=recipes,
        sizes=recent_sizes(presets, reads().measures),
        places=list(dict.fromkeys(one.place for one in presets if one.place)),
    )


def _filled(preset: Preset | None, site: Site, reader: Reader, now: datetime) -> dict[str, str]:
    """What a fresh form holds."""
    name = continued(
        reader.phrase("Pour of {day}", day=reader.day(now, now, weekday=False)), 1, site.boards.look(now).dryings
    )[0]
    values = {"name": name, "count": "1", "when": "now"}
    if preset is None:
        return values | {"thickness": "medium", "support": "canvas"}
    return values | {
        "room": preset.room,
        "size": preset.size_typed(reader.measures),
        "recipe": preset.recipe,
        "thickness": "same",
        "silicone": "yes" if preset.silicone else "",
        "support": preset.support.value,
        "place": preset.place,
        "air": preset.air,
    }


def _preset(kept: CachedBoard, like: str = "") -> Preset | None:
    """The pour that was logged last, or that of the piece of this number: what the form that was filled in showed."""
    return next((Preset.of(one) for one in newest_pours(kept) if like in ("", str(one.piece.id))), None)


def _id(piece: object) -> int:
    found: int = piece.id  # type: ignore[attr-defined]  # log_pour always gives one
    return found


# --- readings ---


@router.get("/reading")
def reading_form(request: Request, site: Here, room: str = "") -> HTMLResponse:
    return _reading_page(request, site, {"room": room, "when": "now"}, None)


@router.post("/reading")
def log_reading(request: Request, site: Here, desk: Sending, form: Typed) -> Response:
    """Store what a thermometer and a hygrometer show."""
    now = site.clock.now()
    values = {str(name): text_of(form, name) for name in form}
    try:
        reading = _reading(values, now, site.desk.settings.tz)
        logged = readings.log_reading(desk, reading, new=values.get("new") == "yes")
    except InputError as error:
        return _reading_page(request, site, values, Wrong.of(error, values))
    room = reading.room
    refused = [one for one in logged.remarks if one.kind is RemarkKind.READING_STORED_ALREADY]
    if refused:
        return _reading_page(request, site, values, Wrong({Field.AT: f"{room}: {wording.notes(refused)[0]}"}))
    return _done(site, now, "reading", [logged.room or room, reading.at.isoformat()])


def _reading(values: Mapping[str, str], now: datetime, zone: tzinfo) -> Reading:
    room = partial(named, values.get("room_typed") or values.get("room", ""), Field.ROOM)
    when = partial(moment_of, values, now, zone)
    warm = partial(with_unit, values.get("temperature", ""), values.get("unit", "C"))
    temp_c = partial(ROOM_TEMPERATURE.parse, warm(), Field.TEMPERATURE)
    rh_pct = partial(parse_humidity, with_unit(values.get("humidity", ""), "%"), field=Field.HUMIDITY)
    understood(room, when, temp_c, rh_pct)
    return Reading(room=room(), at=when(), temp_c=temp_c(), rh_pct=rh_pct(), received_at=now)


def _reading_page(request: Request, site: Site, values: dict[str, str], wrong: Wrong | None) -> HTMLResponse:
    now = site.clock.now()
    rooms = site.boards.look(now).rooms
    return page(request, "reading.html", now, 422 if wrong else 200, values=values, wrong=wrong, rooms=rooms)


# --- a piece on its way ---


@router.post("/piece/{name:path}/promise")
def promise(request: Request, site: Here, desk: Sending, form: Typed, name: str) -> Response:
    """By when it is to be ready; without a date, nobody waits for it any more."""
    now, due = site.clock.now(), text_of(form, "due")
    values = {str(field): text_of(form, field) for field in form}
    try:
        said = values.get("occasion") or None, values.get("ready", "")
        told = promise_told(due, *said, typed_at(values, now), desk.zone) if due else None
        pours.promise(desk, name, told or Promise(piece_id=0, due_at=None, logged_at=now), now)
    except InputError as error:
        return refused(request, site, name, now, error, "promise", values)
    return _done(site, now, "promise", [name, now.isoformat()])


@router.post("/piece/{name:path}/move")
def move(request: Request, site: Here, desk: Sending, form: Typed, name: str) -> Response:
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    place, air = values.get("place"), values.get("air")
    try:
        room = partial(named, values.get("room_typed") or values.get("room", ""), Field.ROOM)
        speed = partial(parse_air, air, field=Field.AIR) if air else lambda: None
        at_place = partial(named, place, Field.PLACE) if place else lambda: None
        at = typed_at(values, now)
        understood(room, at_place, speed)
        pours.move(desk, name, room(), at_place(), now, speed(), at=at, new=values.get("new") == "yes")
    except InputError as error:
        return refused(request, site, name, now, error, "move", values)
    return _done(site, now, "move", [name])


@router.post("/piece/{name:path}/gone")
def gone(site: Here, desk: Sending, form: Typed, name: str) -> Response:
    now = site.clock.now()
    at = typed_at({"ago_s": text_of(form, "ago_s")}, now)
    return _done(site, now, "gone", [_id(pours.leave(desk, name, now, at=None if at == now else at).piece)])


@router.post("/piece/{name:path}/correct")
def correct(request: Request, site: Here, form: Typed, name: str) -> Response:
    """Put right what was logged of its pour."""
    now, zone = site.clock.now(), site.desk.settings.tz
    values = {str(field): text_of(form, field) for field in form}
    known = known_of(piece_report(site.desk, name, now).drying, zone, measures_of(values))
    try:
        start, words = values.get("start", ""), correction_words(values, known)

        def at() -> datetime | None:
            if start == known["start"]:
                return None
            return not_future(parse_time(start, field=Field.AT, now=now, zone=zone), now, field=Field.AT, given=start)

        understood(at, lambda: words.change(None))
        done = correcting.correct(site.desk, name, words.change(at()), now)
    except InputError as error:
        return refused(request, site, name, now, error, "correct", values)
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
