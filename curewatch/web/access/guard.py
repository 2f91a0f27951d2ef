"""The door: every request passes here first, and every answer last. Refuses early, in plain words.

Host check: a name that is not ours means that somebody's web page has pointed its own name at this machine (DNS
rebinding). Sec-Fetch-Site (W3C Fetch Metadata) or Origin: a form or script of another site; of what another site asks
for only a link that is followed is answered, for an image of ours on its page could have us work for hours. Both hold
without any password, because a browser on this machine reaches what only this machine can reach. And without a
password nothing is answered that came through a proxy: who knows from where.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from dataclasses import dataclass
from datetime import timedelta
from http.cookies import CookieError, SimpleCookie
from tempfile import SpooledTemporaryFile
from urllib.parse import quote, urlsplit

from cachetools import LRUCache
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Match
from starlette.types import ASGIApp, Message, Receive, Send
from starlette.types import Scope as Request

from curewatch.clock import WatchedClock
from curewatch.records.access import Scope
from curewatch.settings import SettingsError, WebSettings
from curewatch.store import StoreError
from curewatch.web.access.bodies import (
    BODY_MOST,
    BODY_WITHIN_S,
    LARGE,
    LARGE_MOST,
    LARGE_WITHIN_S,
    comes,
    is_bare,
    is_large,
    replayed,
    types_of,
)
from curewatch.web.access.credentials import LASTS, OWN_NAME, Password, Session, Sessions, Tokens, own_name
from curewatch.web.access.forwarded import asker, passed_on
from curewatch.web.problems import problem

log = logging.getLogger(__name__)
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
COOKIE, KNOWN = "curewatch", "curewatch_known"
"""The session, and the mark of a browser that was let in before. Over https both bear `__Host-` before their name, by
which a browser takes them from this very host and over https only."""
KNOWN_LASTS = timedelta(days=365)
ASK_AGAIN_S = 0.3
"""How long who asks is held while another run takes over [s]; a browser follows twenty such answers."""
LOCK_IT = "`curewatch password FILE` makes a password, and web.password_file in the settings names it"
OPEN = ("/static/", "/sw.js", "/manifest.webmanifest", "/authority.crt", "/healthz", "/login", "/class/", "/calendar/")
"""Asks nobody who they are; what lies behind the last two has its own secret in the path."""
ADMIN_ONLY = ("/ways-in", "/setup", *LARGE, "/api/v1/export", "/api/v1/listening")
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
HSTS = "max-age=31536000"
"""RFC 6797; without includeSubDomains, for the other names of the host are not ours to speak for."""


@dataclass(frozen=True)
class Visitor:
    """Who asks."""

    scope: Scope
    session: Session | None
    form_token: str
    has_password: bool
    """Whether the page asks for one at all."""
    key: str
    """Whose share of what is scarce it is: a session's, a token's, else an address's."""
    known_browser: str | None = None
    """The mark of a browser that was let in before."""
    is_secure: bool = False
    """Whether it came by https."""
    name: str | None = None
    """Of the link or token that somebody came in by, else what they call themselves on this device."""

    @property
    def may_record(self) -> bool:
        return self.scope >= Scope.RECORD


class Hammerers:
    """Who was told to come later, again and again, and comes all the same: known at the door, before anything is looked
    up for them."""

    PATIENCE, MOST, FORGETS_EVERY_S = 10.0, 12.0, 5.0
    """So many refusals are borne, so many counted, and one is forgotten every so many seconds."""

    def __init__(self) -> None:
        self._counts: LRUCache[tuple[str, str], tuple[float, float]] = LRUCache(4096)

    def refused(self, who: tuple[str, str], at_s: float) -> None:
        """`who`: what they say they are, unproven, and what they ask for."""
        self._counts[who] = min(self._count(who, at_s) + 1.0, self.MOST), at_s

    def hammers(self, who: tuple[str, str], at_s: float) -> bool:
        return self._count(who, at_s) > self.PATIENCE

    def _count(self, who: tuple[str, str], at_s: float) -> float:
        count, counted_at_s = self._counts.get(who, (0.0, at_s))
        return max(0.0, count - (at_s - counted_at_s) / self.FORGETS_EVERY_S)


