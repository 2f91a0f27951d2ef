# By itself: what a device asks for that works out of reach, beside the pages that people open.
"""What a device needs to show the last seen pages and to keep what is typed while the studio is out of reach."""

from __future__ import annotations

from importlib.resources import files

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.exceptions import HTTPException

from curewatch.web.access.certificates import authority_of
from curewatch.web.site import Here, page, visitor_of

router = APIRouter(include_in_schema=False)


@router.get("/token")
def form_token(request: Request) -> PlainTextResponse:
    """For a form that was typed long ago: the token that it is sent with."""
    return PlainTextResponse(visitor_of(request).form_token)


@router.get("/sw.js")
def worker(site: Here) -> Response:
    """The service worker: at the root of all the pages that it answers for."""
    held = (files("curewatch.web") / "static" / "sw.js").read_text(encoding="utf-8")
    scope = {"service-worker-allowed": f"{site.settings.prefix}/", "cache-control": "no-cache"}
    return Response(held, media_type="text/javascript; charset=utf-8", headers=scope)


@router.get("/manifest.webmanifest")
def manifest(site: Here) -> Response:
    """By which a phone puts the page among its apps (W3C, "Web Application Manifest")."""
    base = site.settings.prefix
    icon = {"src": f"{base}/static/icon.svg", "type": "image/svg+xml", "sizes": "any", "purpose": "any"}
    told = {
        "id": f"{base}/", "name": "curewatch", "start_url": f"{base}/", "scope": f"{base}/", "display": "standalone",
        "background_color": "#f6f7f7", "theme_color": "#f6f7f7", "icons": [icon],
    }  # fmt: skip
    return JSONResponse(told, media_type="application/manifest+json")


@router.get("/authority.crt")
def authority(site: Here) -> Response:
    """What a phone is to trust, before it trusts anything here: it is no secret."""
    if (made := authority_of(site.settings.certificate)) is None:
        raise HTTPException(404)
    named = {"content-disposition": 'attachment; filename="curewatch.crt"'}
    return Response(made.read_bytes(), media_type="application/x-x509-ca-cert", headers=named)


@router.get("/offline")
def out_of_reach(request: Request, site: Here) -> HTMLResponse:
    """What a device shows in place of a page that it has no copy of; kept by it beforehand."""
    return page(request, "offline.html", site.clock.now())
