"""What every part of the API has in common: how it refuses, and how it looks things up."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Sequence
from datetime import datetime
from typing import Annotated, Any

from fastapi import Depends, Path
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from curewatch.intake.typed import not_future, parse_time
from curewatch.language import Words
from curewatch.records import GivenName, visible
from curewatch.records.errors import Field
from curewatch.store import Transaction
from curewatch.studio.forecasting.drying import Drying
from curewatch.views.base import Problem
from curewatch.views.corrections import id_of
from curewatch.views.logged import LoggedOut, Undo
from curewatch.web.access.bodies import BODY_MOST, LARGE_MOST
from curewatch.web.site import Here, Site

BASE = "/api/v1"
REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"model": Problem, "description": why}
    for status, why in {
        401: "A token is needed, or this one is not known",
        403: "The token's scope does not reach that far, or another site asked",
        404: "Nothing by that name is here",
        413: f"Longer than {BODY_MOST // 1024} kB ({LARGE_MOST // 2**20} MB for imports and photos)",
        415: "Not application/json (or text/csv, application/zip or a picture, where asked for)",
        421: "Asked for by a name that the settings do not list",
        422: "What was given cannot be; the error quotes it and says what is allowed",
        429: "This visitor waits for several costly answers already",
        503: "Too much is asked for just now (see Retry-After), or store, clock or materials cannot be relied on",
    }.items()
}
CSV: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/csv": {"schema": {"type": "string"}}}, "description": "Rows under a heading, in UTF-8"}
}
"""The answer of what is told as rows."""
ZIP: dict[int | str, dict[str, Any]] = {
    200: {
        "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
        "description": "A ZIP of CSV files (RFC 4180), in UTF-8",
    }
}
"""The answer of what is told as many tables."""


def as_csv(rows: Iterable[Sequence[object]]) -> Response:
    """Rows, the first of them the heading; what is not known is empty."""
    text = io.StringIO(newline="")
    shown = ([visible(cell) if isinstance(cell, str) else cell for cell in row] for row in rows)
    csv.writer(text, lineterminator="\n").writerows(shown)
    return Response(text.getvalue(), media_type="text/csv; charset=utf-8")


IN_PATH = "A name. Where it has a slash in it, and may read as another path, `id:` and its id, {}"


def room_named(site: Here, name: Annotated[str, Path(description=IN_PATH.format("which /names tells"))]) -> str:
    """The name, or that of the room with this id."""
    return _of_id(site, name, lambda tx: [room.name for room in tx.rooms()])


def recipe_named(site: Here, name: Annotated[GivenName, Path(description=IN_PATH.format("which /names tells"))]) -> str:
    """The name, or that of the recipe with this id."""
    return _of_id(site, name, lambda tx: [recipe.name for recipe in tx.recipes()])


def _of_id(site: Site, name: str, names: Callable[[Transaction], Iterable[str]]) -> str:
    number = name.removeprefix("id:")
    if number == name:
        return name
    with site.desk.store.read() as tx:
        return next((one for one in names(tx) if id_of(one) == number), name)


RoomName = Annotated[str, Depends(room_named)]
RecipeName = Annotated[str, Depends(recipe_named)]


def piece_named(site: Here, name: Annotated[str, Path(description=IN_PATH.format("which /board tells"))]) -> str:
    """The name; `id:17` is that of the piece with this id, for a name may have any slashes in it."""
    number = name.removeprefix("id:")
    if number == name or not (number.isascii() and number.isdecimal() and len(number) < 19):
        return name
    with site.desk.store.read() as tx:
        ids = [int(number)]
        for one in (*tx.pieces(ids=ids), *tx.pieces(gone=True, ids=ids)):
            if tx.piece(one.name) != one:
                raise HTTPException(404)  # it left, and another has its name now
            return one.name
    return name


PieceName = Annotated[str, Depends(piece_named)]


def require_piece(site: Site, piece: str, now: datetime) -> Drying:
    """404 where no piece of that name is here."""
    found = site.boards.look(now).dryings.get(piece)
    if found is None:
        raise HTTPException(404)
    return found


def require_room(site: Site, room: str) -> None:
    """404 where there is no room of that name."""
    with site.desk.store.read() as tx:
        if tx.room(room) is None:
            raise HTTPException(404)


def moment(site: Site, at: datetime | str | None, now: datetime) -> datetime:
    """When it was: as given, in words of the studio's zone too, else now. InputError where that is yet to come."""
    if isinstance(at, str):
        return min(
            not_future(parse_time(at, now=now, zone=site.desk.zone, field=Field.AT), now, field=Field.AT, given=at), now
        )
    return now if at is None else min(not_future(at, now, field=Field.AT), now)


def logged(
    site: Site,
    now: datetime,
    piece: str | None,
    notes: Sequence[Words] = (),
    done: str = "",
    of: tuple[object, ...] = (),
) -> LoggedOut:
    """The answer to whoever logged something, with what would take it back; the daemon looks again."""
    site.changed(now)
    return LoggedOut(
        piece=piece,
        notes=[site.desk.settings.studio_reader.read(one) for one in notes],
        undo=undo_of(done, of) if done else None,
    )


def undo_of(done: str, of: Iterable[object]) -> Undo:
    """What /undo takes to take that back."""
    return Undo.model_validate({"done": done, "of": [str(one) for one in of]})
