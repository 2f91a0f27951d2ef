"""The API of a piece, here or gone: its record, its air, what was found of it and done to it, and its way out."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from fastapi import APIRouter, Body, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from curewatch.desk.commands import aftercare, alarm_care, correcting, observing, pours
from curewatch.desk.commands.observing import keep_photo
from curewatch.desk.desk import limits_of
from curewatch.desk.reports.cure_record import CureRecord, PieceHistory, compared, cure_record_from, history, why
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.snapshot.pieces import seen_of
from curewatch.intake.files.photo import picture_of
from curewatch.intake.typed.pours import promise_told
from curewatch.records import Name
from curewatch.records.errors import InputError
from curewatch.records.workshop import PhotoKind, Promise
from curewatch.studio import wording
from curewatch.studio.board import SeriesLine, in_series
from curewatch.studio.diagnosis.drying_history import past_air
from curewatch.studio.diagnosis.mechanisms import Trouble
from curewatch.views.air import AirHadOut, CurveOut, LimitsOut, PieceAirOut, air_points, air_read_at, curve_points
from curewatch.views.base import At, local, said, tidy
from curewatch.views.board import SeriesOut
from curewatch.views.care import ObservationOut, PhotoOut, StepsOut
from curewatch.views.logged import LoggedOut
from curewatch.views.plan import AdviceOut
from curewatch.views.record import ComparedOut, FindingOut, LabelOut, PieceReportOut, RecordOut
from curewatch.web.access.bodies import IMAGES
from curewatch.web.api.answers import BASE, REFUSALS, PieceName, logged, moment, require_piece
from curewatch.web.api.requests import CorrectIn, FingerIn, GoneIn, MoveIn, ObservationIn, PromiseIn, StepIn, WeighingIn
from curewatch.web.pages.photos import picture
from curewatch.web.plots.curves import curve_of
from curewatch.web.plots.plot import thinned
from curewatch.web.scarce import costly
from curewatch.web.site import Acting, Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)
_BINARY = {"schema": {"type": "string", "format": "binary"}}
PICTURE = {"requestBody": {"required": True, "content": dict.fromkeys(IMAGES, _BINARY)}}
JPEG: dict[int | str, dict[str, Any]] = {200: {"content": {"image/jpeg": _BINARY}, "description": "At most 400 kB"}}
POINTS_MOST = 1000


@router.get("/pieces/{name:path}/record")
@costly
def record(site: Here, name: PieceName) -> RecordOut:
    """Its cure record, for whoever buys it or learns from it: of the piece here, else of the last one that left."""
    return RecordOut.of(_looked(site, name), site.desk.settings.tz)


@router.get("/pieces/{name:path}/why")
@costly
def why_so(site: Here, name: PieceName, trouble: Trouble) -> list[FindingOut]:
    """What may have gone wrong: each mechanism against the piece's own record, with its figure. No diagnosis."""
    return [FindingOut.of(one) for one in why(site.desk, _looked(site, name), trouble)]


@router.get("/pieces/{name:path}/air")
@costly
def air(site: Here, name: PieceName) -> PieceAirOut:
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
@costly
def curve(site: Here, name: PieceName) -> CurveOut:
    """How a piece that is here dries, past and foreseen: what is left in it, and how warm it lies."""
    now, tz = site.clock.now(), site.desk.settings.tz
    require_piece(site, name, now)
    report = piece_report(site.desk, name, now)
    drawn = curve_of(site, report, now)
    forecast = report.forecast
    reason = said(forecast.reason, tz) if forecast else "not forecast yet"
    return CurveOut(
        piece=name,
        forecast_at=local(forecast.made_at if forecast else None, tz),
        air_read_at=local(report.data_at, tz),
        reason=None if drawn is not None else reason or "the air it lay in is not known",
        cold_mfft_c=site.desk.settings.alarms.cold_mfft_c,
        points=[] if drawn is None else curve_points(drawn, report.drying.pour.at, tz),
    )


@router.get("/compare")
@costly
def compare(
    site: Here, one: Name, other: Annotated[Name | None, Query(description="Left out: one is a series")] = None
) -> ComparedOut:
    """Records side by side: of two pieces, or of the pieces of a series, first those that were poured otherwise."""
    try:
        found = compared(site.desk, one, other, site.clock.now())
    except InputError:
        raise HTTPException(404) from None
    return ComparedOut(pieces=[RecordOut.of(looked, site.desk.settings.tz) for looked in found])


@router.get("/series")
def series(site: Here) -> list[SeriesOut]:
    """The series of which several pieces are here, as the board has them."""
    now, tz = site.clock.now(), site.desk.settings.tz
    lines = in_series(site.boards.look(now).board(now).pieces)
    return [SeriesOut.of(one, tz) for one in lines if isinstance(one, SeriesLine)]


