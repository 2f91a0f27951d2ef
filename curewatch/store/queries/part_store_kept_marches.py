"""Kept marches: derived states from which forecasts go on, one row a piece."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from sqlalchemy import ColumnElement, bindparam, delete, insert, literal, select, update

from curewatch.records.part_records_kept import Checkpoint
from curewatch.store import tables
from curewatch.store.part_store_kept_tables import checkpoints
from curewatch.store.queries.base import Rows

_AT_ONCE = 500
"""Pieces asked for in one query: databases bound the number of parameters."""


class Checkpoints(Rows):
    """The states of pieces' members as of a whole hour, which may be dropped and are rebuilt."""

    def put_checkpoints(self, kept: Iterable[Checkpoint]) -> None:
        """Make these the kept marches of their pieces."""
        rows = [one.model_dump() for one in kept]
        if not rows:
            return
        pieces = [row["piece_id"] for row in rows]
        for some in _in_parts(pieces):
            gone = delete(checkpoints).where(checkpoints.c.piece_id.in_(some))
            self._execute(gone, given=pieces)
        self._execute(insert(checkpoints), rows, given=pieces)

    def checkpoints(self, piece_ids: Collection[int], *, centres_only: bool = False) -> dict[int, Checkpoint]:
        """By piece, what is kept of it; with `centres_only` the members, which are most of it, are left out."""
        columns: list[ColumnElement[Any]] = [
            column for column in checkpoints.c if not (centres_only and column.name == "members")
        ]
        if centres_only:
            columns.append(literal(b"").label("members"))
        found: dict[int, Checkpoint] = {}
        for some in _in_parts(sorted(piece_ids)):
            query = select(*columns).where(checkpoints.c.piece_id.in_(some))
            for row in self._connection.execute(query).mappings():
                found[row["piece_id"]] = Checkpoint(**row)
        return found

    def expect(self, expected_s: Mapping[int, tuple[float | None, ...]]) -> None:
        """By piece, when its kept central film is now foreseen to reach each milestone [s from the pour]."""
        if not expected_s:
            return
        rows = [{"of_piece": piece, "expected": dates} for piece, dates in expected_s.items()]
        change = (
            update(checkpoints)
            .where(checkpoints.c.piece_id == bindparam("of_piece"))
            .values(expected_s=bindparam("expected"))
        )
        self._execute(change, rows, given=list(expected_s))

    def trim_checkpoints(self) -> None:
        """Forget those of pieces that have gone: nothing goes on from them."""
        gone = select(tables.pieces.c.id).where(tables.pieces.c.gone_at.is_not(None))
        self._execute(delete(checkpoints).where(checkpoints.c.piece_id.in_(gone)), given="kept marches")

    def drop_kept_marches(self) -> None:
        """Forget them all; they are derived, and the next forecasts are made from the facts alone."""
        self._execute(delete(checkpoints), given="kept marches")


def _in_parts(ids: list[int]) -> list[list[int]]:
    return [ids[i : i + _AT_ONCE] for i in range(0, len(ids), _AT_ONCE)]
