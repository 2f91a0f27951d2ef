"""The JSON API, version 1: the same facts and dates as the pages. Its description is /api/v1/openapi.json.

On this machine it is open as the page is; where there is a password, a program brings a token of scope read, record
or admin: `Authorization: Bearer …`. What it sends is application/json, which no form of another site can be.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, Query
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException

from curewatch import __version__
from curewatch.desk import FactError, moves
from curewatch.intake.typed import not_future
from curewatch.records import Reading, Recipe
from curewatch.web.api_models import (
    AlarmOut,
    At,
    BoardOut,
    Error,
    LoggedOut,
    MoveIn,
    NoticeOut,
    PieceReportOut,
    PourIn,
    ReadingIn,
    ReadingOut,
    RoomOut,
)
from curewatch.web.site import Here

BASE = "/api/v1"
READINGS_MOST = 20_000
DAY = timedelta(days=1)
_REFUSALS: dict[int | str, dict[str, Any]] = {
    401: {"model": Error, "description": "A token is needed, or this one is not known"},
    403: {"model": Error, "description": "The token's scope does not reach that far, or another site asked"},
    404: {"model": Error, "description": "Nothing by that name is here"},
    413: {"model": Error, "description": "Longer than 64 kB"},
    415: {"model": Error, "description": "Not application/json"},
    421: {"model": Error, "description": "Asked for by a name that the settings do not list"},
    422: {"model": Error, "description": "What was given cannot be; the error quotes it and says what is allowed"},
    503: {"model": Error, "description": "The store did not answer; nothing was stored"},
}

router = APIRouter(prefix=BASE, responses=_REFUSALS)


@router.get("/board")
def board(site: Here) -> BoardOut:
    """Every piece with its milestones, every room with the age of its data, and active alarms."""
    now = site.clock.now()
    return BoardOut.of(site.boards.look(now).board(now), site.desk.settings.tz)


@router.get("/pieces/{name:path}")
def piece(site: Here, name: str) -> PieceReportOut:
    """One piece with its pour."""
    now = site.clock.now()
    if name not in site.boards.look(now).dryings:
        raise HTTPException(404)
    return PieceReportOut.of_report(site.desk.piece(name, now), site.desk.settings.tz)


@router.get("/rooms")
def rooms(site: Here) -> list[RoomOut]:
    now = site.clock.now()
    return [RoomOut.of(line, now, site.desk.settings.tz) for line in site.boards.look(now).rooms]


@router.get("/rooms/{name:path}/readings")
def readings(
    site: Here, name: str, since: Annotated[At | None, Query()] = None, until: Annotated[At | None, Query()] = None
) -> list[ReadingOut]:
    """The newest readings of a room, oldest first; left out, `since` is a day before `until`, and that is now."""
    now, tz = site.clock.now(), site.desk.settings.tz
    until = until or now
    with site.desk.store.read() as tx:
        if tx.room(name) is None:
            raise HTTPException(404)
        found = tx.readings(name, since=since or until - DAY, until=until)
    return [
        ReadingOut(
            at=one.at.astimezone(tz),
            temp_c=one.temp_c,
            rh_pct=one.rh_pct,
            source=one.source,
            battery_pct=one.battery_pct,
        )
        for one in found[-READINGS_MOST:]
    ]


@router.get("/alarms")
def alarms(site: Here) -> list[AlarmOut]:
    """Active alarms, the newest first."""
    now = site.clock.now()
    return [AlarmOut.of(one, site.desk.settings.tz) for one in site.boards.look(now).board(now).alarms]


@router.get("/notices")
def notices(site: Here, limit: Annotated[int, Query(ge=1, le=1000)] = 100) -> list[NoticeOut]:
    """What people were told, the newest first."""
    tz = site.desk.settings.tz
    with site.desk.store.read() as tx:
        found = tx.notices(limit=limit)
    return [
        NoticeOut(
            key=one.key,
            kind=one.kind,
            created_at=one.created_at.astimezone(tz),
            title=one.title,
            text=one.text,
            urgent=one.urgent,
        )
        for one in found
    ]


@router.get("/recipes")
def recipes(site: Here) -> list[Recipe]:
    with site.desk.store.read() as tx:
        return tx.recipes()


@router.post("/pours", status_code=201)
def log_pour(site: Here, pour: PourIn) -> LoggedOut:
    """A new piece with its pour."""
    now = site.clock.now()
    at = now if pour.at is None else min(not_future(pour.at, now, field="at"), now)
    if (pour.width_cm is None) != (pour.height_cm is None):
        raise FactError("width_cm and height_cm", "one of them", "both, or neither")
    logged = site.desk.log_pour(pour.order(at), now)
    site.changed(now)
    return LoggedOut(piece=pour.name, notes=list(logged.notes))


@router.post("/readings", status_code=201)
def log_reading(site: Here, reading: ReadingIn) -> LoggedOut:
    """What a person or a program read of a room. Stored as typed; sensors speak through the broker."""
    now = site.clock.now()
    at = now if reading.at is None else min(not_future(reading.at, now, field="at"), now)
    read = Reading(room=reading.room, at=at, temp_c=reading.temp_c, rh_pct=reading.rh_pct, received_at=now)
    logged = site.desk.log_reading(read)
    site.changed(now)
    return LoggedOut(piece=None, notes=list(logged.notes))


@router.post("/pieces/{name:path}/move")
def move(site: Here, name: str, to: MoveIn) -> LoggedOut:
    """The piece lies somewhere else from now on."""
    now = site.clock.now()
    if name not in site.boards.look(now).dryings:
        raise HTTPException(404)
    logged = moves.move(site.desk, name, to.room, to.place, now)
    site.changed(now)
    return LoggedOut(piece=name, notes=list(logged.notes))


@router.post("/pieces/{name:path}/gone")
def gone(site: Here, name: str) -> LoggedOut:
    """The piece has left the studio; its name and its place are free."""
    now = site.clock.now()
    if name not in site.boards.look(now).dryings:
        raise HTTPException(404)
    moves.leave(site.desk, name, now)
    site.changed(now)
    return LoggedOut(piece=name, notes=[])


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document, with the way a token is brought."""
    made = get_openapi(title="curewatch", version=__version__, description=(__doc__ or "").strip(), routes=app.routes)
    made["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    made["security"] = [{}, {"token": []}]
    return made