@router.get("/labels")
@costly
def labels(
    site: Here,
    room: Name | None = None,
    piece: Annotated[list[Name] | None, Query(max_length=100)] = None,
    series: Name | None = None,
) -> list[LabelOut]:
    """Of the pieces named, of a series, of a room, or of all that are here, those poured last first."""
    now, tz = site.clock.now(), site.desk.settings.tz
    for name in piece or ():
        require_piece(site, name, now)
    dryings = sorted(site.boards.look(now).snapshot.dryings, key=lambda drying: drying.pour.at, reverse=True)
    with site.desk.store.read() as tx:
        newest = {one.piece_id: one for one in tx.photos([drying.piece.id for drying in dryings])}
    return [
        LabelOut(
            piece=one.piece.name,
            poured_at=one.pour.at.astimezone(tz),
            recipe=one.pour.recipe,
            width_cm=None if one.pour.width_m is None else tidy(one.pour.width_m * 100),
            height_cm=None if one.pour.height_m is None else tidy(one.pour.height_m * 100),
            round=one.pour.round,
            code=site.sessions.label_code(one.piece.id),
            link=site.link_to(one),
            photo=PhotoOut.of(newest[one.piece.id], tz) if one.piece.id in newest else None,
        )
        for one in dryings
        if room in (None, one.room) and (not piece or one.piece.name in piece) and series in (None, one.piece.series)
    ]


def _history(site: Site, name: PieceName, now: datetime) -> PieceHistory:
    """404 where no piece bears that name or bore it."""
    try:
        return history(site.desk, name, now)
    except InputError:
        raise HTTPException(404) from None


def _looked(site: Site, name: PieceName) -> CureRecord:
    now = site.clock.now()
    return cure_record_from(site.desk, _history(site, name, now), now)


@router.get("/pieces/{name:path}/observations")
def observations(site: Here, name: PieceName) -> list[ObservationOut]:
    """What a finger, a scale or a thermometer found of it, in the order of time."""
    drying = require_piece(site, name, site.clock.now())
    with site.desk.store.read() as tx:
        return [ObservationOut.of(one, site.desk.settings.tz) for one in seen_of(tx, drying.piece.id)]


@router.post("/pieces/{name:path}/observations", status_code=201)
def observe(site: Here, desk: Acting, name: PieceName, found: Annotated[ObservationIn, Body()]) -> LoggedOut:
    """The dates of this piece, and of later pours of its recipe and at its place, follow."""
    now = site.clock.now()
    require_piece(site, name, now)
    at, desk = moment(site, found.at, now), desk.used_by(found.by)
    if isinstance(found, FingerIn):
        observed = observing.feel(desk, name, found.finger, at, now, found.spot)
    elif isinstance(found, WeighingIn):
        observed = observing.weigh(desk, name, found.grams, found.resolution_g, at, now)
    else:
        observed = observing.surface(desk, name, found.surface_c, at, now)
    return logged(site, now, name, wording.notes(observed.remarks), "found", (name, observed.observation.id))


@router.get("/pieces/{name:path}/photos")
def photos(site: Here, name: PieceName) -> list[PhotoOut]:
    """Its photos, by when they were taken."""
    drying = require_piece(site, name, site.clock.now())
    with site.desk.store.read() as tx:
        return [PhotoOut.of(one, site.desk.settings.tz) for one in tx.photos([drying.piece.id])]


@router.post("/pieces/{name:path}/photo", status_code=201, openapi_extra=PICTURE)
async def take_photo(
    request: Request,
    site: Here,
    name: PieceName,
    kind: PhotoKind | None = None,
    at: Annotated[At | None, Query()] = None,
) -> LoggedOut:
    """Keep a photo (JPEG, PNG or WebP), made small and without place and camera; `kind` left out: as its stage is."""
    return await run_in_threadpool(_keep, site, name, await request.body(), kind, at)


def _keep(site: Site, name: str, content: bytes, kind: PhotoKind | None, at: datetime | None) -> LoggedOut:
    now = site.clock.now()
    require_piece(site, name, now)
    made = picture_of(content, "the body")
    taken_at = moment(site, at, now)
    kept = keep_photo(site.desk, name, made.jpeg, (made.width_px, made.height_px), kind, taken_at, now)
    return logged(site, now, name, (), "photo", (name, kept.photo.id))


@router.get("/photos/{photo_id}.jpg", response_class=Response, responses=JPEG)
def photo(site: Here, photo_id: int) -> Response:
    """A photo, as it is kept."""
    return picture(site, photo_id)


