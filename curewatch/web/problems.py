"""How the API refuses: a problem as RFC 9457 describes it, naming fields by their keys in what is sent."""

from __future__ import annotations

import json
from http import HTTPStatus

from starlette.responses import Response

from curewatch.records.errors import Field, InputError, said
from curewatch.views.base import Fault, Problem

PROBLEM = "application/problem+json"
KEYS = {
    Field.AIR: "air_m_s",
    Field.FILE: "body",
    Field.FORGET: "name",
    Field.HUMIDITY: "rh_pct",
    Field.INTO: "to",
    Field.PART: "parts",
    Field.POURED: "poured_ml",
    Field.RAN_OFF: "ran_off_ml",
    Field.RESOLUTION: "resolution_g",
    Field.SHOWS: "kind",
    Field.SIZE: "width_cm and height_cm",
    Field.SUPPORT: "back",
    Field.TEMPERATURE: "temp_c",
    Field.WET_THICKNESS: "wet_thickness_mm",
}
"""What a field is called in what is sent, where that is not its own name."""


RENAMED = {413: "Content Too Large", 422: "Unprocessable Content"}
"""As RFC 9110 calls them, and Python only from 3.13 on."""


def problem(status: int, detail: str, error: InputError | None = None, faults: list[Fault] | None = None) -> Response:
    """Why, in a sentence; of an `error` its parts too, of a malformed request every fault."""
    field = given = allowed = None
    if error is not None:
        field, allowed = said(error.field, key_of), said(error.allowed, key_of)
        given = error.given if error.given is None or isinstance(error.given, str) else repr(error.given)
    made = Problem(
        title=RENAMED.get(status, HTTPStatus(status).phrase), status=status, detail=detail,
        field=field, given=given, allowed=allowed, errors=faults,
    )  # fmt: skip
    # in ASCII: what was given may hold half a letter, which UTF-8 does not
    return Response(json.dumps(made.model_dump(exclude_none=True)), status, media_type=PROBLEM)


def key_of(field: Field) -> str:
    return KEYS.get(field, field)
