"""A piece's cure record to print, and the labels whose code opens it."""

from __future__ import annotations

from collections.abc import Sequence
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
from curewatch.studio.alarms.damage import length_and_what
from curewatch.studio.diagnosis.drying_history import PastAir
from curewatch.studio.diagnosis.mechanisms import THICKNESS_FROM
from curewatch.studio.forecasting.drying import Drying
from curewatch.web.pages.logged import HOW, finding
from curewatch.web.plots.air_plots import piece_air
from curewatch.web.site import Here, Site, page
from curewatch.web.texts import FIT, Words, number, size

HONESTY = (
    "Dates of drying are estimates by a model of the film in the air as it was read, not measurements; what a person "
    "found by touch or scale stands under “Found by hand”. This record is no guarantee and no test report."
)
Pair = tuple[str, str]


@dataclass(frozen=True)
class RecordView:
    """Everything on the sheet; pairs are a heading and what stands beside it."""

    facts: tuple[Pair, ...]
    milestones: tuple[tuple[str, str, str, str], ...]
    """Name, and the dates of 10, 50 and 90 %."""
    air: tuple[Pair, ...]
    found: tuple[Pair, ...]
    steps: tuple[Pair, ...]
    harm: tuple[Pair, ...]
    left_at: str | None
    written_at: str
    honesty: str = HONESTY


def record_view(looked: CureRecord, words: Words) -> RecordView:
    def date(at: datetime | None) -> str:
        return "not foreseen" if at is None else f"{words.local(at):%-d %b %Y, %H:%M}"

    found = looked.history
    gone_at, forecast = found.drying.piece.gone_at, found.forecast
    return RecordView(
        facts=tuple(_facts(looked, date(found.drying.pour.at))),
        milestones=tuple(
            (FIT[m.kind], date(m.early_at), date(m.worth_checking_at), date(m.safe_at))
            for m in (forecast.milestones if forecast else ())
        ),
        air=(*_air("While it dried", looked.wet_air), *_air("Since the pour", looked.whole_air)),
        found=tuple((date(one.at), f"{HOW[one.kind.value]}: {finding(one)}") for one in looked.observations),
        steps=tuple(
            (date(one.done_at), f"{one.step}{' (before its safe date)' if one.too_early else ''}")
            for one in looked.steps
        ),
        harm=tuple(
            (one.kind.value, f"{length_and_what(one)}, film down to {number(one.worst_c, 1)} °C"
             f"{', looked over since' if one.cleared_at else ', not looked over yet'}")
            for one in found.damages
        ),
        left_at=None if gone_at is None else date(gone_at),
        written_at=date(looked.now),
    )  # fmt: skip


def _facts(looked: CureRecord, poured: str) -> Sequence[Pair]:
    drying, trace = looked.history.drying, looked.trace
    pour, recipe = drying.pour, drying.recipe
    told = [
        ("Poured", poured),
        ("Film", f"{pour.wet_thickness_m * 1e3:.2g} mm wet, {THICKNESS_FROM[pour.thickness_source]}"),
        ("On", ", ".join(filter(None, (pour.support.value, size(pour))))),
        ("Mix", f"{recipe.name}: {recipe.solids:.0%} solids{'' if recipe.stated else ' (assumed)'}, "
                f"{'with' if pour.silicone else 'without'} silicone"),
        ("Dried in", ", then ".join(dict.fromkeys(stay.room for stay in drying.stays))),
    ]  # fmt: skip
    if trace is not None and trace.gap_h is not None and trace.usual_gap_h is not None:
        told.append(
            ("Skin before core", f"{trace.gap_h:.0f} h (estimate); usual for this film {trace.usual_gap_h:.0f} h")
        )
    return told


def _air(heading: str, past: PastAir | None) -> Sequence[Pair]:
    if past is None:
        return ((heading, "its room was not read"),)
    t, rh = past.temp_c, past.rh_pct
    said = (
        f"{t.mean:.1f} °C ({t.least:.1f} to {t.most:.1f}), {rh.mean:.0f} % humidity ({rh.least:.0f} to {rh.most:.0f})"
    )
    out = {"too cold": past.cold_h, "too damp": past.damp_h, "too warm": past.hot_h, "too dry": past.dry_h}
    beyond = [f"{hours:.0f} h {word}" for word, hours in out.items() if hours >= 0.5]
    said += f"; {', '.join(beyond)}" if beyond else "; never out of range"
    if past.unread_h >= 0.5:
        said += f"; {past.unread_h:.0f} h of it unread, straight lines fill in"
    return ((heading, said),)


router = APIRouter(include_in_schema=False)


@router.get("/record/{name:path}")
def record(request: Request, site: Here, name: str) -> HTMLResponse:
    """Of the piece of that name that is here, else of the last one that left."""
    now = site.clock.now()
    return show_record(request, site, cure_record_of(site.desk, name, now), now)


def show_record(request: Request, site: Site, looked: CureRecord, now: datetime) -> HTMLResponse:
    words, found = site.words(now), looked.history
    air = piece_air(found.drying, found.climates, site.desk.settings.alarms, words)
    return page(request, "record.html", now, record=record_view(looked, words), found=found, air=air)


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


def _label(site: Site, drying: Drying) -> Label:
    link = site.link_to(drying)
    svg = segno.make(link, error="m", micro=False).svg_inline(omitsize=True, svgclass="qr", lineclass=None, border=2)
    return Label(
        drying, Markup(svg), link, size(drying.pour)
    )  # drawn by segno from our own address, nothing of it is typed
