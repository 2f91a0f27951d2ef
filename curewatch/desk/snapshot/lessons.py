"""Lessons kept in the store: drawn once from a piece's observations and its air, and again when either changes.

They are derived: delete them all, and the next look draws the same ones from the facts.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from pydantic import TypeAdapter, ValidationError

from curewatch.desk.revision import READINGS_UNDONE
from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.desk.snapshot.dryings import dryings_of
from curewatch.records.observations import Forgetting, Observation
from curewatch.store import Store, Transaction
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.learning import Learned, Lesson, learned, place_of, teach

LEAD = timedelta(days=2)
"""Readings from so long before the pour on bear on a lesson."""
VERSION = 4
"""Raised when the same facts would give other lessons, or a lesson is stored in another form; all are then drawn
again, and until then those of another version count as not there."""
_LESSON = TypeAdapter(Lesson)


Stored = Mapping[int, tuple[str, Any]]
"""By piece, the fingerprint of what its lesson was drawn from, and the lesson as JSON."""


def learned_so_far(tx: Transaction) -> Learned:
    """What the lessons in the store come to."""
    return learned_from(tx.lessons(), tx.forgettings())


def learned_from(lessons: Stored, forgettings: Iterable[Forgetting]) -> Learned:
    found = [_read(data) for _, data in lessons.values()]
    return learned([one for one in found if one is not None], forgettings)


def with_posterior(
    dryings: Sequence[Drying], so_far: Learned, observations: Iterable[Observation]
) -> tuple[Drying, ...]:
    """The pieces, each with what was learned about it; `observations`: of them."""
    if not so_far.lessons:
        return tuple(dryings)
    seen = _by_piece(observations)
    return tuple(replace(d, posterior=so_far.posterior(d, seen.get(d.piece.id, ()))) for d in dryings)


@dataclass(frozen=True)
class NewLessons:
    """The lessons as the facts now have them: some were drawn anew, or a piece has none any more."""

    lessons: Stored
    drawn: int

    def write(self, tx: Transaction) -> None:
        """Store them, but for pieces whose observations are gone meanwhile."""
        here = {one.piece_id for one in tx.observations()}
        tx.put_lessons({piece: lesson for piece, lesson in self.lessons.items() if piece in here})


def new_lessons(tx: Transaction, now: datetime) -> NewLessons | None:
    """The lessons brought up to the facts; None where the stored ones stand, which is cheap to find out."""
    seen = _by_piece(one for one in tx.observations() if one.at <= now)
    kept = {piece: row for piece, row in tx.lessons().items() if _read(row[1]) is not None}
    if not seen and not kept:
        return None
    dryings = dryings_of(tx, [piece for piece in (*tx.pieces(), *tx.pieces(gone=True)) if piece.id in seen])
    marks = {d.piece.id: _mark(tx, d, seen[d.piece.id]) for d in dryings}
    todo = [d for d in dryings if kept.get(d.piece.id, ("", None))[0] != marks[d.piece.id]]
    if not todo and kept.keys() == marks.keys():
        return None
    airs = [(d, seen[d.piece.id], _air(tx, d, seen[d.piece.id])) for d in todo]
    drawn = teach([(d, some, air) for d, some, air in airs if air is not None])
    for drying, some, air in airs:
        if air is None:  # its room was never read: nothing can be said yet
            silent = tuple(one.id for one in some)
            drawn.append(Lesson(drying.piece.id, drying.recipe.name, place_of(drying), (), silent=silent))
    lessons = {piece: lesson for piece, lesson in kept.items() if piece in marks}
    lessons |= {one.piece_id: (marks[one.piece_id], _stored(one)) for one in drawn}
    return NewLessons(lessons, len(drawn))


def update_lessons(store: Store, now: datetime) -> int:
    """Bring the stored lessons up to the facts; the number that were drawn anew."""
    with store.read() as tx:
        found = new_lessons(tx, now)
    if found is None:
        return 0
    with store.write() as tx:
        found.write(tx)
    return found.drawn


def _by_piece(observations: Any) -> dict[int, tuple[Observation, ...]]:
    found: dict[int, list[Observation]] = {}
    for one in observations:
        found.setdefault(one.piece_id, []).append(one)
    return {piece: tuple(some) for piece, some in found.items()}


def _mark(tx: Transaction, drying: Drying, seen: Sequence[Observation]) -> str:
    """Hash of all that a lesson is drawn from; of the readings their number, as for a room's kept copy."""
    last = max(one.at for one in seen)
    since = drying.pour.at - LEAD
    counts = [(stay.room, tx.count_readings(stay.room, since=since, until=last)) for stay in drying.stays_since_pour]
    text = repr(
        (VERSION, drying.facts, place_of(drying), drying.recipe.name, seen, counts, tx.get_meta(READINGS_UNDONE))
    )
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _air(tx: Transaction, drying: Drying, seen: Sequence[Observation]) -> Any:
    last = max(one.at for one in seen)
    climates = {stay.room: AirCache().climate(tx, stay.room, drying.pour.at, last) for stay in drying.stays_since_pour}
    known = {room: climate for room, climate in climates.items() if climate is not None}
    air = drying.air(known)
    return None if air is None else drying.series(air, known)  # with what was read before, for a gap at the pour


def _stored(lesson: Lesson) -> dict[str, Any]:
    return {"version": VERSION, "lesson": _LESSON.dump_python(lesson, mode="json")}


def _read(stored: Any) -> Lesson | None:
    """The lesson of a row; None where an older or newer curewatch stored it in its own form."""
    if stored.get("version") != VERSION:
        return None
    try:
        return _LESSON.validate_python(stored["lesson"])
    except ValidationError:
        return None
