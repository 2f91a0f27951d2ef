"""What people log from the page: pours, readings, a piece moved or gone; and each of it taken back."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from curewatch.desk import FactError, moves
from curewatch.desk.kept_board import Kept
from curewatch.intake.layers import LAYERS_M
from curewatch.intake.typed import BadInput, parse_humidity, parse_temperature
from curewatch.records import Reading
from curewatch.studio.forecast import Drying
from curewatch.web.pouring import Preset, count_of, moment_of, named, numbered, orders_of
from curewatch.web.site import Here, Site, Typed, page, text_of

router = APIRouter(include_in_schema=False)

RECENT = 5


# --- pours ---


@router.get("/pour")
def pour_form(request: Request, site: Here) -> HTMLResponse:
    """The form, filled in with what the last pour was."""
    now = site.clock.now()
    preset = _preset(site.boards.look(now))
    return _pour_page(request, site, now, _filled(preset, site, now), None)


@router.post("/pour")
def log_pour(request: Request, site: Here, form: Typed) -> Response:
    """Log one piece or several alike."""
    now = site.clock.now()
    kept = site.boards.look(now)
    values = {str(name): text_of(form, name) for name in form}
    try:
        orders = orders_of(values, _preset(kept), kept.dryings, now, site.desk.settings.tz)
        ids = [_id(site.desk.log_pour(order, now).piece) for order in orders]
    except (BadInput, FactError) as error:
        return _pour_page(request, site, now, values, str(error), 422)
    return _done(site, now, "pour", ids)


@router.post("/pour/again")
def pour_again(request: Request, site: Here, form: Typed) -> Response:
    """The last pour once more, or four times: the names are numbered on."""
    now = site.clock.now()
    kept = site.boards.look(now)
    preset = _preset(kept)
    if preset is None:
        raise FactError("Same again", "", "a piece that was poured before")
    names = numbered(preset.name, count_of(text_of(form, "count")), kept.dryings)
    ids = [_id(site.desk.log_pour(preset.again(name, now), now).piece) for name in names]
    return _done(site, now, "pour", ids)


def _pour_page(
    request: Request, site: Site, now: datetime, values: dict[str, str], wrong: str | None, status: int = 200
) -> HTMLResponse:
    kept = site.boards.look(now)
    with site.desk.store.read() as tx:
        recipes = [recipe.name for recipe in tx.recipes()]
    newest = sorted(kept.scene.dryings, key=_logged, reverse=True)
    presets = [Preset.of(drying) for drying in newest[:30]]
    return page(
        request,
        "pour.html",
        now,
        status,
        values=values,
        wrong=wrong,
        preset=presets[0] if presets else None,
        again=numbered(presets[0].name, 4, kept.dryings) if presets else [],
        rooms=[room.name for room in kept.rooms],
        recipes=recipes,
        sizes=list(dict.fromkeys(one.size for one in presets if one.size))[:RECENT],
        places=list(dict.fromkeys(one.place for one in presets if one.place)),
        layers={word: f"{metres * 1e3:g} mm" for word, metres in LAYERS_M.items()},
    )


def _filled(preset: Preset | None, site: Site, now: datetime) -> dict[str, str]:
    """What a fresh form holds."""
    there = site.desk.local(now)
    name = numbered(f"Pour of {there.day} {there:%b}", 1, site.boards.look(now).dryings)[0]
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


def _preset(kept: Kept) -> Preset | None:
    """The pour that was logged last."""
    last = max(kept.scene.dryings, key=_logged, default=None)
    return None if last is None else Preset.of(last)


def _logged(drying: Drying) -> tuple[datetime, int]:
    return drying.piece.created_at, drying.piece.id


def _id(piece: object) -> int:
    found: int = piece.id  # type: ignore[attr-defined]  # log_pour always gives one
    return found


# --- readings ---


@router.get("/reading")
def reading_form(request: Request, site: Here, room: str = "") -> HTMLResponse:
    return _reading_page(request, site, {"room": room, "when": "now"}, None)


@router.post("/reading")
def log_reading(request: Request, site: Here, form: Typed) -> Response:
    """Store what a thermometer and a hygrometer show."""
    now = site.clock.now()
    values = {str(name): text_of(form, name) for name in form}
    try:
        room = named(values.get("room_typed") or values.get("room", ""), "Room")
        unit = values.get("unit", "C")
        reading = Reading(
            room=room,
            at=moment_of(values, now, site.desk.settings.tz),
            temp_c=parse_temperature(_with_unit(values.get("temperature", ""), unit), field="Temperature"),
            rh_pct=parse_humidity(_with_unit(values.get("humidity", ""), "%"), field="Humidity"),
            received_at=now,
        )
        logged = site.desk.log_reading(reading)
    except (BadInput, FactError) as error:
        return _reading_page(request, site, values, str(error), 422)
    if any("stored already" in note for note in logged.notes):
        return _reading_page(request, site, values, f"{room}: {logged.notes[-1]}", 422)
    return _done(site, now, "reading", [room, reading.at.isoformat()])


def _reading_page(
    request: Request, site: Site, values: dict[str, str], wrong: str | None, status: int = 200
) -> HTMLResponse:
    now = site.clock.now()
    rooms = site.boards.look(now).rooms
    return page(request, "reading.html", now, status, values=values, wrong=wrong, rooms=rooms)


def _with_unit(text: str, unit: str) -> str:
    """A bare number in the unit that stands beside the field."""
    return f"{text}{unit}" if re.fullmatch(r"[+\-−]?\d+([.,]\d+)?", text) else text


# --- a piece on its way ---


@router.post("/piece/{name:path}/move")
def move(site: Here, form: Typed, name: str) -> Response:
    now = site.clock.now()
    room = named(text_of(form, "room_typed") or text_of(form, "room"), "Room")
    place = text_of(form, "place")
    moves.move(site.desk, name, room, named(place, "Place") if place else None, now)
    return _done(site, now, "move", [name])


@router.post("/piece/{name:path}/gone")
def gone(site: Here, form: Typed, name: str) -> Response:
    now = site.clock.now()
    return _done(site, now, "gone", [_id(moves.leave(site.desk, name, now).piece)])


# --- taking back ---


@router.post("/undo")
def undo(site: Here, form: Typed) -> Response:
    """Take back what was just logged."""
    now, done = site.clock.now(), text_of(form, "done")
    of = [str(one) for one in form.getlist("of")]
    undoing: dict[str, Callable[[], object]] = {
        "pour": lambda: moves.take_back_pours(site.desk, [_number(one) for one in of], now),
        "gone": lambda: moves.take_back_leaving(site.desk, _number(of[0]), now),
        "move": lambda: moves.take_back_move(site.desk, of[0], now),
        "reading": lambda: moves.take_back_reading(site.desk, of[0], _instant(of[1]), now),
    }
    if done not in undoing or len(of) < (2 if done == "reading" else 1):
        raise BadInput("undo", done, "something that was just logged")
    undoing[done]()
    site.changed(now)
    return RedirectResponse("/?done=undone", 303)


def _number(text: str) -> int:
    if not re.fullmatch(r"\d{1,15}", text):
        raise BadInput("piece", text, "a piece's number")
    return int(text)


def _instant(text: str) -> datetime:
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        raise BadInput("time", text, "ISO 8601 with its zone") from None
    if at.tzinfo is None:
        raise BadInput("time", text, "ISO 8601 with its zone")
    return at


def _done(site: Site, now: datetime, what: str, of: list[int] | list[str]) -> Response:
    """To the board, which says what was logged and offers to take it back."""
    site.changed(now)
    return RedirectResponse(f"/?{urlencode({'done': what, 'of': of}, doseq=True)}", 303)
