"""Corrections: what was logged wrong and is put right. A correction is a fact itself: what was, what is, and when."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from curewatch.records.facts import Moment, Name, Record


class CorrectionKind(StrEnum):
    POUR = "pour"
    """Something of a piece and its pour was another."""
    DELETED = "deleted"
    """The piece was never poured."""
    RENAMED = "renamed"
    MERGED = "merged"
    """Two names were one and the same."""
    REMOVED = "removed"
    """The name is offered no more."""


class Naming(StrEnum):
    """What bears a name that pieces and readings are told by."""

    ROOM = "room"
    PLACE = "place"
    RECIPE = "recipe"


class Correction(Record):
    """One correction, of a piece (`piece_id`) or of a name (`naming`). `id` is given by the store."""

    id: int = 0
    kind: CorrectionKind
    logged_at: Moment
    name: Name
    """Of what was corrected, as it was called until then."""
    piece_id: int | None = None
    naming: Naming | None = None
    room: Name | None = None
    """Of a place."""
    to: Name | None = None
    """What it is called since then, or a part of which."""


JsonText = Annotated[str, Field(min_length=2, max_length=100_000)]


class Change(Record):
    """One row that a correction changed, each side as a JSON object: its key with the columns that became others, or
    all of a row that is new or gone."""

    correction_id: int
    number: int
    """Counts the changes of one correction, in the order they were made."""
    table: Name
    was: JsonText | None = None
    """None: there was no such row."""
    now: JsonText | None = None
    """None: there is no such row any more."""
