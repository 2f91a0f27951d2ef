"""Rooms, recipes, pieces, stays and pours."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import insert, select, update

from curewatch.records import Piece, Pour, Recipe, Room, Stay
from curewatch.store import tables
from curewatch.store.errors import DuplicateName, FactRefused
from curewatch.store.queries.base import Rows
from curewatch.store.queries.corrections import DELETED


class Facts(Rows):
    """What people said about rooms, mixes and pieces. Names are compared exactly."""

    def rooms(self, *, removed: bool = False) -> list[Room]:
        """All rooms, by name; with `removed` those too that are offered no more."""
        rooms = tables.rooms.c
        query = select(tables.rooms).order_by(rooms.name)
        found = self._connection.execute(query if removed else query.where(rooms.removed_at.is_(None)))
        return [Room(**row) for row in found.mappings()]

    def room(self, name: str) -> Room | None:
        """The room of that name, unless it was removed."""
        rooms = tables.rooms.c
        query = select(tables.rooms).where(rooms.name == name, rooms.removed_at.is_(None))
        row = self._connection.execute(query).mappings().one_or_none()
        return None if row is None else Room(**row)

    def add_room(self, room: Room) -> None:
        """Make the room known, once more if it was removed; nothing happens if it is."""
        self._put(tables.rooms, room.model_dump(), ["name"], given=room)

    def recipes(self, *, removed: bool = False) -> list[Recipe]:
        """All recipes, by name; with `removed` those too that are offered no more."""
        recipes = tables.recipes.c
        query = select(tables.recipes).order_by(recipes.name)
        found = self._connection.execute(query if removed else query.where(recipes.removed_at.is_(None)))
        return [Recipe(**row) for row in found.mappings()]

    def recipe(self, name: str) -> Recipe | None:
        """The recipe of that name, unless it was removed."""
        recipes = tables.recipes.c
        query = select(tables.recipes).where(recipes.name == name, recipes.removed_at.is_(None))
        row = self._connection.execute(query).mappings().one_or_none()
        return None if row is None else Recipe(**row)

    def put_recipe(self, recipe: Recipe) -> None:
        """Insert the recipe, or replace the one of that name."""
        self._put(tables.recipes, recipe.model_dump(), ["name"], given=recipe)

    def add_piece(self, name: str, created_at: datetime, series: str | None = None) -> Piece:
        """A new piece (of a series), with the id the store gives it.

        Raises DuplicateName if a piece that is not gone bears the name. (Writers take turns, so the look before the
        insert cannot be overtaken; the unique index is there for whoever writes past this code.)
        """
        nobody = Piece(
            id=0, name=name, created_at=created_at, series=series
        )  # the record's own checks, before anything is written
        self._refuse_taken(name)
        row = nobody.model_dump(include={"name", "created_at", "series"})
        inserted = self._execute(insert(tables.pieces), row, given=row)
        key = inserted.inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return nobody.model_copy(update={"id": key[0]})

    def piece(self, name: str) -> Piece | None:
        """The piece of that name that is still here; else the one that went last; else None."""
        pieces = tables.pieces.c
        found = self._connection.execute(
            select(tables.pieces)
            .where(pieces.name == name, pieces.id.not_in(DELETED))
            .order_by(pieces.gone_at.is_not(None), pieces.gone_at.desc(), pieces.id.desc())
            .limit(1)
        )
        row = found.mappings().one_or_none()
        return None if row is None else Piece(**row)

    def pieces(self, *, gone: bool = False, ids: Collection[int] | None = None, deleted: bool = False) -> list[Piece]:
        """The pieces (of these ids) that are still here (or, with `gone`, those that are not), oldest first.

        Those that were deleted are among the gone only where `deleted` asks for them.
        """
        pieces = tables.pieces.c
        wanted = pieces.gone_at.is_not(None) if gone else pieces.gone_at.is_(None)
        query = select(tables.pieces).where(wanted).order_by(pieces.id)
        if gone and not deleted:
            query = query.where(pieces.id.not_in(DELETED))
        found = self._connection.execute(query if ids is None else query.where(pieces.id.in_(ids)))
        return [Piece(**row) for row in found.mappings()]

    def set_gone(self, piece_id: int, at: datetime | None, *, logged_at: datetime | None = None) -> None:
        """The piece left at `at`, which was logged at `logged_at`; with None, it is here after all.

        Raises FactRefused for an unknown id, and DuplicateName if it comes back to find its name taken.
        """
        pieces = tables.pieces.c
        name = self._connection.scalar(select(pieces.name).where(pieces.id == piece_id))
        if name is None:
            raise FactRefused(f"there is no piece with id {piece_id}")
        if at is None:
            self._refuse_taken(name, by_other_than=piece_id)
        left = update(tables.pieces).where(pieces.id == piece_id).values(gone_at=at, gone_logged_at=logged_at)
        self._execute(left, given=(piece_id, at))

    def _refuse_taken(self, name: str, *, by_other_than: int = 0) -> None:
        pieces = tables.pieces.c
        taken = select(pieces.id).where(pieces.name == name, pieces.gone_at.is_(None), pieces.id != by_other_than)
        if self._connection.scalar(taken) is not None:
            raise DuplicateName(name)

    def add_stay(self, stay: Stay) -> None:
        """The piece is in a room from `since` on. FactRefused: unknown piece or room, or another stay from then on."""
        self._execute(insert(tables.stays), stay.model_dump(), given=stay)

    def stays(self, piece_ids: Collection[int] | None = None) -> list[Stay]:
        """Stays of these pieces (None: of all), ordered by piece and time."""
        stays = tables.stays.c
        query = select(tables.stays).order_by(stays.piece_id, stays.since)
        if piece_ids is not None:
            query = query.where(stays.piece_id.in_(piece_ids))
        return [Stay(**row) for row in self._connection.execute(query).mappings()]

    def add_pour(self, pour: Pour) -> None:
        """Paint went on the piece. FactRefused: unknown piece or recipe, or the piece already has its pour."""
        self._execute(insert(tables.pours), pour.model_dump(), given=pour)

    def pours(self, piece_ids: Collection[int] | None = None) -> list[Pour]:
        """Pours on these pieces (None: on all), ordered by piece."""
        pours = tables.pours.c
        query = select(tables.pours).order_by(pours.piece_id)
        if piece_ids is not None:
            query = query.where(pours.piece_id.in_(piece_ids))
        return [Pour(**row) for row in self._connection.execute(query).mappings()]
