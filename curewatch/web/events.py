"""Live updates: one server-sent event whenever the board may have changed. The page then fetches itself anew."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from curewatch.store import StoreError
from curewatch.web.site import Here, Site

router = APIRouter(include_in_schema=False)

LOOK_EVERY_S = 2.0
SAY_SOMETHING_EVERY = 10
"""Looks between comments that keep the line open."""


@router.get("/events")
async def events(request: Request, site: Here) -> StreamingResponse:
    headers = {"x-accel-buffering": "no"}
    return StreamingResponse(_changes(request, site), media_type="text/event-stream", headers=headers)


async def _changes(request: Request, site: Site) -> AsyncIterator[str]:
    yield "retry: 5000\n\n"
    known, looks = await asyncio.to_thread(site.boards.mark), 0
    while not await request.is_disconnected():
        await asyncio.sleep(LOOK_EVERY_S)
        looks += 1
        try:
            mark = await asyncio.to_thread(site.boards.mark)
        except StoreError:
            continue
        if mark != known:
            known = mark
            yield "event: changed\ndata: board\n\n"
        elif looks % SAY_SOMETHING_EVERY == 0:
            yield ": still here\n\n"
