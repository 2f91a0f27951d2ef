"""The API of what became of a piece, here or gone: its record, its air, what may have gone wrong; and its label."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.exceptions import HTTPException

from curewatch.desk import FactError
from curewatch.desk.reports.cure_record import PieceHistory, history
from curewatch.desk.reports.learned import seen_of
from curewatch.desk.reports.part_desk_looking_back import CureRecord, cure_record_from, why
from curewatch.desk.reports.part_desk_piece_air import piece_air
from curewatch.desk.snapshot.snapshot import limits_of
from curewatch.records import Name
from curewatch.studio.diagnosis.mechanisms import Trouble
from curewatch.studio.diagnosis.part_studio_past_air import past_air
from curewatch.views.air import CurveOut, LimitsOut, PieceAirOut, air_points, air_read_at, curve_points
from curewatch.views.board import View, local, tidy
from curewatch.views.record import AirHadOut, ComparedOut, FindingOut, RecordOut
from curewatch.web.api.answers import BASE, REFUSALS, require_piece
from curewatch.web.pages.part_web_labels import link_to
from curewatch.web.pages.part_web_piece_page import curve_of
from curewatch.web.part_web_site import Here, Site
from curewatch.web.plots.plot import thinned

router = APIRouter(prefix=BASE, responses=REFUSALS)

POINTS_MOST = 1000


class LabelOut(View):
    """What stands on a label; its code says nothing of the piece, and finds it after it has left too."""

    piece: str
    poured_at: datetime
    recipe: str
    width_cm: float | None
    height_cm: float | None
    round: bool
    code: str
    link: str


@router.get("/pieces/{name:path}/record")
def record(site: Here, name: str) -> RecordOut:
    """Its cure record, for whoever buys it or learns from it: of the piece here, else of the last one that left."""
    return _record(site, _looked(site, name))


@router.get("/pieces/{name:path}/why")
def why_so(site: Here, name: str, trouble: Trouble) -> list[FindingOut]:
    """What may have gone wrong: each mechanism against the piece's own record, with its figure. No diagnosis."""
    return [FindingOut.of(one) for one in why(site.desk, _looked(site, name), trouble)]


@router.get("/pieces/{name:path}/air")
def air(site: Here, name: str) -> PieceAirOut:
    """The air it has had, with the limits of the alarms; more than a thousand points are told as means."""
    now, tz = site.clock.now(), site.desk.settings.tz
    found = _history(site, name, now)
    drying, limits = found.drying, site.desk.settings.alarms
    end = min(now, drying.piece.gone_at or now)
    came_to = past_air(drying, found.climates, end, limits_of(site.desk.settings))
    points, known = [], drying.air(found.climates)
    if came_to is not None and known is not None:
        kept = known[0] <= came_to.ends_at.timestamp()
        points = air_points(*thinned(*(column[kept] for column in known), most=POINTS_MOST), tz=tz)
    return PieceAirOut(
        piece=name,
        read_at=air_read_at(found, tz),
        limits=LimitsOut.of(limits),
        came_to=AirHadOut.of(came_to, tz),
        points=points,
    )


@router.get("/pieces/{name:path}/curve")
def curve(site: Here, name: str) -> CurveOut:
    """How a piece that is here dries, past and foreseen: what is left in it, and how warm it lies."""
    now, tz = site.clock.now(), site.desk.settings.tz
    require_piece(site, name, now)
    report = site.desk.piece(name, now)
    drawn = curve_of(site, report, piece_air(site.desk, report.drying, now), now)
    forecast = report.forecast
    reason = forecast.reason if forecast else "not forecast yet"
    return CurveOut(
        piece=name,
        forecast_at=local(forecast.made_at if forecast else None, tz),
        air_read_at=local(report.data_at, tz),
        reason=None if drawn is not None else reason or "the air it lay in is not known",
        cold_mfft_c=site.desk.settings.alarms.cold_mfft_c,
        points=[] if drawn is None else curve_points(drawn, report.drying.pour.at, tz),
    )


@router.get("/compare")
def compare(site: Here, one: Name, other: Name) -> ComparedOut:
    """Two pieces' records side by side."""
    return ComparedOut(pieces=[_record(site, _looked(site, name)) for name in (one, other)])


@router.get("/labels")
def labels(
    site: Here, room: Name | None = None, piece: Annotated[list[Name] | None, Query(max_length=100)] = None
) -> list[LabelOut]:
    """Of the pieces named, of a room, or of all that are here, those poured last first."""
    now, tz = site.clock.now(), site.desk.settings.tz
    for name in piece or ():
        require_piece(site, name, now)
    dryings = sorted(site.boards.look(now).snapshot.dryings, key=lambda drying: drying.pour.at, reverse=True)
    return [
        LabelOut(
            piece=one.piece.name,
            poured_at=one.pour.at.astimezone(tz),
            recipe=one.pour.recipe,
            width_cm=None if one.pour.width_m is None else tidy(one.pour.width_m * 100),
            height_cm=None if one.pour.height_m is None else tidy(one.pour.height_m * 100),
            round=one.pour.round,
            code=site.sessions.label_code(one.piece.id),
            link=link_to(site, one),
        )
        for one in dryings
        if (room is None or one.room == room) and (not piece or one.piece.name in piece)
    ]


def _history(site: Site, name: str, now: datetime) -> PieceHistory:
    """404 where no piece bears that name or bore it."""
    try:
        return history(site.desk, name, now)
    except FactError:
        raise HTTPException(404) from None


def _looked(site: Site, name: str) -> CureRecord:
    now = site.clock.now()
    return cure_record_from(site.desk, _history(site, name, now), now)


def _record(site: Site, looked: CureRecord) -> RecordOut:
    seen = seen_of(site.desk, looked.history.drying.piece.id)
    return RecordOut.of(looked, seen, site.desk.settings.tz)
