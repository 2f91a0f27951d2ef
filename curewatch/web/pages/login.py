"""Who gets in: the password's page, links for a class, tokens for programs, the calendar's private link."""

from __future__ import annotations

from datetime import timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from curewatch.intake.typed.names import named
from curewatch.records.errors import Field, InputError
from curewatch.web.access.guard import cookie_header
from curewatch.web.access.passwords import TooManyAttempts
from curewatch.web.access.sessions import Scope, Session
from curewatch.web.access.tokens import TokenKind
from curewatch.web.site import Here, Site, Typed, page, text_of

router = APIRouter(include_in_schema=False)

CLASS_LASTS = timedelta(hours=12)
"""How long a class may look after opening its link; it opens it again for the next lesson."""


@router.get("/login")
def login_form(request: Request, site: Here, next: str = "/") -> Response:
    if site.password_check is None:
        return RedirectResponse("/", 303)
    return page(request, "login.html", site.clock.now(), next=_local(next), wrong=None)


@router.post("/login")
def login(request: Request, site: Here, form: Typed) -> Response:
    """Let in whoever knows the password."""
    if site.password_check is None:
        return RedirectResponse("/", 303)
    now, there = site.clock.now(), _local(text_of(form, "next"))
    address = request.client.host if request.client else ""
    try:
        known = site.password_check.verify(address, str(form.get("password", "")))
    except TooManyAttempts as wait:
        answer = page(request, "login.html", now, 429, next=there, wrong="Too many tries; wait a few minutes.")
        answer.headers["retry-after"] = str(round(wait.seconds) + 1)
        return answer
    if not known:
        return page(request, "login.html", now, 401, next=there, wrong="That is not the password.")
    return _with_session(site, site.sessions.begin(Scope.ADMIN, now), there)


@router.post("/logout")
def logout(site: Here, form: Typed) -> Response:
    answer = RedirectResponse("/login", 303)
    answer.headers["set-cookie"] = cookie_header(None, secure=_secure(site))
    return answer


@router.get("/class/{secret}")
def open_class(site: Here, secret: str) -> Response:
    """A link that lets a class look, and no more."""
    token = site.tokens.known(secret)
    if token is None or token.kind is not TokenKind.CLASS:
        raise HTTPException(404)
    return _with_session(site, site.sessions.begin(Scope.READ, site.clock.now(), CLASS_LASTS, by=token.mark), "/")


@router.get("/ways-in")
def ways_in(request: Request, site: Here) -> HTMLResponse:
    return _page(request, site)


@router.post("/ways-in")
def make(request: Request, site: Here, form: Typed) -> HTMLResponse:
    """A new link or token. It is shown once."""
    kind = text_of(form, "kind")
    if kind not in set(TokenKind):
        raise InputError(Field.KIND, kind, ", ".join(TokenKind))
    name = named(text_of(form, "name"), Field.NAME)
    try:
        secret = site.tokens.make(name, TokenKind(kind), site.clock.now())
    except ValueError as error:
        raise InputError(Field.NAME, name, str(error)) from None
    base = site.settings.shown_address
    shown = {"class": f"{base}/class/{secret}", "calendar": f"{base}/calendar/{secret}.ics"}.get(kind, secret)
    return _page(request, site, shown, name)


@router.post("/ways-in/take-back")
def take_back(site: Here, form: Typed) -> Response:
    site.tokens.take_back(text_of(form, "name"))
    return RedirectResponse("/ways-in", 303)


def _page(request: Request, site: Site, made: str | None = None, name: str = "") -> HTMLResponse:
    now = site.clock.now()
    return page(
        request, "ways_in.html", now, tokens=site.tokens.all(), kinds=list(TokenKind), made=made, made_name=name
    )


def _with_session(site: Site, session: Session, there: str) -> Response:
    answer = RedirectResponse(there, 303)
    answer.headers["set-cookie"] = cookie_header(session, secure=_secure(site))
    return answer


def _secure(site: Site) -> bool:
    return (site.settings.address or "").startswith("https://")


def _local(there: str) -> str:
    """A path of this page, never another site: `//evil` and `/\\evil` would be one to a browser."""
    sound = there.startswith("/") and not there.startswith(("//", "/\\"))
    return there if sound and all(32 < ord(c) < 127 for c in there) else "/"
