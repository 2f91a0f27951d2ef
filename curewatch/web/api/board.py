"""The board, a pour, a reading, and what of the things logged lately is taken back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from functools import partial

from fastapi import APIRouter
from fastapi.responses import Response

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