class Guard:
    """Around the application."""

    def __init__(
        self,
        app: ASGIApp,
        settings: WebSettings,
        sessions: Sessions,
        tokens: Tokens,
        password: Password,
        clock: WatchedClock,
        leaving: threading.Event | None = None,
    ) -> None:
        """Once `leaving` is set everybody is sent to ask again, by when somebody else answers at this address."""
        self._app, self._settings, self._sessions, self._tokens = app, settings, sessions, tokens
        self._clock, self._password, self._proxies = clock, password, settings.proxies
        self._large = asyncio.Semaphore(1)
        self._told_of_proxy = False
        self._leaving = leaving or threading.Event()
        self._hammerers = Hammerers()

    async def __call__(self, scope: Request, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        scope = self._as_asked(scope, headers)
        path, visitor = scope["path"], None
        who = _said_to_be(scope, headers), path
        refusal = self._refusal_by_origin(scope, headers)
        if refusal is None and self._leaving.is_set():
            await asyncio.sleep(ASK_AGAIN_S)
            query = f"?{scope['query_string'].decode('latin-1')}" if scope["query_string"] else ""
            there = f"/{quote(path.lstrip('/'))}{query}"  # two slashes would name another host
            refusal = RedirectResponse(there, 307, {"connection": "close"})
        elif refusal is None and self._hammerers.hammers(who, self._clock.monotonic()):
            refusal = _refused(path, 429, "you were told to come later, and came at once again and again")
            refusal.headers["retry-after"] = f"{Hammerers.FORGETS_EVERY_S * (Hammerers.MOST - Hammerers.PATIENCE):.0f}"
        if refusal is None:
            try:
                visitor = await asyncio.to_thread(self._visitor, scope, headers)
                refusal = self._refusal_by_scope(scope, headers, visitor)
            except StoreError as error:  # nobody can say whose a token is
                refusal = _refused(path, 503, f"the store did not answer: {error}")
            except SettingsError as error:
                refusal = _refused(path, 503, f"the password cannot be read: {error}")
        if refusal is None and is_large(scope):
            async with self._large:  # of these bodies only one is held in memory at a time, of those who may send one
                await self._answer(scope, receive, send, visitor, None)
        else:
            await self._answer(scope, receive, send, visitor, refusal)

    def _as_asked(self, scope: Request, headers: Headers) -> Request:
        """With the address and scheme that a trusted proxy tells, and without the path that we lie under there."""
        prefix, path = self._settings.prefix, scope["path"]
        if prefix and (path == prefix or path.startswith(f"{prefix}/")):
            path = path[len(prefix) :] or "/"
        peer = (scope.get("client") or ("",))[0]
        address, https = asker(peer, headers, self._proxies)
        if not self._told_of_proxy and self._password.is_set and address == peer and passed_on(headers):
            self._told_of_proxy = True  # once: anybody can send such a header
            log.warning("all who come through %s are one visitor: web.trusted_proxies does not believe it", peer)
        https = https or scope["scheme"] == "https" or self._settings.is_secure
        return {**scope, "path": path, "client": (address, 0), "scheme": "https" if https else "http"}

    async def _answer(
        self, scope: Request, receive: Receive, send: Send, visitor: Visitor | None, refusal: Response | None
    ) -> None:
        if refusal is not None or scope["method"] in SAFE:
            await self._pass(scope, receive, send, visitor, refusal)
            return
        most, within_s = (LARGE_MOST, LARGE_WITHIN_S) if is_large(scope) else (BODY_MOST, BODY_WITHIN_S)
        with SpooledTemporaryFile(BODY_MOST) as body:  # what is longer than a form lies on the disk
            try:
                if not await comes(body, Headers(scope=scope), receive, most, within_s):
                    why = f"longer than {most // 1024} kB, or too slow in coming"
                    refusal = _refused(scope["path"], 413, why)
            except OSError as error:
                refusal = _refused(scope["path"], 503, f"there is no room for it: {error.strerror}")
            body.seek(0)
            scope.setdefault("state", {})["body"] = body
            await self._pass(scope, replayed(body, receive), send, visitor, refusal)

    async def _pass(
        self, scope: Request, receive: Receive, send: Send, visitor: Visitor | None, refusal: Response | None
    ) -> None:
        headers, secure = Headers(scope=scope), scope["scheme"] == "https"
        had = _cookie(headers, COOKIE, secure=secure)
        new = visitor.session if visitor and visitor.session and visitor.session.cookie != had else None
        answer = self._sealed(send, scope, new, secure=secure)
        if refusal is not None:
            await refusal(scope, receive, answer)
            return
        scope.setdefault("state", {})["visitor"] = visitor
        await self._app(scope, receive, answer)

    def _refusal_by_origin(self, scope: Request, headers: Headers) -> Response | None:
        path = scope["path"]
        host = headers.get("host", "")
        if not self._settings.answers_to(_hostname_of(host)):
            what = "`curewatch phone` tells what it answers to, web.hosts in the settings adds a name"
            return _refused(path, 421, f"asked for as {host[:100]!r}; {what}")
        if not self._password.is_set and (header := passed_on(headers)):
            return _refused(path, 403, f"it came through a proxy ({header}), and there is no password: {LOCK_IT}")
        if headers.get("authorization", "").startswith("Bearer "):
            return None
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if scope["method"] in SAFE:
            foreign = site not in ("same-origin", "none", None) and not _follows_link(headers)
            return _refused(path, 403, "asked for by another web site") if foreign else None
        ours = {host, urlsplit(self._settings.shown_address).netloc}
        if site not in ("same-origin", "none") if site else bool(origin and _netloc_of(origin) not in ours):
            return _refused(path, 403, "sent by another web site")
        sent_as, takes = headers.get("content-type", "").split(";")[0].strip(), types_of(path)
        # a script of another site tells where it is from; to be sure, so must whoever brings a session without a body
        told = site or origin or _cookie(headers, COOKIE, secure=scope["scheme"] == "https") is None
        strange = sent_as not in takes and not (told and is_bare(headers))
        if path.startswith("/api/") and strange and self._is_way(scope):
            return _refused(path, 415, f"content-type: {' or '.join(takes)} is what this takes")
        return None

    def _is_way(self, scope: Request) -> bool:
        """Whether anything of ours takes this method here; else it is told which there are."""
        routes: list[BaseRoute] = getattr(self._app, "routes", [])
        return scope["method"] != "DELETE" and any(route.matches(scope)[0] is Match.FULL for route in routes)

    def _visitor(self, scope: Request, headers: Headers) -> Visitor:
        now, bearer = self._clock.carried(), headers.get("authorization", "")
        locked, secure, address = self._password.is_set, scope["scheme"] == "https", scope["client"][0]
        if bearer.startswith("Bearer "):
            token = self._tokens.known(bearer.removeprefix("Bearer ").strip(), now)
            key = f"token {token.hash}" if token else address
            allowed, name = (token.kind.scope, token.name) if token else (Scope.NOBODY, None)
            return Visitor(allowed, None, "", locked, key, is_secure=secure, name=name)
        session = self._sessions.known(_cookie(headers, COOKIE, secure=secure), now)
        key = address if session is None or session.until is None else f"session {session.cookie}"
        if session is None and (not locked or scope["path"] == "/login"):
            session = self._sessions.stranger()
        known = self._sessions.known_browser(_cookie(headers, KNOWN, secure=secure))
        if session is None:
            return Visitor(Scope.NOBODY, None, "", locked, key, known, secure)
        form = self._sessions.form_token(session)
        name = session.name or own_name(_cookie(headers, OWN_NAME, secure=secure))
        return Visitor(session.scope, session, form, locked, key, known, secure, name)

    def _refusal_by_scope(self, scope: Request, headers: Headers, visitor: Visitor) -> Response | None:
        path = scope["path"]
        if path.startswith(OPEN):
            return None
        needed = Scope.READ if scope["method"] in SAFE else Scope.RECORD
        if path == "/logout":
            needed = Scope.READ
        if path.startswith(ADMIN_ONLY):
            needed = Scope.ADMIN
        if visitor.scope >= needed:
            return None
        if visitor.scope is Scope.NOBODY:
            if path.startswith("/api/") or path in ("/metrics", "/events"):
                answer = _refused(path, 401, "a token is needed: Authorization: Bearer …")
                answer.headers["www-authenticate"] = "Bearer"
                return answer
            if _wants_no_page(headers):
                return _refused(path, 401, "sign in first")
            query = scope["query_string"].decode("latin-1")
            there = quote(f"{path}?{query}" if query else path, safe="")
            return RedirectResponse(f"/login?next={there}" if scope["method"] in SAFE else "/login", 303)
        return _refused(path, 403, f"this needs the right to {needed.name.lower()}, you have that to "
                        f"{visitor.scope.name.lower()}")  # fmt: skip

    def _sealed(self, send: Send, scope: Request, session: Session | None, *, secure: bool) -> Send:
        path, asked = scope["path"], Headers(scope=scope)

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if message["status"] in (429, 503) and "retry-after" in headers and not path.startswith(OPEN):
                    self._hammerers.refused((_said_to_be(scope, asked), path), self._clock.monotonic())
                for name, value in HEADERS.items():
                    headers[name] = value
                if "cache-control" not in headers:
                    headers["cache-control"] = "no-store"
                if secure:
                    headers["strict-transport-security"] = HSTS
                if (there := headers.get("location", "")).startswith("/"):
                    headers["location"] = self._settings.prefix + there
                if message["status"] == 303 and _wants_no_page(asked):
                    message["status"] = 201
                if session is not None and "set-cookie" not in headers and not path.startswith(("/static/", "/api/")):
                    headers.append("set-cookie", session_cookie(session, secure=secure))
            await send(message)

        return sealed


def session_cookie(session: Session | None, *, secure: bool) -> str:
    """The Set-Cookie of a session, or of its end."""
    return cookie(COOKIE, session.cookie if session else "", LASTS if session else timedelta(), secure=secure)


def cookie(name: str, value: str, lasts: timedelta, *, secure: bool) -> str:
    """A Set-Cookie header. The path is the whole host's: so `__Host-` wants it."""
    name, rest = (f"__Host-{name}", "; Secure") if secure else (name, "")
    return f"{name}={value}; Path=/; Max-Age={lasts.total_seconds():.0f}; HttpOnly; SameSite=Lax{rest}"


def _wants_no_page(headers: Headers) -> bool:
    """Whether a script sent a form, and goes to the page that follows by itself (RFC 7240, `return=minimal`)."""
    return headers.get("prefer") == "return=minimal"


def _follows_link(headers: Headers) -> bool:
    """Whether a person comes from there to here, and no frame, image or script of a page does."""
    return headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest", "document") == "document"


def _refused(path: str, status: int, why: str) -> Response:
    if path.startswith("/api/"):
        return problem(status, why)
    return PlainTextResponse(f"Refused: {why}.\n", status)


def _hostname_of(host: str) -> str:
    """A Host header without its port, in lower case."""
    try:
        return (urlsplit(f"//{host}").hostname or "").casefold()
    except ValueError:
        return ""


def _netloc_of(origin: str) -> str:
    """Host and port of an Origin header; nothing where it is none."""
    try:
        return urlsplit(origin).netloc
    except ValueError:
        return ""


def _cookie(headers: Headers, name: str, *, secure: bool) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(f"__Host-{name}" if secure else name)
    except CookieError:
        return None
    return found.value if found else None


def _said_to_be(scope: Request, headers: Headers) -> str:
    """What a visitor shows at the door, else where from; nobody has looked yet whether it is true."""
    secure = scope["scheme"] == "https"
    return headers.get("authorization") or _cookie(headers, COOKIE, secure=secure) or str(scope["client"][0])
