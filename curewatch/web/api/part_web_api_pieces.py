"""The API of one piece: what was found of it and done to it, what would help it, and its way out."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body
from starlette.exceptions import HTTPException

from curewatch.desk.commands import aftercare, alarm_care, moves, observing
from curewatch.desk.reports.learned import seen_of
from curewatch.views.board import GoneIn, LoggedOut, MoveIn
from curewatch.views.care import AdviceOut, FingerIn, ObservationIn, ObservationOut, StepIn, StepsOut, WeighingIn
from curewatch.views.record import PieceReportOut
from curewatch.web.api.answers import BASE, REFUSALS, logged, moment, require_piece
from curewatch.web.part_web_site import Here

router = APIRouter(prefix=BASE, responses=REFUSALS)


@router.get("/pieces/{name:path}/observations")
def observations(site: Here, name: str) -> list[ObservationOut]:
    """What a finger, a scale or a thermometer found of it, in the order of time."""
    drying = site.boards.look(site.clock.now()).dryings.get(name)
    if drying is None:
        raise HTTPException(404)
    return [ObservationOut.of(one, site.desk.settings.tz) for one in seen_of(site.desk, drying.piece.id)]


@router.post("/pieces/{name:path}/observations", status_code=201)
def observe(site: Here, name: str, found: Annotated[ObservationIn, Body()]) -> LoggedOut:
    """The dates of this piece, and of later pours of its recipe and at its place, follow."""
    now = site.clock.now()
    require_piece(site, name, now)
    at = moment(found.at, now)
    if isinstance(found, FingerIn):
        observed = observing.feel(site.desk, name, found.finger, at, now)
    elif isinstance(found, WeighingIn):
        observed = observing.weigh(site.desk, name, found.grams, found.resolution_g, at, now)
    else:
        observed = observing.surface(site.desk, name, found.surface_c, at, now)
    return logged(site, now, name, observed.notes, "found", (name, observed.observation.id))


@router.get("/pieces/{name:path}/steps")
def steps(site: Here, name: str) -> StepsOut:
    """What is still to be done to it, from when, in what air, with what caution."""
    now = site.clock.now()
    require_piece(site, name, now)
    return StepsOut.of(aftercare.steps(site.desk, name, now), now, site.desk.settings.tz)


@router.post("/pieces/{name:path}/steps", status_code=201)
def step_done(site: Here, name: str, step: StepIn) -> LoggedOut:
    """Write down that a step was done."""
    now = site.clock.now()
    require_piece(site, name, now)
    noted = aftercare.done(site.desk, name, step.step, moment(step.at, now), now, anyway=step.anyway)
    return logged(site, now, name, noted.notes, "step", (name, noted.step.id))


@router.get("/pieces/{name:path}/advice")
def advice(site: Here, name: str) -> list[AdviceOut]:
    """What a warmer or drier room or a fan would do to it from now on; empty where its air is not known."""
    now = site.clock.now()
    drying = site.boards.look(now).dryings.get(name)
    if drying is None:
        raise HTTPException(404)
    return [AdviceOut.of(one) for one in site.advised(drying, now)[1]]


@router.post("/pieces/{name:path}/cleared")
def cleared(site: Here, name: str) -> LoggedOut:
    """A person has looked it over: what harm stood against it no longer does."""
    now = site.clock.now()
    require_piece(site, name, now)
    alarm_care.clear_damage(site.desk, name, now)
    return logged(site, now, name, done="cleared", of=(name,))


@router.post("/pieces/{name:path}/move")
def move(site: Here, name: str, to: MoveIn) -> LoggedOut:
    """The piece lies somewhere else from then on."""
    now = site.clock.now()
    require_piece(site, name, now)
    moved = moves.move(site.desk, name, to.room, to.place, now, to.air_m_s, at=moment(to.at, now))
    return logged(site, now, name, moved.notes, "move", (name,))


@router.post("/pieces/{name:path}/gone")
def gone(site: Here, name: str, when: Annotated[GoneIn | None, Body()] = None) -> LoggedOut:
    """The piece has left the studio; its name and its place are free."""
    now = site.clock.now()
    require_piece(site, name, now)
    at = None if when is None or when.at is None else moment(when.at, now)
    left = moves.leave(site.desk, name, now, at=at).piece
    return logged(site, now, name, done="gone", of=(left.id if left else 0,))


@router.get("/pieces/{name:path}")
def piece(site: Here, name: str) -> PieceReportOut:
    """One piece with its pour."""
    now = site.clock.now()
    require_piece(site, name, now)
    return PieceReportOut.of_report(site.desk.piece(name, now), site.desk.settings.tz)
