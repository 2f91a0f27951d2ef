"""The API of the whole studio: plans, what was learned, and everything out and in again, as JSON or as tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC
from tempfile import SpooledTemporaryFile
from typing import IO, Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response, StreamingResponse

from curewatch.desk.commands.readings import import_readings, room_called
from curewatch.desk.reports.room import free_places
from curewatch.desk.snapshot import pieces as reports_learned
from curewatch.desk.transfer import exporting, importing
from curewatch.intake.files.export_file import facts_in_tables
from curewatch.intake.files.export_json import facts_in_json
from curewatch.intake.files.logger_csv import Layout, LoggerCsv
from curewatch.intake.typed.pours import PLANNED, pour_orders
from curewatch.intake.typed.wet_thickness import of_metres, sides
from curewatch.language import phrase
from curewatch.records import WET_THICKNESS_RANGE_M, GivenName, MilestoneKind, Support, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.views.base import At, View
from curewatch.views.care import BeliefOut
from curewatch.views.plan import PlanOut
from curewatch.web.api.answers import BASE, REFUSALS, ZIP
from curewatch.web.scarce import costly
from curewatch.web.site import AHEAD_MOST, Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)

HELD_MOST, PIECE = 16 * 1024 * 1024, 64 * 1024
"""Of tables, this much is held in memory and the rest on the disk; so much of it is sent at a time [bytes]."""
TABLES = {
    "requestBody": {
        "required": True, "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}}
    }
}  # fmt: skip
WHOLE: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {"application/json": {"schema": {"type": "object", "additionalProperties": True}}},
        "description": "One object, a fact a line",
    }
}
OBJECT = {
    "requestBody": {
        "required": True,
        "content": {"application/json": {"schema": {"type": "object", "additionalProperties": True}}},
    }
}
ROWS = {"requestBody": {"required": True, "content": {"text/csv": {"schema": {"type": "string"}}}}}


class TakenIn(View):
    taken_in: dict[str, int]


class RowsIn(View):
    rows: int
    new: int
    in_the_future: int
    empty: int


@router.get("/plan")
@costly
def plan(
    site: Here,
    room: GivenName,
    due: At,
    wet_thickness_mm: Annotated[float, Query(ge=WET_THICKNESS_RANGE_M[0] * 1e3, le=WET_THICKNESS_RANGE_M[1] * 1e3)],
    pieces: Annotated[int, Query(ge=1, le=1000)] = 1,
    ready: Annotated[Literal["handle", "varnish_ready"], Query()] = "handle",
    recipe: GivenName | None = None,
    back: Support = Support.CANVAS,
    width_cm: Annotated[float | None, Query(ge=2, le=500)] = None,
    height_cm: Annotated[float | None, Query(ge=2, le=500)] = None,
    disc: Annotated[bool, Query(alias="round", description="Then both sides are its diameter")] = False,
) -> PlanOut:
    """The latest moment to pour so that pieces are ready by `due`, in the room as it usually is and changed."""
    now = site.clock.now()
    if due - now > AHEAD_MOST:
        raise InputError(
            Field.DUE, due.isoformat(), phrase("a moment within the next {days} days", days=AHEAD_MOST.days)
        )
    film = of_metres(wet_thickness_mm / 1e3, ThicknessSource.GAUGE, sides(width_cm, height_cm, disc))
    (order,) = pour_orders([PLANNED], film, room, now, recipe=recipe, support=back)
    made = site.planned(order, due, pieces, MilestoneKind(ready), now)
    return PlanOut.of(made, free_places(site.desk, room), site.desk.settings.tz)


@router.get("/learned")
def learned(site: Here) -> list[BeliefOut]:
    """What has come to be believed of recipes and places, and from what."""
    return [BeliefOut.of(one) for one in reports_learned.what_was_learned(site.desk)]


@router.get("/export", responses=WHOLE, response_class=StreamingResponse)
@costly
def export(site: Here) -> Response:
    """Everything that is known, readings included: /import makes the same studio of it. Scope admin."""

    def write(file: IO[bytes]) -> None:
        file.writelines(piece.encode() for piece in exporting.as_json(site.desk))

    return _made(write, "application/json")


@router.post("/import", status_code=201, openapi_extra=OBJECT)
def import_all(request: Request, site: Here) -> TakenIn:
    """A whole export into a store that is still empty, all or nothing. Scope admin."""
    return _taken_in(site, facts_in_json, request.state.body)


@router.get("/export.zip", responses=ZIP, response_class=StreamingResponse)
@costly
def export_tables(site: Here) -> Response:
    """The same as a ZIP of CSV files, one a kind of fact: /import.zip takes it. Scope admin."""
    return _made(lambda file: exporting.write_tables(site.desk, site.clock.now(), file), "application/zip")


def _made(write: Callable[[IO[bytes]], object], media_type: str) -> Response:
    """What is written, whole before the answer begins: it may fail."""
    with ExitStack() as held:
        made = held.enter_context(SpooledTemporaryFile(HELD_MOST))
        write(made)
        length = {"content-length": str(made.tell())}
        made.seek(0)
        held.pop_all()
    return StreamingResponse(_pieces(made), media_type=media_type, headers=length)


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(PIECE):
            yield piece


@router.post("/import.zip", status_code=201, openapi_extra=TABLES)
def import_tables(request: Request, site: Here) -> TakenIn:
    """As /import, of what /export.zip gave; a spreadsheet may have been at its files. Scope admin."""
    return _taken_in(site, facts_in_tables, request.state.body)


def _taken_in(site: Site, read: Callable[[IO[bytes], str], importing.ExportedFacts], body: IO[bytes]) -> TakenIn:
    now = site.clock.now()
    importing.require_empty(site.desk)
    counts = importing.import_facts(site.desk, read(body, "the body"))
    site.changed(now)
    return TakenIn(taken_in=counts)


@router.post("/readings.csv", status_code=201, openapi_extra=ROWS)
def import_rows(request: Request, site: Here, room: GivenName, source: GivenName = "logger") -> RowsIn:
    """A logger's record as a room's history, as `curewatch import-readings` takes it. Scope admin.

    Columns time_utc (ISO 8601), temp_c and rh_pct. What is stored already stays as it is.
    """
    now, body, room = site.clock.now(), request.state.body, room_called(site.desk, room, new=True)
    with LoggerCsv(body, Layout(zone=UTC), name="the body", room=room, source=source, now=now) as record:
        found = record.contents
        new = import_readings(site.desk, room, record.readings(), found.first_at)
    site.changed(now)
    return RowsIn(rows=found.rows, new=new, in_the_future=found.ahead, empty=found.empty)
