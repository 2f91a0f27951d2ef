"""The application: every page, the JSON beside it, the door around them; and no dates while the clock cannot be
believed."""

from __future__ import annotations

import threading
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import PlainTextResponse, Response
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp

from curewatch.clock import Clock, Leap, WatchedClock, plausible
from curewatch.desk.commands.clock_care import leapt
from curewatch.desk.desk import SentBefore
from curewatch.desk.refresh.refresher import Refresher
from curewatch.intake.json_pointer import pointer_to
from curewatch.language import read_by, reads
from curewatch.records.errors import InputError, quoted
from curewatch.settings import SettingsError, WebSettings
from curewatch.store import StoreError
from curewatch.views.base import Fault
from curewatch.web.access.credentials import Password, PasswordCheck, Sessions, Tokens
from curewatch.web.access.guard import SAFE, Guard
from curewatch.web.api import alarms as api_alarms
from curewatch.web.api import board as api_board
from curewatch.web.api import listening, mixing, pieces, planning, rooms, transfer
from curewatch.web.api.answers import BASE
from curewatch.web.api.described import describe
from curewatch.web.feeds import routes as feeds
from curewatch.web.pages import (
    alarms,
    board,
    handbook,
    logged,
    logging_forms,
    login,
    offline,
    photos,
    piece,
    plan,
    reader_choice,
    record,
    room,
    setup,
    the_clock,
)  # fmt: skip
from curewatch.web.pages.forms import refusal
from curewatch.web.pages.logged import shown_at
from curewatch.web.problems import key_of, problem
from curewatch.web.reading import phrase
from curewatch.web.scarce import Busy
from curewatch.web.site import Site, StalePage, Upkeep, packed, page, site_of
from curewatch.web.texts import capital


class ClockUnconfirmed(Exception):
    """This machine's clock shows a time that cannot be, or has leapt. A calendar or program that fetches keeps what it
    had."""

    def __init__(self, shown: datetime, leap: Leap | None) -> None:
        self.leap = leap
        super().__init__(
            reads().read(leapt(leap))
            if leap
            else phrase(
                "Clock unconfirmed: this machine's clock shows {time} UTC, which cannot be. Every prediction is held "
                "until it is set, and nothing can be logged. Readings are kept and get their times then.",
                time=f"{shown:%Y-%m-%d %H:%M}",
            )
        )


async def require_clock(request: Request) -> None:
    """For every route: refuse where no date can be told. What has no date in it (styles, scripts) goes on."""
    clock, path = site_of(request).clock, request.url.path
    now = clock.now()
    if not plausible(now) and path != "/clock" and not path.startswith("/static/"):
        raise ClockUnconfirmed(now, clock.held())


async def know_reader(request: Request) -> None:
    """For every route: whoever asks is told in their own words and units."""
    read_by(site_of(request).reader(request))


PARTS = (
    board, alarms, logging_forms, logged, offline, photos, piece, record, room, plan, login, setup, handbook,
    reader_choice, the_clock, feeds, api_board, api_alarms, planning, mixing, pieces, rooms, transfer, listening,
)  # fmt: skip
"""Everything that answers; the first that knows a path takes it."""
WHOLE = ("missing", "value_error")
"""Errors of all that was sent together, which need not be quoted."""
FAULTS_MOST = 20
"""So many of one request are told."""
SCRIPT = "text/javascript; charset=utf-8"
STATIC = {
    "page.css": "text/css; charset=utf-8",
    "page.js": SCRIPT,
    "renew.js": SCRIPT,
    "keep.js": SCRIPT,
    "idiomorph.min.js": SCRIPT,
    "icon.svg": "image/svg+xml",
}


def make_app(
    refresher: Refresher,
    settings: WebSettings,
    clock: Clock,
    *,
    logged: Callable[[], object] = lambda: None,
    ending: threading.Event | None = None,
    upkeep: Upkeep | None = None,
) -> ASGIApp:
    """The page over one studio. `logged` is called after somebody has logged something; open streams end with `ending`.

    Raises SettingsError where a password is needed and there is none.
    """
    password = Password(settings)
    clock = clock if isinstance(clock, WatchedClock) else WatchedClock(clock)
    site = Site(
        refresher=refresher,
        clock=clock,
        settings=settings,
        sessions=Sessions(refresher.desk.store, password),
        tokens=Tokens(refresher.desk.store),
        password_check=PasswordCheck(password, clock) if password.is_set else None,
        logged=logged,
        ending=ending or threading.Event(),
        upkeep=upkeep,
    )
    app = FastAPI(
        title="curewatch",
        openapi_url=None,
        docs_url=None,
        redoc_url=None,
        generate_unique_id_function=lambda route: route.name,
        dependencies=[Depends(know_reader), Depends(require_clock)],
    )
    app.state.site = site
    for part in PARTS:
        app.include_router(part.router)
    app.add_api_route("/static/{name}", _static, include_in_schema=False)
    described = cache(lambda: describe(app))
    app.add_api_route(f"{BASE}/openapi.json", lambda: described(), include_in_schema=False)
    for kind, explained in EXPLAINED.items():
        app.add_exception_handler(kind, explained)
    leaving = None if upkeep is None else upkeep.leaving
    return Guard(app, settings, site.sessions, site.tokens, password, clock, leaving)


