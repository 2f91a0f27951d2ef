"""What programs fetch and follow: the calendar by its private link, the metrics, live updates of the board."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse, Response, StreamingResponse
from starlette.exceptions import HTTPException
from starlette.types import Receive, Scope, Send

from curewatch.records.access import TokenKind
from curewatch.settings import SettingsError
from curewatch.store import StoreError
from curewatch.web.feeds.calendar import feed
from curewatch.web.feeds.metrics import exposition
from curewatch.web.site import Here, Site, visitor_of

router = APIRouter(include_in_schema=False)
LOOK_EVERY_S = 2.0
SAY_SOMETHING_EVERY = 5
"""Looks between signs of life, which keep the line open too."""
HEED_END_EVERY_S = 0.5
"""How soon a stream ends with the server: well before the server would cut it."""


@router.get("/events")
async def events(request: Request, site: Here, since: str | None = None) -> Response:
    """`since`: the mark of the page that listens: what came while it was on its way is told at once."""
    return _Stream(request, site, since)


class _Stream(StreamingResponse):
    """Has its place among the streams for as long as it is answered, whether or not anybody takes it."""

    def __init__(self, request: Request, site: Site, since: str | None) -> None:
        headers = {"x-accel-buffering": "no"}
        super().__init__(_changes(request, site, since), media_type="text/event-stream", headers=headers)
        self._place = site.streams.one_more(visitor_of(request))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        with self._place:
            await super().__call__(scope, receive, send)


async def _changes(request: Request, site: Site, since: str | None) -> AsyncIterator[str]:
    yield "retry: 5000\n\n"
    known, looks = await _version_of_board(site) if since is None else since, 0
    while await _until_next_look(site) and not await request.is_disconnected():
        looks += 1
        mark = await _version_of_board(site)
        if mark is not None and mark != known:
            known = mark
            yield "event: changed\ndata: board\n\n"
        if looks % SAY_SOMETHING_EVERY == 0:
            if not await asyncio.to_thread(_still_in, request, site):
                return
            late = site.late
            yield f"event: here\ndata: {late.timestamp() if late else ''}\n\n"


async def _version_of_board(site: Site) -> str | None:
    """Looked up once for all who listen; None while the store does not answer."""
    return await site.streams.looked_up(site.boards.mark, LOOK_EVERY_S / 2)


def _still_in(request: Request, site: Site) -> bool:
    """Whether the session that listens has not been ended meanwhile."""
    session = visitor_of(request).session
    try:
        return session is None or site.sessions.known(session.cookie, site.clock.now()) is not None
    except (StoreError, SettingsError):
        return True  # nobody can say; what is told here is only that there is something to ask for


async def _until_next_look(site: Site) -> bool:
    """Wait; False as soon as the server is about to end."""
    for _ in range(round(LOOK_EVERY_S / HEED_END_EVERY_S)):
        if site.ending.is_set():
            return False
        await asyncio.sleep(HEED_END_EVERY_S)
    return not site.ending.is_set()


@router.get("/healthz")
def health(site: Here) -> Response:
    """For whoever watches the watcher: whether looks move on, and nothing else."""
    site.desk.store.require_same()
    if (late := site.late) is None:
        return PlainTextResponse("ok\n")
    return PlainTextResponse(f"late: nothing was done since {late:%Y-%m-%dT%H:%M:%SZ}\n", 503)


@router.get("/calendar/{secret}.ics")
def by_link(request: Request, site: Here, secret: str) -> Response:
    """For calendars, which can bring nothing but an address. Whoever has the link sees the dates and no more."""
    token = site.tokens.known(secret, site.clock.now())
    if token is None or token.kind is not TokenKind.CALENDAR:
        raise HTTPException(404)
    return _calendar(request, site)


@router.get("/calendar.ics")
def calendar(request: Request, site: Here) -> Response:
    """For whoever may read the page anyway."""
    return _calendar(request, site)


def _calendar(request: Request, site: Site) -> Response:
    now = site.clock.now()
    kinds = site.desk.settings.notices.milestones
    mail = site.desk.settings.mail
    sender = mail.sender if mail else None
    made = feed(site.desk.store, site.boards.look(now), kinds, site.settings.reached_at, site.own_words(now), sender)
    tag = f'"{hashlib.sha256(made).hexdigest()[:32]}"'
    headers = {"etag": tag, "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(made, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get("/metrics")
def metrics(request: Request, site: Here) -> Response:
    now = site.clock.now()
    text, content_type = exposition(site, now, request.headers.get("accept", ""))
    return Response(text, headers={"content-type": content_type})
