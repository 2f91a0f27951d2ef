"""What programs fetch: the calendar by its private link, and the metrics."""

from __future__ import annotations

import hashlib

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from curewatch.web.access.tokens import TokenKind
from curewatch.web.feeds.calendar import feed
from curewatch.web.feeds.metrics import exposition
from curewatch.web.part_web_site import Here, Site

router = APIRouter(include_in_schema=False)


@router.get("/calendar/{secret}.ics")
def by_link(request: Request, site: Here, secret: str) -> Response:
    """For calendars, which can bring nothing but an address. Whoever has the link sees the dates and no more."""
    token = site.tokens.known(secret)
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
    made = feed(site.desk.store, site.boards.look(now), kinds, site.settings.shown_address, site.words(now))
    tag = f'"{hashlib.sha256(made).hexdigest()[:32]}"'
    headers = {"etag": tag, "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(made, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get("/metrics")
def metrics(request: Request, site: Here) -> Response:
    now = site.clock.now()
    accept = request.headers.get("accept", "")
    text, content_type = exposition(site.desk.store, site.boards.look(now), now, accept)
    return Response(text, headers={"content-type": content_type})
