"""Live updates: one server-sent event whenever the board may have changed. The page then fetches itself anew."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from curewatch.store import StoreError
from curewatch.web.part_web_site import Here, Site

router = APIRouter(include_in_schema=False)

LOOK_EVERY_S = 2.0
SAY_SOMETHING_EVERY = 10
"""Looks between comments that keep the line open."""
HEED_END_EVERY_S = 0.5
"""How soon a stream ends with the server: well before the server would cut it."""


@router.get("/events")
async def events(request: Request, site: Here, since: str | None = None) -> StreamingResponse:
    """`since`: the mark of the page that listens: what came while it was on its way is told at once."""
    headers = {"x-accel-buffering": "no"}
    return StreamingResponse(_changes(request, site, since), media_type="text/event-stream", headers=headers)


async def _changes(request: Request, site: Site, since: str | None) -> AsyncIterator[str]:
    yield "retry: 5000\n\n"
    known, looks = await _version_of_board(site) if since is None else since, 0
    while await _until_next_look(site) and not await request.is_disconnected():
        looks += 1
        mark = await _version_of_board(site)
        if mark is None:
            continue
        if mark != known:
            known = mark
            yield "event: changed\ndata: board\n\n"
        elif looks % SAY_SOMETHING_EVERY == 0:
            yield ": still here\n\n"


async def _version_of_board(site: Site) -> str | None:
    """None while the store does not answer."""
    try:
        return await asyncio.to_thread(site.boards.mark)
    except StoreError:
        return None


async def _until_next_look(site: Site) -> bool:
    """Wait; False as soon as the server is about to end."""
    for _ in range(round(LOOK_EVERY_S / HEED_END_EVERY_S)):
        if site.ending.is_set():
            return False
        await asyncio.sleep(HEED_END_EVERY_S)
    return not site.ending.is_set()