@router.get("/pieces/{name:path}/steps")
def steps(site: Here, name: PieceName) -> StepsOut:
    """What is still to be done to it, from when, in what air, with what caution."""
    now = site.clock.now()
    require_piece(site, name, now)
    return StepsOut.of(aftercare.steps(site.desk, name, now), now, site.desk.settings.tz)


@router.post("/pieces/{name:path}/steps", status_code=201)
def step_done(site: Here, desk: Acting, name: PieceName, step: StepIn) -> LoggedOut:
    """Write down that a step was done."""
    now = site.clock.now()
    require_piece(site, name, now)
    at = moment(site, step.at, now)
    noted = aftercare.done(desk.used_by(step.by), name, step.step, at, now, anyway=step.anyway)
    return logged(site, now, name, wording.notes(noted.remarks), "step", (name, noted.step.id))


@router.get("/pieces/{name:path}/advice")
@costly
def advice(site: Here, name: PieceName) -> list[AdviceOut]:
    """What a warmer or drier room or a fan would do to it from now on; empty where its air is not known."""
    now = site.clock.now()
    require_piece(site, name, now)
    return [AdviceOut.of(one) for one in site.advised(piece_report(site.desk, name, now), None, now)[1]]


@router.post("/pieces/{name:path}/cleared")
def cleared(site: Here, name: PieceName) -> LoggedOut:
    """A person has looked it over: what harm stood against it no longer does."""
    now = site.clock.now()
    require_piece(site, name, now)
    alarm_care.clear_damage(site.desk, name, now)
    return logged(site, now, name, done="cleared", of=(name,))


@router.post("/pieces/{name:path}/promise", status_code=201)
def promise(site: Here, desk: Acting, name: PieceName, promise: PromiseIn) -> LoggedOut:
    """By when the piece, or each of the series, of that name is to be ready; you are told if that is at risk."""
    now = site.clock.now()
    told = promise_told(promise.due, promise.occasion if promise.due else None, promise.ready if promise.due else None,
                        now, desk.zone)  # fmt: skip
    with site.desk.store.read() as tx:
        if name not in {known for piece in tx.pieces() for known in (piece.name, piece.series)}:
            raise HTTPException(404)
    off = Promise(piece_id=0, due_at=None, logged_at=now)
    pours.promise(desk.used_by(promise.by), name, off if told is None else told, now)
    return logged(site, now, name, done="promise", of=(name, now.astimezone(UTC).isoformat()))


@router.post("/pieces/{name:path}/move")
def move(site: Here, name: PieceName, to: MoveIn) -> LoggedOut:
    """The piece lies somewhere else from then on."""
    now = site.clock.now()
    require_piece(site, name, now)
    moved = pours.move(site.desk, name, to.room, to.place, now, to.air_m_s, at=moment(site, to.at, now), new=to.new)
    return logged(site, now, name, wording.notes(moved.remarks), "move", (name,))


@router.post("/pieces/{name:path}/correct")
def correct(site: Here, name: PieceName, change: CorrectIn) -> LoggedOut:
    """Put right what was logged of its pour; tests and steps stay with it, its dates follow.

    The answer names it as it is called now.
    """
    now = site.clock.now()
    require_piece(site, name, now)
    done = correcting.correct(
        site.desk, name, change.change(None if change.at is None else moment(site, change.at, now)), now
    )
    return logged(site, now, done.piece.name, wording.notes(done.remarks), "correct", (done.correction.id,))


@router.post("/pieces/{name:path}/delete")
def delete(site: Here, name: PieceName) -> LoggedOut:
    """It was never poured: it goes, and what was found of it teaches nothing."""
    now = site.clock.now()
    require_piece(site, name, now)
    return logged(site, now, name, done="delete", of=(correcting.delete(site.desk, name, now).correction.id,))


@router.post("/pieces/{name:path}/gone")
def gone(site: Here, name: PieceName, when: Annotated[GoneIn | None, Body()] = None) -> LoggedOut:
    """The piece has left the studio; its name and its place are free."""
    now = site.clock.now()
    require_piece(site, name, now)
    at = None if when is None or when.at is None else moment(site, when.at, now)
    left = pours.leave(site.desk, name, now, at=at).piece
    return logged(site, now, name, done="gone", of=(left.id if left else 0,))


@router.get("/pieces/{name:path}")
def piece(site: Here, name: PieceName) -> PieceReportOut:
    """One piece with its pour."""
    now = site.clock.now()
    require_piece(site, name, now)
    return PieceReportOut.of_report(piece_report(site.desk, name, now), now, site.desk.settings.tz)
