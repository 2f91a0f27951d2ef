# By itself: setting up is no part of any other page.
"""Setting up: from a demo to one's own studio."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException

from curewatch.store import Store
from curewatch.web.site import Here, Site, Typed, Upkeep, page

router = APIRouter(include_in_schema=False)


@router.get("/setup")
def overview(request: Request, site: Here) -> HTMLResponse:
    return page(request, "setup.html", site.clock.now(), upkeep=site.upkeep)


@router.post("/setup/begin")
def begin(site: Here, form: Typed) -> Response:
    """One's own studio, empty: from now on it is the one that is watched."""
    Store.open(_upkeep(site).own).close()
    _upkeep(site).again()
    return RedirectResponse("/setup", 303)


def _upkeep(site: Site) -> Upkeep:
    if site.upkeep is None:
        raise HTTPException(404)
    return site.upkeep
