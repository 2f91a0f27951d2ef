"""What a finger, a scale or a thermometer found of a piece, and the steps that were done to it."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from curewatch.desk import FactError
from curewatch.desk.commands import aftercare, alarm_care, observing
from curewatch.intake.typed import BadInput, parse_surface
from curewatch.intake.typed.part_intake_weighed import parse_weighing
from curewatch.records.observations import Finger
from curewatch.web.pages import part_web_piece_page
from curewatch.web.pages.forms import in_form_words, with_unit
from curewatch.web.pages.part_web_pouring import moment_of
from curewatch.web.part_web_site import Here, Site, Typed, text_of

router = APIRouter(include_in_schema=False)


@router.post("/piece/{name:path}/found")
def found(request: Request, site: Here, form: Typed, name: str) -> Response:
    """Log an observation; a name that no piece bears, or one from before the pour, stores nothing."""
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    try:
        observed = _observed(site, name, values, now)
    except (BadInput, FactError) as error:
        return part_web_piece_page.show(request, site, name, now, status=422, wrong=in_form_words(error), values=values)
    return _back(site, now, name, "found", observed.observation.id)


def _observed(site: Site, name: str, values: dict[str, str], now: datetime) -> observing.Observed:
    at, what = moment_of(values, now, site.desk.settings.tz), values.get("what", "")
    if what in set(Finger):
        return observing.feel(site.desk, name, Finger(what), at, now)
    if what == "weighing":
        weighed = parse_weighing(values.get("grams", ""), values.get("resolution") or None)
        return observing.weigh(site.desk, name, weighed.grams, weighed.resolution_g, at, now)
    if what == "surface":
        typed = with_unit(values.get("surface", ""), values.get("unit", "C"))
        surface_c = parse_surface(typed, field="Surface")
        return observing.surface(site.desk, name, surface_c, at, now)
    raise BadInput("what", what, f"{', '.join(Finger)}, weighing or surface")


@router.post("/piece/{name:path}/done")
def done(request: Request, site: Here, form: Typed, name: str) -> Response:
    """Write down that a step was done."""
    now = site.clock.now()
    values = {str(field): text_of(form, field) for field in form}
    try:
        at = moment_of(values, now, site.desk.settings.tz)
        step = values.get("step", "")
        noted = aftercare.done(site.desk, name, step, at, now, anyway=values.get("anyway") == "yes")
    except (BadInput, FactError) as error:
        return part_web_piece_page.show(request, site, name, now, status=422, wrong=in_form_words(error), values=values)
    return _back(site, now, name, "step", noted.step.id)


@router.post("/piece/{name:path}/cleared")
def cleared(site: Here, form: Typed, name: str) -> Response:
    """A person has looked a harmed piece over."""
    now = site.clock.now()
    alarm_care.clear_damage(site.desk, name, now)
    return _back(site, now, name, "cleared")


def _back(site: Site, now: datetime, name: str, done: str, number: int | None = None) -> Response:
    """To the piece, which says what was logged and offers to take it back."""
    site.changed(now)
    of: list[Any] = [name] if number is None else [name, number]
    return RedirectResponse(f"/piece/{quote(name, safe='')}?{urlencode({'done': done, 'of': of}, doseq=True)}", 303)
