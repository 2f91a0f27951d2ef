"""Rooms, recipes, pieces, stays and pours; what people found of pieces and did to them: observations, mixes, paints,
tilts, photos, steps; and lessons, which are derived.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, update

from curewatch.records import Piece, Pour, Recipe, Room, Stay
from curewatch.records.facts import Forgetting, Observation
from curewatch.records.workshop import Paint, Photo, Promise, RecipeMix, StepDone, Tilt
from curewatch.store import tables, workshop_tables
from curewatch.store.errors import DuplicateName, FactRefused
from curewatch.store.queries.base import Rows
from curewatch.store.queries.corrections import DELETED


class Facts(Rows):
    """What people said about rooms, mixes and pieces. Names are compared exactly."""

    def rooms(self, *, removed: bool = False) -> list[Room]:
        """All rooms, by name; with `removed` those too that are offered no more."""
        rooms = tables.rooms.c
        query = select(tables.rooms).order_by(rooms.name)
        return self._records(Room, query if removed else query.where(rooms.removed_at.is_(None)))

    def room(self, name: str) -> Room | None:
        """The room of that name, unless it was removed."""
        rooms = tables.rooms.c
        query = select(tables.rooms).where(rooms.name == name, rooms.removed_at.is_(None))
        return self._record(Room, query)

    def add_room(self, room: Room) -> None:
        """Make the room known, once more if it was removed; nothing happens if it is."""
        self._put(tables.rooms, room.model_dump(), ["name"], given=room)

    def recipes(self, *, removed: bool = False) -> list[Recipe]:
        """All recipes, by name; with `removed` those too that are offered no more."""
        recipes = tables.recipes.c
        query = select(tables.recipes).order_by(recipes.name)
        return self._records(Recipe, query if removed else query.where(recipes.removed_at.is_(None)))

    def recipe(self, name: str) -> Recipe | None:
        """The recipe of that name, unless it was removed."""
        recipes = tables.recipes.c
        query = select(tables.recipes).where(recipes.name == name, recipes.removed_at.is_(None))
        return self._record(Recipe, query)

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
        return self._record(
            Piece,
            select(tables.pieces)
            .where(pieces.name == name, pieces.id.not_in(DELETED))
            .order_by(pieces.gone_at.is_not(None), pieces.gone_at.desc(), pieces.id.desc())
            .limit(1),
        )

    def pieces(self, *, gone: bool = False, ids: Collection[int] | None = None, deleted: bool = False) -> list[Piece]:
        """The pieces (of these ids) that are still here (or, with `gone`, those that are not), oldest first.

        Those that were deleted are among the gone only where `deleted` asks for them.
        """
        pieces = tables.pieces.c
        wanted = pieces.gone_at.is_not(None) if gone else pieces.gone_at.is_(None)
        query = select(tables.pieces).where(wanted).order_by(pieces.id)
        if gone and not deleted:
            query = query.where(pieces.id.not_in(DELETED))
        return self._records(Piece, query if ids is None else query.where(pieces.id.in_(ids)))

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
        return self._records(Stay, query, stays.piece_id, piece_ids)

    def add_pour(self, pour: Pour) -> None:
        """Paint went on the piece. FactRefused: unknown piece or recipe, or the piece already has its pour."""
        self._execute(insert(tables.pours), pour.model_dump(), given=pour)

    def pours(self, piece_ids: Collection[int] | None = None) -> list[Pour]:
        """Pours on these pieces (None: on all), ordered by piece."""
        pours = tables.pours.c
        query = select(tables.pours).order_by(pours.piece_id)
        return self._records(Pour, query, pours.piece_id, piece_ids)


class Observations(Rows):
    """Facts: observations and forgettings. Derived: lessons, one a piece, which may be deleted and are drawn again."""

    def add_observation(self, observation: Observation) -> Observation:
        """Store it; it comes back with its id. FactRefused: unknown piece."""
        return self._added(workshop_tables.observations, observation)

    def observations(self, piece_ids: Collection[int] | None = None, *, finger: bool = False) -> list[Observation]:
        """Observations of these pieces (None: of all), by piece and time; with `finger`, finger tests alone."""
        seen = workshop_tables.observations.c
        query = select(workshop_tables.observations).order_by(seen.piece_id, seen.at, seen.id)
        if piece_ids is not None:
            query = query.where(seen.piece_id.in_(piece_ids))
        if finger:
            query = query.where(seen.finger.is_not(None))
        return self._records(Observation, query)

    def undo_observation(self, observation_id: int) -> int:
        """It was never so, and the lesson drawn from it goes; the number of observations that are gone."""
        seen, lessons = workshop_tables.observations, workshop_tables.lessons
        of_it = select(seen.c.piece_id).where(seen.c.id == observation_id)
        self._execute(delete(lessons).where(lessons.c.piece_id.in_(of_it)), given=observation_id)
        return self._execute(delete(seen).where(seen.c.id == observation_id), given=observation_id).rowcount

    def put_forgetting(self, forgetting: Forgetting) -> None:
        """Insert it, or replace an earlier one of the same recipe or place."""
        self._put(workshop_tables.forgettings, forgetting.model_dump(), ["subject", "name"], given=forgetting)

    def forgettings(self) -> list[Forgetting]:
        return self._records(
            Forgetting, select(workshop_tables.forgettings).order_by(workshop_tables.forgettings.c.name)
        )

    def lessons(self, piece_ids: Collection[int] | None = None) -> dict[int, tuple[str, Any]]:
        """By piece (None: all), the fingerprint of what its lesson was drawn from, and the lesson as JSON."""
        query = select(workshop_tables.lessons).order_by(workshop_tables.lessons.c.piece_id)
        if piece_ids is not None:
            query = query.where(workshop_tables.lessons.c.piece_id.in_(piece_ids))
        found = self._connection.execute(query).mappings()
        return {row["piece_id"]: (row["fingerprint"], row["data"]) for row in found}

    def put_lessons(self, lessons: Mapping[int, tuple[str, Any]]) -> None:
        """Replace all lessons by these."""
        self._execute(delete(workshop_tables.lessons), given="lessons")
        rows = [{"piece_id": piece, "fingerprint": mark, "data": data} for piece, (mark, data) in lessons.items()]
        if rows:
            self._execute(insert(workshop_tables.lessons), rows, given=rows)


_STEPS, _PHOTOS = workshop_tables.steps_done.c, workshop_tables.photos.c


class Workshop(Rows):
    """Mixes, paint, tilts, photos and steps."""

    def put_mix(self, mix: RecipeMix) -> None:
        """Insert the mix of a recipe, or replace it. FactRefused for an unknown recipe."""
        self._put(workshop_tables.mixes, mix.model_dump(mode="json"), ["recipe"], given=mix)

    def mix_of(self, recipe: str) -> RecipeMix | None:
        """How the recipe is mixed, None where nobody has said."""
        return self._record(RecipeMix, select(workshop_tables.mixes).where(workshop_tables.mixes.c.recipe == recipe))

    def mixes(self) -> list[RecipeMix]:
        """All mixes, by recipe."""
        return self._records(RecipeMix, select(workshop_tables.mixes).order_by(workshop_tables.mixes.c.recipe))

    def put_tilt(self, tilt: Tilt) -> None:
        """How level a piece lay; one of the same moment is replaced. FactRefused: unknown piece."""
        self._put(workshop_tables.tilts, tilt.model_dump(), ["piece_id", "measured_at"], given=tilt)

    def tilts(self, piece_ids: Collection[int] | None = None) -> list[Tilt]:
        """Of these pieces (None: of all), by piece and time."""
        tilts = workshop_tables.tilts.c
        query = select(workshop_tables.tilts).order_by(tilts.piece_id, tilts.measured_at)
        return self._records(Tilt, query, tilts.piece_id, piece_ids)

    def put_paint(self, paint: Paint) -> None:
        """What was poured over a piece, or its correction. FactRefused: unknown piece."""
        self._put(workshop_tables.paints, paint.model_dump(), ["piece_id"], given=paint)

    def paints(self) -> list[Paint]:
        """All, by piece."""
        query = select(workshop_tables.paints).order_by(workshop_tables.paints.c.piece_id)
        return self._records(Paint, query)

    def add_promise(self, promise: Promise) -> None:
        """By when it is to be ready; one logged at the same moment is replaced. FactRefused: unknown piece."""
        self._put(workshop_tables.promises, promise.model_dump(), ["piece_id", "logged_at"], given=promise)

    def promises(self, piece_ids: Collection[int] | None = None) -> list[Promise]:
        """Of these pieces (None: of all), by piece, in the order they were logged."""
        promises = workshop_tables.promises.c
        query = select(workshop_tables.promises).order_by(promises.piece_id, promises.logged_at)
        return self._records(Promise, query, promises.piece_id, piece_ids)

    def undo_promise(self, piece_id: int, logged_at: datetime) -> None:
        """Nobody promised that."""
        promises = workshop_tables.promises.c
        of_it = (promises.piece_id == piece_id) & (promises.logged_at == logged_at)
        self._execute(delete(workshop_tables.promises).where(of_it), given=(piece_id, logged_at))

    def add_step(self, step: StepDone) -> StepDone:
        """A step was done; returned with its id. FactRefused: unknown piece, or the step stands as done already."""
        return self._added(workshop_tables.steps_done, step)

    def undo_step(self, step_id: int, at: datetime) -> None:
        """The step was not done after all; it stays in the history. FactRefused unless it stands as done."""
        standing = (_STEPS.id == step_id) & _STEPS.undone_at.is_(None)
        undone = self._execute(update(workshop_tables.steps_done).where(standing).values(undone_at=at), given=step_id)
        if not undone.rowcount:
            raise FactRefused(f"no step with id {step_id} stands as done")

    def steps(self, piece_ids: Collection[int] | None = None) -> list[StepDone]:
        """The steps of these pieces (None: of all), those undone too, in the order they were recorded."""
        query = select(workshop_tables.steps_done).order_by(_STEPS.id)
        return self._records(StepDone, query, _STEPS.piece_id, piece_ids)

    def add_photo(self, photo: Photo) -> Photo:
        """Returned with its id. FactRefused for an unknown piece."""
        return self._added(workshop_tables.photos, photo)

    def photos(self, piece_ids: Collection[int] | None = None) -> list[Photo]:
        """Of these pieces (None: of all), by when they were taken."""
        query = select(workshop_tables.photos).order_by(_PHOTOS.at, _PHOTOS.id)
        return self._records(Photo, query, _PHOTOS.piece_id, piece_ids)

    def photo(self, photo_id: int) -> Photo | None:
        return self._record(Photo, select(workshop_tables.photos).where(_PHOTOS.id == photo_id))

    def undo_photo(self, photo_id: int) -> None:
        """It was never taken; its file is left to whoever knows of no other that it is of."""
        self._execute(delete(workshop_tables.photos).where(_PHOTOS.id == photo_id), given=photo_id)
