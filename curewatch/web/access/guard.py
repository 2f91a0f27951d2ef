"""The door: every request passes here first, and every answer last. Refuses early, in plain words.

Host check: a name that is not ours means that somebody's web page has pointed its own name at this machine (DNS
rebinding). Sec-Fetch-Site (W3C Fetch Metadata) or Origin: a form or script of another site. Both hold without any
password, because a browser on this machine reaches what only this machine can reach.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Send
from starlette.types import Scope as Request

from curewatch.clock import Clock
from curewatch.settings import WebSettings
from curewatch.store import StoreError
from curewatch.web.access.sessions import COOKIE, Scope, Session, Sessions
from curewatch.web.access.tokens import Tokens
from curewatch.web.problems import problem

BODY_MOST, BODY_WITHIN_S = 64 * 1024, 15.0
"""No form of ours is longer [bytes], or takes longer to come [s]."""
LARGE = ("/api/v1/import", "/api/v1/import.zip", "/api/v1/readings.csv")
"""What takes a studio's or a logger's whole record, one at a time."""
LARGE_MOST, LARGE_WITHIN_S = 32 * 1024 * 1024, 120.0
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
OPEN = ("/static/", "/login", "/class/", "/calendar/")
"""Asks nobody who they are; what lies behind the last two has its own secret in the path."""
ADMIN_ONLY = ("/ways-in", *LARGE, "/api/v1/export")
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


@dataclass(frozen=True)
class Visitor:
    """Who asks."""

    scope: Scope
    session: Session | None
    form_token: str
    has_password: bool
    """Whether the page asks for one at all."""

    @property
    def may_record(self) -> bool:
        return self.scope >= Scope.RECORD


class Guard:
    """Around the application."""

    def __init__(
        self, app: ASGIApp, settings: WebSettings, sessions: Sessions, tokens: Tokens, clock: Clock, *, locked: bool
    ) -> None:
        """`locked`: there is a password, so nobody is let in unasked."""
        self._app, self._settings, self._sessions, self._tokens = app, settings, sessions, tokens
        self._clock, self._locked = clock, locked
        self._large = asyncio.Semaphore(1)

    async def __call__(self, scope: Request, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers, path = Headers(scope=scope), scope["path"]
        refusal, visitor = self._refusal_by_origin(scope, headers), None
        if refusal is None:
            try:
                visitor = await asyncio.to_thread(self._visitor, headers, path)
                refusal = self._refusal_by_scope(scope, visitor)
            except StoreError as error:  # nobody can say whose a token is
                refusal = _refused(path, 503, f"the store did not answer: {error}")
        if refusal is None and path in LARGE:
            async with self._large:  # of these bodies only one is held in memory at a time, of those who may send one
                await self._answer(scope, receive, send, visitor, None)
        else:
            await self._answer(scope, receive, send, visitor, refusal)

    async def _answer(
        self, scope: Request, receive: Receive, send: Send, visitor: Visitor | None, refusal: Response | None
    ) -> None:
        headers, path = Headers(scope=scope), scope["path"]
        body: bytes | None = b""
        if refusal is None and scope["method"] not in SAFE:
            most, within_s = (LARGE_MOST, LARGE_WITHIN_S) if path in LARGE else (BODY_MOST, BODY_WITHIN_S)
            body = await _body(headers, receive, most, within_s)
            if body is None:
                refusal = _refused(path, 413, f"longer than {most // 1024} kB, or too slow in coming")
        new = visitor.session if visitor and visitor.session and not _has_cookie(headers, visitor.session) else None
        answer = self._sealed(send, path, new)
        if refusal is not None:
            await refusal(scope, receive, answer)
            return
        scope.setdefault("state", {})["visitor"] = visitor
        await self._app(scope, receive if scope["method"] in SAFE else _replayed(body or b"", receive), answer)

    def _refusal_by_origin(self, scope: Request, headers: Headers) -> Response | None:
        path = scope["path"]
        host = headers.get("host", "")
        if _hostname_of(host) not in self._settings.allowed_hosts:
            return _refused(
                path, 421, f"asked for as {host[:100]!r}; web.hosts in the settings lists what it answers to"
            )
        if scope["method"] in SAFE or headers.get("authorization", "").startswith("Bearer "):
            return None
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        foreign = site not in ("same-origin", "none") if site else bool(origin and _netloc_of(origin) != host)
        if foreign:
            return _refused(path, 403, "sent by another web site")
        sent_as, takes = headers.get("content-type", "").split(";")[0].strip(), _takes(path)
        if path.startswith("/api/") and sent_as != takes and scope["method"] != "DELETE":
            return _refused(path, 415, f"content-type: {takes} is what this takes")
        return None

    def _visitor(self, headers: Headers, path: str) -> Visitor:
        now, bearer = self._clock.now(), headers.get("authorization", "")
        if bearer.startswith("Bearer "):
            token = self._tokens.known(bearer.removeprefix("Bearer ").strip())
            return Visitor(token.kind.scope if token else Scope.NOBODY, None, "", self._locked)
        session = self._sessions.known(_cookie(headers), now)
        if session is not None and session.by and not self._tokens.holds(session.by):
            session = None  # the link that opened it has been taken back
        if session is None and (not self._locked or path == "/login"):
            session = self._sessions.begin(Scope.NOBODY if self._locked else Scope.ADMIN, now)
        if session is None:
            return Visitor(Scope.NOBODY, None, "", self._locked)
        return Visitor(session.scope, session, self._sessions.form_token(session), self._locked)

    def _refusal_by_scope(self, scope: Request, visitor: Visitor) -> Response | None:
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
            query = scope["query_string"].decode("latin-1")
            there = quote(f"{path}?{query}" if query else path, safe="")
            return RedirectResponse(f"/login?next={there}" if scope["method"] in SAFE else "/login", 303)
        return _refused(path, 403, f"this needs the right to {needed.name.lower()}, you have that to "
                        f"{visitor.scope.name.lower()}")  # fmt: skip

    def _sealed(self, send: Send, path: str, session: Session | None) -> Send:
        secure = (self._settings.address or "").startswith("https://")

        async def sealed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if "cache-control" not in headers:
                    headers["cache-control"] = "no-store"
                if session is not None and "set-cookie" not in headers and not path.startswith(("/static/", "/api/")):
                    headers.append("set-cookie", cookie_header(session, secure=secure))
            await send(message)

        return sealed


def cookie_header(session: Session | None, *, secure: bool) -> str:
    """The Set-Cookie of a session, or of its end."""
    value, age = (session.cookie, 30 * 86_400) if session else ("", 0)
    return f"{COOKIE}={value}; Path=/; Max-Age={age}; HttpOnly; SameSite=Lax{'; Secure' if secure else ''}"


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


def _cookie(headers: Headers) -> str | None:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return None
    return found.value if found else None


def _has_cookie(headers: Headers, session: Session) -> bool:
    return _cookie(headers) == session.cookie


def _takes(path: str) -> str:
    """The type of what is sent there: one that no form of another site can have."""
    return _TYPES.get(path[path.rfind(".") :], "application/json")


_TYPES = {".csv": "text/csv", ".zip": "application/zip"}


async def _body(headers: Headers, receive: Receive, most: int, within_s: float) -> bytes | None:
    """The whole body; None where it is longer than `most` [bytes] or does not come."""
    length = headers.get("content-length", "0")
    if not length.isascii() or not length.isdigit() or len(length) > 12 or int(length) > most:
        return None
    parts = bytearray()
    try:
        async with asyncio.timeout(within_s):
            while True:
                message = await receive()
                parts += message.get("body", b"")
                if len(parts) > most or message["type"] == "http.disconnect":
                    return None
                if not message.get("more_body"):
                    return bytes(parts)
    except TimeoutError:
        return None


def _replayed(body: bytes, receive: Receive) -> Receive:
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
