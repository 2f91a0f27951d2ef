"""A piece's cure record to print, and the labels whose code opens it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated
from urllib.parse import quote

import segno
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from starlette.exceptions import HTTPException

from curewatch.desk.reports.cure_record import CureRecord, cure_record_from, cure_record_of, history_of
from curewatch.language import Message, phrase
from curewatch.records.workshop import Photo
from curewatch.settings.page import ALONE
from curewatch.studio import wording
from curewatch.studio.forecasting.drying import Drying
from curewatch.views import sheet
from curewatch.views.sheet import HONESTY
from curewatch.web.plots.curves import piece_air
from curewatch.web.scarce import costly
from curewatch.web.site import Here, Site, page
from curewatch.web.texts import Words, side_by_side


@dataclass(frozen=True)
class RecordView:
    """Everything on the sheet; pairs are a heading and what stands beside it."""

    facts: list[sheet.Pair]
    milestones: tuple[tuple[str, str, str, str, str, str], ...]
    """Name, and the dates of 10, 50 and 90 %; or when a finger found it reached; and why a date is missing."""
    air: list[sheet.Pair]
    found: list[sheet.Pair]
    steps: list[sheet.Pair]
    corrected: list[sheet.Pair]
    harm: list[sheet.Pair]
    left_at: str | None
    written_at: str
    honesty: Message = HONESTY


def record_view(looked: CureRecord, words: Words) -> RecordView:
    def date(at: datetime | None) -> str:
        if at is None:
            return words.reader.phrase("not foreseen")
        return f"{words.reader.day(at, weekday=False)}, {words.reader.time(at)}"

    found = looked.history
    gone_at, forecast, size = found.drying.piece.gone_at, found.forecast, words.size(found.drying.pour)
    return RecordView(
        facts=[
            *sheet.facts(looked, date),
            *([(phrase("Size"), size)] if size else []),
        ],
        milestones=tuple(
            (
                words.reader.read(wording.STAGES[m.kind]),
                date(m.early_at),
                date(m.worth_checking_at),
                words.reader.phrase("once found dry") if m.held else date(m.safe_at),
                date(m.found_at) if m.found_at else "",
                words.reader.read(m.reason or ""),
            )
            for m in (forecast.milestones if forecast else ())
        ),
        air=sheet.air(looked),
        found=sheet.found(looked, date),
        steps=sheet.done(looked, date),
        corrected=sheet.corrected(looked, date),
        harm=sheet.harm(looked),
        left_at=None if gone_at is None else date(gone_at),
        written_at=date(looked.now),
    )


router = APIRouter(include_in_schema=False)


@router.get("/record/{name:path}")
@costly
def record(request: Request, site: Here, name: str) -> HTMLResponse:
    """Of the piece of that name that is here, else of the last one that left."""
    now = site.clock.now()
    return show_record(request, site, cure_record_of(site.desk, name, now), now)


def show_record(request: Request, site: Site, looked: CureRecord, now: datetime) -> HTMLResponse:
    words, found = site.words(now), looked.history
    air = piece_air(found.drying, found.climates, site.desk.settings.alarms, words)
    return page(request, "record.html", now, record=record_view(looked, words), found=found, air=air,
                photos=side_by_side(found.photos))  # fmt: skip


MOST = 40
"""Labels on one sheet."""


SHEETS = {
    "": phrase("plain paper, cut along the dashes"),
    "a4-14": phrase("A4, 2 × 7 labels of 99.1 × 38.1 mm"),
    "a4-21": phrase("A4, 3 × 7 labels of 63.5 × 38.1 mm"),
    "a4-24": phrase("A4, 3 × 8 labels of 70 × 37 mm"),
    "letter-10": phrase("Letter, 2 × 5 labels of 4 × 2 in"),
    "letter-30": phrase("Letter, 3 × 10 labels of 2⅝ × 1 in"),
}
"""The sheets of labels that stationers have everywhere [common practice, no source]; their grids stand in page.css."""
USED_MOST = 29


@dataclass(frozen=True)
class Label:
    drying: Drying
    qr: Markup | None
    size: str
    poured: str
    mix: str
    photo: Photo | None
    """The newest one."""


@router.get("/labels")
@costly
def labels(
    request: Request,
    site: Here,
    room: str = "",
    piece: Annotated[list[int] | None, Query()] = None,
    series: str = "",
    grid: Annotated[str, Query(pattern=f"^({'|'.join(SHEETS)})$")] = "",
    used: Annotated[int, Query(ge=0, le=USED_MOST)] = 0,
) -> HTMLResponse:
    """A sheet: of the pieces asked for, of a series, of a room, or of all; the first `used` of it are gone already."""
    now = site.clock.now()
    kept = site.boards.look(now)
    chosen = [
        drying
        for drying in sorted(kept.snapshot.dryings, key=lambda drying: drying.pour.at, reverse=True)
        if (not room or drying.room == room)
        and (not piece or drying.piece.id in piece)
        and (not series or drying.piece.series == series)
    ]
    shown = chosen[: 100 if series else MOST]
    with site.desk.store.read() as tx:
        newest = {one.piece_id: one for one in tx.photos([drying.piece.id for drying in shown])}
    words = site.own_words(now)
    made = [_label(site, drying, newest.get(drying.piece.id), words) for drying in shown]
    alone = "" if site.settings.reached_at else ALONE
    left = len(chosen) - len(made)
    asked = {"piece": piece or [], "series": [series] if series else []}
    return page(
        request, "labels.html", now, alone=alone, gone=site.settings.gone_address, labels=made, left_out=left,
        rooms=kept.rooms, room=room, sheets=SHEETS, grid=grid, used=used, used_most=USED_MOST, asked=asked,
    )  # fmt: skip


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


def _label(site: Site, drying: Drying, photo: Photo | None, words: Words) -> Label:
    link = site.link_to(drying)
    code = segno.make(link, error="m", micro=False) if link else None
    drawn = None if code is None else Markup(code.svg_inline(omitsize=True, svgclass="qr", lineclass=None, border=2))
    poured, recipe = words.reader.day(drying.pour.at, weekday=False), drying.pour.recipe
    mix = words.reader.phrase("{recipe}, with silicone", recipe=recipe) if drying.pour.silicone else recipe
    return Label(
        drying, drawn, words.size(drying.pour), poured, mix, photo
    )  # drawn from our own address, nothing typed
