"""What people found of pieces and did to them: observations, lessons (derived), mixes, paints, tilts, photos, steps."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import delete, insert, select, update

from curewatch.records.observations import Forgetting, Observation
from curewatch.records.workshop import Paint, Photo, Promise, RecipeMix, StepDone, Tilt
from curewatch.store import workshop_tables
from curewatch.store import workshop_tables as tables
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Rows


class Observations(Rows):
    """Facts: observations and forgettings. Derived: lessons, one a piece, which may be deleted and are drawn again."""

    def add_observation(self, observation: Observation) -> Observation:
        """Store it; it comes back with its id. FactRefused: unknown piece."""
        row = observation.model_dump(exclude={"id"})
        key = self._execute(insert(workshop_tables.observations), row, given=observation).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return observation.model_copy(update={"id": key[0]})

    def observations(self, piece_ids: Collection[int] | None = None, *, finger: bool = False) -> list[Observation]:
        """Observations of these pieces (None: of all), by piece and time; with `finger`, finger tests alone."""
        seen = workshop_tables.observations.c
        query = select(workshop_tables.observations).order_by(seen.piece_id, seen.at, seen.id)
        if piece_ids is not None:
            query = query.where(seen.piece_id.in_(piece_ids))
        if finger:
            query = query.where(seen.finger.is_not(None))
        return [Observation(**row) for row in self._connection.execute(query).mappings()]

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
        found = self._connection.execute(
            select(workshop_tables.forgettings).order_by(workshop_tables.forgettings.c.name)
        )
        return [Forgetting(**row) for row in found.mappings()]

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


_STEPS, _PHOTOS = tables.steps_done.c, tables.photos.c


class Workshop(Rows):
    """Mixes, paint, tilts, photos and steps."""

    def put_mix(self, mix: RecipeMix) -> None:
        """Insert the mix of a recipe, or replace it. FactRefused for an unknown recipe."""
        self._put(tables.mixes, mix.model_dump(mode="json"), ["recipe"], given=mix)

    def mix_of(self, recipe: str) -> RecipeMix | None:
        """How the recipe is mixed, None where nobody has said."""
        found = self._connection.execute(select(tables.mixes).where(tables.mixes.c.recipe == recipe))
        row = found.mappings().one_or_none()
        return None if row is None else RecipeMix(**row)

    def mixes(self) -> list[RecipeMix]:
        """All mixes, by recipe."""
        found = self._connection.execute(select(tables.mixes).order_by(tables.mixes.c.recipe))
        return [RecipeMix(**row) for row in found.mappings()]

    def put_tilt(self, tilt: Tilt) -> None:
        """How level a piece lay; one of the same moment is replaced. FactRefused: unknown piece."""
        self._put(tables.tilts, tilt.model_dump(), ["piece_id", "measured_at"], given=tilt)

    def tilts(self, piece_ids: Collection[int] | None = None) -> list[Tilt]:
        """Of these pieces (None: of all), by piece and time."""
        tilts = tables.tilts.c
        query = select(tables.tilts).order_by(tilts.piece_id, tilts.measured_at)
        if piece_ids is not None:
            query = query.where(tilts.piece_id.in_(piece_ids))
        return [Tilt(**row) for row in self._connection.execute(query).mappings()]

    def put_paint(self, paint: Paint) -> None:
        """What was poured over a piece, or its correction. FactRefused: unknown piece."""
        self._put(tables.paints, paint.model_dump(), ["piece_id"], given=paint)

    def paints(self) -> list[Paint]:
        """All, by piece."""
        query = select(tables.paints).order_by(tables.paints.c.piece_id)
        return [Paint(**row) for row in self._connection.execute(query).mappings()]

    def add_promise(self, promise: Promise) -> None:
        """By when it is to be ready; one logged at the same moment is replaced. FactRefused: unknown piece."""
        self._put(tables.promises, promise.model_dump(), ["piece_id", "logged_at"], given=promise)

    def promises(self, piece_ids: Collection[int] | None = None) -> list[Promise]:
        """Of these pieces (None: of all), by piece, in the order they were logged."""
        promises = tables.promises.c
        query = select(tables.promises).order_by(promises.piece_id, promises.logged_at)
        if piece_ids is not None:
            query = query.where(promises.piece_id.in_(piece_ids))
        return [Promise(**row) for row in self._connection.execute(query).mappings()]

    def undo_promise(self, piece_id: int, logged_at: datetime) -> None:
        """Nobody promised that."""
        promises = tables.promises.c
        of_it = (promises.piece_id == piece_id) & (promises.logged_at == logged_at)
        self._execute(delete(tables.promises).where(of_it), given=(piece_id, logged_at))

    def add_step(self, step: StepDone) -> StepDone:
        """A step was done; returned with its id. FactRefused: unknown piece, or the step stands as done already."""
        key = self._execute(insert(tables.steps_done), step.model_dump(exclude={"id"}), given=step).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return step.model_copy(update={"id": int(key[0])})

    def undo_step(self, step_id: int, at: datetime) -> None:
        """The step was not done after all; it stays in the history. FactRefused unless it stands as done."""
        standing = (_STEPS.id == step_id) & _STEPS.undone_at.is_(None)
        undone = self._execute(update(tables.steps_done).where(standing).values(undone_at=at), given=step_id)
        if not undone.rowcount:
            raise FactRefused(f"no step with id {step_id} stands as done")

    def steps(self, piece_ids: Collection[int] | None = None) -> list[StepDone]:
        """The steps of these pieces (None: of all), those undone too, in the order they were recorded."""
        query = select(tables.steps_done).order_by(_STEPS.id)
        if piece_ids is not None:
            query = query.where(_STEPS.piece_id.in_(piece_ids))
        return [StepDone(**row) for row in self._connection.execute(query).mappings()]

    def add_photo(self, photo: Photo) -> Photo:
        """Returned with its id. FactRefused for an unknown piece."""
        key = self._execute(insert(tables.photos), photo.model_dump(exclude={"id"}), given=photo).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return photo.model_copy(update={"id": int(key[0])})

    def photos(self, piece_ids: Collection[int] | None = None) -> list[Photo]:
        """Of these pieces (None: of all), by when they were taken."""
        query = select(tables.photos).order_by(_PHOTOS.at, _PHOTOS.id)
        if piece_ids is not None:
            query = query.where(_PHOTOS.piece_id.in_(piece_ids))
        return [Photo(**row) for row in self._connection.execute(query).mappings()]

    def photo(self, photo_id: int) -> Photo | None:
        found = self._connection.execute(select(tables.photos).where(_PHOTOS.id == photo_id)).mappings().one_or_none()
        return None if found is None else Photo(**found)

    def undo_photo(self, photo_id: int) -> None:
        """It was never taken; its file is left to whoever knows of no other that it is of."""
        self._execute(delete(tables.photos).where(_PHOTOS.id == photo_id), given=photo_id)
