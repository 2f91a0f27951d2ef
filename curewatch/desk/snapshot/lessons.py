"""Lessons kept in the store: drawn once from a piece's observations and its air, and again when either changes.

They are derived: delete them all, and the next look draws the same ones from the facts.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from pydantic import TypeAdapter, ValidationError

from curewatch.desk.revision import READINGS_UNDONE
from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.records import Recipe, Stay
from curewatch.records.observations import Observation
from curewatch.store import Store, Transaction
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.learning import Learned, Lesson, learned, place_of, teach

LEAD = timedelta(days=2)
"""Readings from so long before the pour on bear on a lesson."""
VERSION = 4
"""Raised when the same facts would give other lessons, or a lesson is stored in another form; all are then drawn
again, and until then those of another version count as not there."""
_LESSON = TypeAdapter(Lesson)


def learned_so_far(tx: Transaction) -> Learned:
    """What the lessons in the store come to."""
    stored = [_read(data) for _, data in tx.lessons().values()]
    return learned([one for one in stored if one is not None], tx.forgettings())


def with_posterior(tx: Transaction, dryings: Sequence[Drying]) -> tuple[Drying, ...]:
    """The pieces, each with what was learned about it."""
    so_far = learned_so_far(tx)
    if not so_far.lessons:
        return tuple(dryings)
    seen = _by_piece(tx.observations([drying.piece.id for drying in dryings]))
    return tuple(replace(d, posterior=so_far.posterior(d, seen.get(d.piece.id, ()))) for d in dryings)


def update_lessons(store: Store, now: datetime) -> int:
    """Bring the lessons up to the facts; the number that were drawn anew. Cheap where nothing has changed."""
    with store.read() as tx:
        seen = _by_piece(one for one in tx.observations() if one.at <= now)
        kept = {piece: row for piece, row in tx.lessons().items() if _read(row[1]) is not None}
        if not seen and not kept:
            return 0
        dryings = observed(tx, seen)
        marks = {d.piece.id: _mark(tx, d, seen[d.piece.id]) for d in dryings}
        todo = [d for d in dryings if kept.get(d.piece.id, ("", None))[0] != marks[d.piece.id]]
        if not todo and kept.keys() == marks.keys():
            return 0
        airs = [(d, seen[d.piece.id], _air(tx, d, seen[d.piece.id])) for d in todo]
    drawn = {one.piece_id: one for one in teach([(d, some, air) for d, some, air in airs if air is not None])}
    for drying, some, air in airs:
        if air is None:  # its room was never read: nothing can be said yet
            silent = tuple(one.id for one in some)
            drawn[drying.piece.id] = Lesson(drying.piece.id, drying.recipe.name, place_of(drying), (), silent=silent)
    with store.write() as tx:
        here = {one.piece_id for one in tx.observations()}
        lessons = {piece: kept[piece] for piece in marks if piece in kept and piece not in drawn}
        lessons |= {piece: (marks[piece], _stored(one)) for piece, one in drawn.items()}
        tx.put_lessons({piece: lesson for piece, lesson in lessons.items() if piece in here})
    return len(drawn)


def observed(tx: Transaction, piece_ids: Mapping[int, object]) -> list[Drying]:
    """These pieces, here or gone, with their facts."""
    pieces = {p.id: p for p in (*tx.pieces(), *tx.pieces(gone=True)) if p.id in piece_ids}
    recipes = {recipe.name: recipe for recipe in tx.recipes()}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(pieces):
        stays.setdefault(stay.piece_id, []).append(stay)
    return [
        Drying(pieces[p.piece_id], p, recipes.get(p.recipe, Recipe(name=p.recipe)), tuple(stays[p.piece_id]))
        for p in tx.pours(pieces)
        if p.piece_id in stays
    ]


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
