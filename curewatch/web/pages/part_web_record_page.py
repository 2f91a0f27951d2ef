"""A piece's cure record, to print on one page and keep: of a piece that is here, and of one that has left."""

from __future__ import annotations

from datetime import datetime

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from curewatch.desk.reports.part_desk_looking_back import CureRecord, cure_record_of
from curewatch.web.pages.record import record_view
from curewatch.web.part_web_site import Here, Site, page
from curewatch.web.plots import piece_plots

router = APIRouter(include_in_schema=False)


@router.get("/record/{name:path}")
def record(request: Request, site: Here, name: str) -> HTMLResponse:
    """Of the piece of that name that is here, else of the last one that left."""
    now = site.clock.now()
    return show_record(request, site, cure_record_of(site.desk, name, now), now)


def show_record(request: Request, site: Site, looked: CureRecord, now: datetime) -> HTMLResponse:
    words, found = site.words(now), looked.history
    air = piece_plots.record_air(found, site.desk.settings.alarms, words)
    return page(request, "record.html", now, record=record_view(looked, words), found=found, air=air)
