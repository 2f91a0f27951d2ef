"""Who gets in and who is in: the password's page, links for a class, tokens for programs, the calendar's link."""

from __future__ import annotations

import ipaddress
from collections import Counter
from datetime import timedelta
from functools import partial
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from curewatch.intake.typed.names import named
from curewatch.intake.typed.numbers import whole_number
from curewatch.records.access import Scope, TokenKind
from curewatch.records.errors import Field, InputError, understood
from curewatch.settings.page import ALONE
from curewatch.web.access.credentials import DAYS_MOST, LASTS, OWN_NAME, Session, TooManyAttempts
from curewatch.web.access.guard import KNOWN, KNOWN_LASTS, cookie, session_cookie
from curewatch.web.pages.forms import Wrong
from curewatch.web.reading import phrase
from curewatch.web.site import Here, Site, Typed, page, text_of, visitor_of

router = APIRouter(include_in_schema=False)

CLASS_LASTS = timedelta(hours=12)
"""How long a class may look after opening its link; it opens it again for the next lesson."""
BROWSERS = ("Firefox", "Edg", "OPR", "SamsungBrowser", "CriOS", "Chrome", "Safari", "curl", "python")
SYSTEMS = ("Android", "iPhone", "iPad", "Windows", "Mac OS X", "Linux")
"""What a browser says of itself, the telling first: most also say that they are others."""
CAME_IN = "came_in_from_elsewhere"
"""The store's note of when somebody came in from another machine."""


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
    try:
        calls = _own_name(form)
    except InputError as error:
        return page(request, "login.html", now, 422, next=there, wrong=Wrong.of(error))
    if (wait_s := proved(request, site, str(form.get("password", "")))) is not None:
        wrong = wrong_password(wait_s)
        answer = page(request, "login.html", now, 429 if wait_s else 401, next=there, wrong=wrong)
        if wait_s:
            answer.headers["retry-after"] = str(round(wait_s) + 1)
        return answer
    if request.client and not _is_this_machine(request.client.host):
        with site.desk.store.write() as tx:
            tx.set_meta(CAME_IN, now.isoformat())
    let_in = _let_in(request, site, site.sessions.begin(Scope.ADMIN, now, come=_from(request)), there)
    if (visitor := visitor_of(request)).known_browser is None:
        mark = cookie(KNOWN, site.sessions.browser_mark(), KNOWN_LASTS, secure=visitor.is_secure)
        let_in.headers.append("set-cookie", mark)
    if calls:
        let_in.headers.append("set-cookie", _own_name_cookie(calls, secure=visitor.is_secure))
    return let_in


def _own_name(form: Typed) -> str:
    """What somebody calls themselves on this device; empty: nothing."""
    typed = text_of(form, "who")
    return named(typed, Field.BY) if typed else ""