def _static(request: Request, name: str) -> Response:
    if name not in STATIC:
        raise HTTPException(404)
    held = (files("curewatch.web") / "static" / name).read_bytes()
    lasting = {"cache-control": "public, max-age=31536000, immutable", "vary": "accept-encoding"}
    return Response(*packed(request, held, lasting), media_type=STATIC[name])


def _fault(found: Mapping[str, Any]) -> str:
    if found["type"] == "int_parsing":
        return f"got {quoted(found['input'])}, expected a whole number"
    return str(found["msg"]) + ("" if found["type"] in WHOLE else f", got {quoted(found['input'])}")


def _said(
    request: Request,
    status: int,
    title: str,
    text: str,
    error: InputError | None = None,
    faults: list[Fault] | None = None,
    leap: Leap | None = None,
) -> Response:
    """Every failure as a page, or as JSON where JSON was asked for."""
    if request.url.path.startswith("/api/"):
        return problem(status, text, error, faults)
    try:
        return page(request, "trouble.html", site_of(request).clock.now(), status, title=title, text=text, leap=leap)
    except StoreError:
        return PlainTextResponse(f"{title}\n{text}\n", status)


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, InputError)
    text = error.in_words(key_of) if request.url.path.startswith("/api/") else refusal(error)
    return _said(request, 422, phrase("That cannot be"), text, error)


def _sent_before(request: Request, error: Exception) -> Response:
    assert isinstance(error, SentBefore)
    return shown_at(error.kind, error.of)


def _stale(request: Request, error: Exception) -> Response:
    return _said(
        request,
        403,
        phrase("This page was open for too long"),
        phrase("Nothing was stored. Go back, reload, and try again."),
    )


def _undated(request: Request, error: Exception) -> Response:
    assert isinstance(error, ClockUnconfirmed)
    return _said(request, 503, phrase("Clock unconfirmed"), str(error), leap=error.leap)


def _failed(request: Request, error: Exception) -> Response:
    if request.method in SAFE:  # of a page: what led to it may well be stored
        text = phrase("{why}. Try again in a moment.", why=str(error))
    else:
        text = phrase("{why}. Nothing was stored. Try again in a moment.", why=str(error))
    return _said(request, 503, phrase("The store did not answer"), text)


def _unreadable(request: Request, error: Exception) -> Response:
    return _said(
        request, 503, phrase("The settings cannot be read"), phrase("{why}. Nothing was stored.", why=str(error))
    )


async def _busy(request: Request, error: Exception) -> Response:
    assert isinstance(error, Busy)
    text = phrase("{why}. Try again in {n} s.", why=capital(str(error)), n=round(error.again_s))
    answer = _said(request, 429 if error.own else 503, phrase("Not just now"), text)
    answer.headers["retry-after"] = f"{error.again_s:.0f}"
    return answer


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    read_by(site_of(request).reader(request))  # where no route was found, nobody has asked yet who reads
    lost = error.status_code == 404
    if error.status_code == 400:  # a body that is no JSON, of whatever kind: what all else that is malformed gets
        return _said(request, 422, phrase("That cannot be"), f"{str(error.detail)[0].lower()}{str(error.detail)[1:]}")
    what = phrase("Nothing is here by that name. It may have left the studio.") if lost else str(error.detail)
    answer = _said(request, error.status_code, phrase("Not here") if lost else phrase("That did not work"), what)
    answer.headers.update(error.headers or {})
    return answer


def _malformed(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = error.errors()[:FAULTS_MOST]
    kind, *names = found[0]["loc"]
    where = ".".join(map(str, names[:1] if kind == "query" else names))  # one given more than once has one name
    faults = [Fault(pointer=pointer_to(*one["loc"]), detail=_fault(one)) for one in found]
    return _said(request, 422, phrase("That cannot be"), f"{where and f'{where}: '}{faults[0].detail}", faults=faults)


EXPLAINED: Mapping[type[Exception], Callable[[Request, Exception], Response | Awaitable[Response]]] = {
    InputError: _refused,
    SentBefore: _sent_before,
    StalePage: _stale,
    ClockUnconfirmed: _undated,
    StoreError: _failed,
    Busy: _busy,
    SettingsError: _unreadable,
    HTTPException: _http,
    RequestValidationError: _malformed,
}
"""What is answered where something failed."""
