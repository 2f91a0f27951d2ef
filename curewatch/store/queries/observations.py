"""Observations of pieces, what is to be forgotten, and the lessons drawn from them (derived)."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import delete, insert, select

from curewatch.records.observations import Forgetting, Observation
from curewatch.store import part_store_observed_tables
from curewatch.store.queries.base import Rows


class Observations(Rows):
    """Facts: observations and forgettings. Derived: lessons, one a piece, which may be deleted and are drawn again."""

    def add_observation(self, observation: Observation) -> Observation:
        """Store it; it comes back with its id. FactRefused: unknown piece."""
        row = observation.model_dump(exclude={"id"})
        key = self._execute(
            insert(part_store_observed_tables.observations), row, given=observation
        ).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return observation.model_copy(update={"id": key[0]})

    def observations(self, piece_ids: Collection[int] | None = None) -> list[Observation]:
        """Observations of these pieces (None: of all), by piece and time."""
        seen = part_store_observed_tables.observations.c
        query = select(part_store_observed_tables.observations).order_by(seen.piece_id, seen.at, seen.id)
        if piece_ids is not None:
            query = query.where(seen.piece_id.in_(piece_ids))
        return [Observation(**row) for row in self._connection.execute(query).mappings()]

    def undo_observation(self, observation_id: int) -> int:
        """It was never so; the number of rows that are gone."""
        gone = delete(part_store_observed_tables.observations).where(
            part_store_observed_tables.observations.c.id == observation_id
        )
        return self._execute(gone, given=observation_id).rowcount

    def put_forgetting(self, forgetting: Forgetting) -> None:
        """Insert it, or replace an earlier one of the same recipe or place."""
        self._put(
            part_store_observed_tables.forgettings, forgetting.model_dump(), ["subject", "name"], given=forgetting
        )

    def forgettings(self) -> list[Forgetting]:
        found = self._connection.execute(
            select(part_store_observed_tables.forgettings).order_by(part_store_observed_tables.forgettings.c.name)
        )
        return [Forgetting(**row) for row in found.mappings()]

    def lessons(self) -> dict[int, tuple[str, Any]]:
        """By piece, the fingerprint of what its lesson was drawn from, and the lesson as JSON."""
        found = self._connection.execute(select(part_store_observed_tables.lessons)).mappings()
        return {row["piece_id"]: (row["fingerprint"], row["data"]) for row in found}

    def put_lessons(self, lessons: Mapping[int, tuple[str, Any]]) -> None:
        """Replace all lessons by these."""
        self._execute(delete(part_store_observed_tables.lessons), given="lessons")
        rows = [{"piece_id": piece, "fingerprint": mark, "data": data} for piece, (mark, data) in lessons.items()]
        if rows:
            self._execute(insert(part_store_observed_tables.lessons), rows, given=rows)
