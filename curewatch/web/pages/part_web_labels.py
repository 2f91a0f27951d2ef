"""Labels for the backs of canvases, each with a code that opens its piece's page.

The code says nothing of the piece: it is made from the piece's number with the store's own key, so a label may hang
in a gallery, and it still finds its piece after the piece has been renamed or has left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated
from urllib.parse import quote

import segno
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from starlette.exceptions import HTTPException

from curewatch.desk.reports.cure_record import history_of
from curewatch.desk.reports.part_desk_looking_back import cure_record_from
from curewatch.studio.forecasting.forecast import Drying
from curewatch.web.pages.part_web_record_page import show_record
from curewatch.web.part_web_site import Here, Site, page
from curewatch.web.texts import size

router = APIRouter(include_in_schema=False)

MOST = 40
"""Labels on one sheet."""


@dataclass(frozen=True)
class Label:
    drying: Drying
    qr: Markup
    link: str
    size: str


@router.get("/labels")
def labels(
    request: Request, site: Here, room: str = "", piece: Annotated[list[int] | None, Query()] = None
) -> HTMLResponse:
    """A sheet: of the pieces asked for, of a room, or of all."""
    now = site.clock.now()
    kept = site.boards.look(now)
    chosen = [
        drying
        for drying in sorted(kept.snapshot.dryings, key=lambda drying: drying.pour.at, reverse=True)
        if (not room or drying.room == room) and (not piece or drying.piece.id in piece)
    ]
    made = [_label(site, drying) for drying in chosen[:MOST]]
    return page(request, "labels.html", now, labels=made, left_out=len(chosen) - len(made), rooms=kept.rooms, room=room)


@router.get("/p/{code}")
def opened(request: Request, site: Here, code: str) -> Response:
    """What a phone's camera opens: the piece's page; of one that has left, its record, which says so."""
    now = site.clock.now()
    for drying in site.boards.look(now).snapshot.dryings:
        if site.sessions.label_code(drying.piece.id) == code:
            return RedirectResponse(f"/piece/{quote(drying.piece.name, safe='')}", 303)
    with site.desk.store.read() as tx:
        gone = next((one for one in tx.pieces(gone=True) if site.sessions.label_code(one.id) == code), None)
        if gone is None or not tx.pours([gone.id]):  # without its pour: taken back, it never was
            raise HTTPException(404)
        found = history_of(tx, gone, now)
    return show_record(request, site, cure_record_from(site.desk, found, now), now)


def link_to(site: Site, drying: Drying) -> str:
    """What its code says."""
    return f"{site.settings.shown_address}/p/{site.sessions.label_code(drying.piece.id)}"


def _label(site: Site, drying: Drying) -> Label:
    link = link_to(site, drying)
    svg = segno.make(link, error="m", micro=False).svg_inline(omitsize=True, svgclass="qr", lineclass=None, border=2)
    return Label(
        drying, Markup(svg), link, size(drying.pour)
    )  # drawn by segno from our own address, nothing of it is typed
