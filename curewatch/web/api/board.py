"""The JSON API, version 1: the same facts and dates as the pages. Its description is /api/v1/openapi.json.

On this machine it is open as the page is; where there is a password, a program brings a token of scope read, record
or admin: `Authorization: Bearer …`. What it sends is application/json, which no form of another site can be. Whatever
is logged is answered with an `undo`, which /undo takes as it is.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from functools import partial
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.responses import Response

from curewatch import __version__
from curewatch.desk.commands import readings
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.mixing import density_of
from curewatch.intake.typed.pours import promise_told
from curewatch.records import Reading
from curewatch.studio import wording
from curewatch.views.board import BoardOut, board_rows
from curewatch.views.logged import LoggedBefore, LoggedOut, Undo
from curewatch.web.api.answers import BASE, CSV, REFUSALS, as_csv, logged, moment
from curewatch.web.api.requests import PourIn, ReadingIn
from curewatch.web.pages.logged import take_back, to_undo
from curewatch.web.problems import PROBLEM
from curewatch.web.site import Acting, Here

router = APIRouter(prefix=BASE, responses=REFUSALS)


@router.get("/board")
def board(site: Here) -> BoardOut:
    """Every piece with its milestones, every room with the age of its data, and active alarms."""
    now = site.clock.now()
    return BoardOut.of(site.boards.look(now).board(now), site.desk.settings.tz)


@router.get("/board.csv", responses=CSV)
def board_as_rows(site: Here) -> Response:
    """Every piece with its dates, one a row: early is 10 %, even 50 %, safe 90 %."""
    now, tz = site.clock.now(), site.desk.settings.tz
    return as_csv(board_rows(site.boards.look(now).board(now), tz))


@router.post("/pours", status_code=201)
def log_pour(site: Here, desk: Acting, pour: PourIn) -> LoggedOut:
    """A new piece with its pour, or a series of them; the answer names the first."""
    now = site.clock.now()
    at = moment(site, pour.at, now)
    promise = promise_told(pour.due, pour.occasion, pour.ready, now, desk.zone)
    orders = [replace(one, promise=promise) for one in pour.orders(at, partial(density_of, site.desk))]
    poured = log_pours(desk.used_by(pour.by), orders, now)
    pieces = [one.piece for one in poured if one.piece is not None]
    notes = wording.notes(remark for one in poured for remark in one.remarks)
    return logged(site, now, pieces[0].name, notes, "pour", tuple(piece.id for piece in pieces))


@router.post("/readings", status_code=201)
def log_reading(site: Here, desk: Acting, reading: ReadingIn) -> LoggedOut:
    """What a person or a program read of a room. Stored as typed; sensors speak through the broker."""
    now = site.clock.now()
    at = moment(site, reading.at, now)
    read = Reading(room=reading.room, at=at, temp_c=reading.temp_c, rh_pct=reading.rh_pct, received_at=now)
    stored = readings.log_reading(desk.used_by(reading.by), read, new=reading.new)
    return logged(
        site, now, None, wording.notes(stored.remarks), "reading", (stored.room, at.astimezone(UTC).isoformat())
    )


@router.get("/logged")
def logged_of_late(site: Here) -> list[LoggedBefore]:
    """What people logged lately that can still be taken back, the newest first."""
    tz = site.desk.settings.tz
    return [
        LoggedBefore(
            at=one.at.astimezone(tz),
            text=one.what.text,
            undo=Undo.model_validate({"done": one.what.done, "of": one.what.of}),
        )
        for one in to_undo(site.desk, site.clock.now())
    ]


@router.post("/undo")
def undo(site: Here, undo: Undo) -> LoggedOut:
    """Take back what was logged, as its answer said, for a day from when it was logged, whatever time it bears.

    A step only while it is the piece's last, a pour only while nothing was found of the piece or done to it.
    """
    now = site.clock.now()
    take_back(site, undo.done, undo.of, now)
    return LoggedOut(piece=None, notes=["taken back"], undo=None)


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document, with the way a token is brought."""
    made = get_openapi(title="curewatch", version=__version__, description=(__doc__ or "").strip(), routes=app.routes)
    for path, ways in made["paths"].items():
        for way in ways.values():
            for status, answer in way["responses"].items():
                if int(status) >= 400 and "content" in answer:
                    answer["content"] = {PROBLEM: answer["content"]["application/json"]}
        if path.endswith((".csv", ".zip")) and "get" in ways:  # rows, but refusals are JSON as everywhere
            ways["get"]["responses"]["200"]["content"].pop("application/json", None)
    made["components"]["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
    made["security"] = [{}, {"token": []}]
    if prefix := app.state.site.settings.prefix:
        made["servers"] = [{"url": prefix}]
    return made