def _is_this_machine(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def wrong_password(wait_s: float) -> Wrong:
    """What is said where it was not `proved`."""
    if wait_s:
        return Wrong({Field.PASSWORD: phrase("Too many tries; wait {n} min.", n=round(wait_s / 60) or 1)})
    return Wrong({Field.PASSWORD: phrase("That is not the password.")})


def proved(request: Request, site: Site, password: str) -> float | None:
    """None where it is the password, or none is asked for; else how long to wait with the next try, 0: not at all."""
    if site.password_check is None:
        return None
    address = request.client.host if request.client else ""
    try:
        known = site.password_check.verify(address, password, visitor_of(request).known_browser)
    except TooManyAttempts as wait:
        return wait.seconds
    return None if known else 0.0


@router.post("/logout")
def logout(request: Request, site: Here, form: Typed) -> Response:
    visitor = visitor_of(request)
    if visitor.session is not None:
        site.sessions.end(site.sessions.hash_of(visitor.session))
    answer = RedirectResponse("/login", 303)
    answer.headers["set-cookie"] = session_cookie(None, secure=visitor.is_secure)
    return answer


@router.get("/class/{secret}")
def open_class(request: Request, site: Here, secret: str) -> Response:
    """A link that lets a class look, or somebody log under the link's name. Whoever is in with as many rights already
    stays in as they are."""
    now = site.clock.now()
    token = site.tokens.known(secret, now)
    opens = Scope.NOBODY if token is None else token.kind.opens
    if opens is Scope.NOBODY:
        raise HTTPException(404)
    session = visitor_of(request).session
    if session is not None and session.scope >= opens:
        return RedirectResponse("/", 303)
    lasts = CLASS_LASTS if opens is Scope.READ else LASTS
    return _let_in(request, site, site.sessions.begin(opens, now, lasts, by=token, come=_from(request)), "/")


@router.get("/ways-in")
def ways_in(request: Request, site: Here) -> HTMLResponse:
    return _page(request, site)


@router.post("/ways-in")
def make(request: Request, site: Here, form: Typed) -> HTMLResponse:
    """A new link or token. It is shown once, and only to whoever knows the password still."""
    name, kind, typed = text_of(form, "name"), text_of(form, "kind"), text_of(form, "days")
    try:
        days = partial(whole_number, typed, DAYS_MOST, Field.DAYS) if typed else lambda: None
        understood(lambda: named(name, Field.NAME), lambda: _token_kind(kind), days)
        if (wait_s := proved(request, site, str(form.get("password", "")))) is not None:
            wrong = wrong_password(wait_s)
            return _page(request, site, status=429 if wait_s else 401, wrong=wrong, values=dict(form))
        secret = _secret(site, named(name, Field.NAME), _token_kind(kind), days())
    except InputError as error:
        return _page(request, site, status=422, wrong=Wrong.of(error), values=dict(form))
    base = site.settings.shown_address
    shown = {"class": f"{base}/class/{secret}", "calendar": f"{base}/calendar/{secret}.ics"}.get(kind, secret)
    link = f"{base}/class/{secret}" if kind == TokenKind.RECORD else None
    return _page(request, site, made=shown, made_name=name, made_link=link)


def _token_kind(typed: str) -> TokenKind:
    if typed not in set(TokenKind):
        raise InputError(Field.KIND, typed, ", ".join(TokenKind))
    return TokenKind(typed)


def _secret(site: Site, name: str, kind: TokenKind, days: int | None) -> str:
    try:
        return site.tokens.make(name, kind, site.clock.now(), days)
    except ValueError as error:
        raise InputError(Field.NAME, name, str(error)) from None


def _own_name_cookie(name: str, *, secure: bool) -> str:
    """The Set-Cookie that remembers a name on this device; empty: that forgets it."""
    return cookie(OWN_NAME, quote(name, safe=""), KNOWN_LASTS if name else timedelta(), secure=secure)


@router.post("/ways-in/name")
def call_me(request: Request, site: Here, form: Typed) -> Response:
    """Whose name stands beside what is logged from this device; empty: nobody's."""
    try:
        calls = _own_name(form)
    except InputError as error:
        return _page(request, site, status=422, wrong=Wrong.of(error), values=dict(form))
    answer = RedirectResponse("/ways-in", 303)
    answer.headers["set-cookie"] = _own_name_cookie(calls, secure=visitor_of(request).is_secure)
    return answer


@router.post("/ways-in/take-back")
def take_back(site: Here, form: Typed) -> Response:
    site.tokens.take_back(text_of(form, "name"))
    return RedirectResponse("/ways-in", 303)


@router.post("/ways-in/log-out")
def log_out(site: Here, form: Typed) -> Response:
    """One browser, or all of them: who asks too."""
    if which := text_of(form, "session"):
        site.sessions.end(which)
        return RedirectResponse("/ways-in", 303)
    site.sessions.end_all()
    return RedirectResponse("/login", 303)


def _page(request: Request, site: Site, *, status: int = 200, **told: object) -> HTMLResponse:
    now, visitor = site.clock.now(), visitor_of(request)
    alone = "" if site.settings.reached_at else ALONE
    told = {"alone": alone, "made": None, "made_name": "", "made_link": None, "wrong": None, "values": {}} | told
    sessions = site.sessions.all(now)
    return page(
        request, "ways_in.html", now, status, days_most=DAYS_MOST, tokens=site.tokens.all(),
        own=site.sessions.hash_of(visitor.session) if visitor.session else "",
        sessions=[one for one in sessions if one.by is None], came_by=Counter(one.by for one in sessions), **told,
    )  # fmt: skip


def _from(request: Request) -> tuple[str, str]:
    """Where it comes from, and what a person would call the browser."""
    said = request.headers.get("user-agent", "")
    names = (next((one for one in some if one in said), "") for some in (BROWSERS, SYSTEMS))
    words = {"Edg": "Edge", "OPR": "Opera", "CriOS": "Chrome", "Mac OS X": "Mac", "SamsungBrowser": "Samsung"}
    browser, system = (words.get(name, name) for name in names)
    known = f"{browser} on {system}" if browser and system else browser or system or "a program"
    return request.client.host if request.client else "", known


def _let_in(request: Request, site: Site, session: Session, there: str) -> Response:
    """With a new cookie; the one it came with is worth nothing any more."""
    visitor = visitor_of(request)
    if visitor.session is not None:
        site.sessions.end(site.sessions.hash_of(visitor.session))
    answer = RedirectResponse(there, 303)
    answer.headers["set-cookie"] = session_cookie(session, secure=visitor.is_secure)
    return answer


def _local(there: str) -> str:
    """A path of this page, never another site: `//evil` and `/\\evil` would be one to a browser."""
    sound = there.startswith("/") and not there.startswith(("//", "/\\"))
    return there if sound and all(32 < ord(c) < 127 for c in there) else "/"
