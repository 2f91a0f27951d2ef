"""Pieces with all that is known of them: as facts alone, with their stored forecasts held within what was found of
them; and with what was learned.

Lessons are kept in the store: drawn once from a piece's observations and its air, and again when either changes. What
they come to together is inferred and stored with them, at a refresh or when something was observed; whoever shows it
reads it. All is derived: delete it, and the next refresh makes the same of the facts.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from pydantic import TypeAdapter, ValidationError

from curewatch.desk.desk import READINGS_UNDONE, Desk
from curewatch.desk.snapshot.air import AirCache, read_errors
from curewatch.records import Forecast, Piece, Recipe, Stay
from curewatch.records.facts import Forgetting, Observation, Subject
from curewatch.records.remarks import Remark
from curewatch.records.workshop import Promise, Tilt
from curewatch.store import Store, Transaction
from curewatch.studio.air.sensors import ReadError
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.inference.posterior import PieceMessage
from curewatch.studio.learning.learning import Learned, Lesson, forgotten_by, learned, place_of, teach
from curewatch.studio.learning.texts import LearnedEffect, beliefs, remarks_of
from curewatch.studio.standing import bounded, contradicted

LEAD = timedelta(days=2)
"""Readings from so long before the pour on bear on a lesson."""
VERSION = 8
"""Raised when the same facts would give other lessons, or a lesson is stored in another form; all are then drawn
again, and until then those of another version count as not there."""
_LESSON, _EFFECTS = TypeAdapter(Lesson), TypeAdapter(list[LearnedEffect])
_LEARNED = "learned"
"""What the lessons came to in plain figures, after the fingerprint of all that it hangs on."""
Stored = Mapping[int, tuple[str, Any]]
"""By piece, the fingerprint of what its lesson was drawn from, and the lesson and its message as JSON."""


def learned_so_far(tx: Transaction) -> Learned:
    """What the lessons came to when they were drawn: nothing is inferred here."""
    return learned_from(tx.lessons(), tx.forgettings())


def learned_from(lessons: Stored, forgettings: Iterable[Forgetting]) -> Learned:
    found = [(lesson, data) for _, data in lessons.values() if (lesson := _read(data)) is not None]
    messages = tuple(_message(data["message"]) for _, data in found)
    return Learned(tuple(lesson for lesson, _ in found), messages, forgotten_by(forgettings))


def lesson_of(tx: Transaction, piece_id: int) -> Lesson | None:
    """What the observations of one piece said; None where there are none, or they are to be heard again."""
    found = tx.lessons([piece_id])
    return _read(found[piece_id][1]) if found else None


def learned_effects(tx: Transaction) -> list[LearnedEffect]:
    """What has come to be believed of recipes and places, as stored."""
    version, _, effects = (tx.get_meta(_LEARNED) or "").partition("\n")
    return _EFFECTS.validate_json(effects) if version.startswith(f"{VERSION} ") else []


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
    """The lessons as the facts now have them: some were drawn anew, a piece has none any more, or one was forgotten."""

    lessons: Stored
    effects: str
    drawn: int

    def write(self, tx: Transaction) -> None:
        """Store them, but for pieces whose observations are gone meanwhile."""
        here = {one.piece_id for one in tx.observations()}
        tx.put_lessons({piece: lesson for piece, lesson in self.lessons.items() if piece in here})
        tx.set_meta(_LEARNED, self.effects)


def new_lessons(tx: Transaction, now: datetime) -> NewLessons | None:
    """The lessons, and what they come to, brought up to the facts; None where the stored ones stand, which is cheap to
    find out."""
    seen = _by_piece(one for one in tx.observations() if one.at <= now)
    kept = {piece: (mark, lesson) for piece, (mark, data) in tx.lessons().items() if (lesson := _read(data))}
    stands = tx.get_meta(_LEARNED)
    if not seen and not kept and stands is None:
        return None
    dryings = dryings_of(tx, [piece for piece in (*tx.pieces(), *tx.pieces(gone=True)) if piece.id in seen])
    marks = {d.piece.id: _mark(tx, d, seen[d.piece.id]) for d in dryings}
    todo = [d for d in dryings if d.piece.id not in kept or kept[d.piece.id][0] != marks[d.piece.id]]
    forgettings = tx.forgettings()
    fingerprint = f"{VERSION} {hashlib.sha256(repr((sorted(marks.items()), forgettings)).encode()).hexdigest()[:32]}\n"
    if not todo and kept.keys() == marks.keys() and (stands or "").startswith(fingerprint):
        return None
    drawn = _drawn([(d, seen[d.piece.id], _air(tx, d, seen[d.piece.id])) for d in todo])
    lessons = {piece: lesson for piece, (_, lesson) in kept.items() if piece in marks} | drawn
    came_to = learned(lessons.values(), forgettings)
    observations = {one.id: one for some in seen.values() for one in some}
    effects = beliefs(came_to, observations, {drying.recipe.name: drying.recipe for drying in dryings})
    rows = zip(came_to.lessons, came_to.messages, strict=True)
    return NewLessons(
        {one.piece_id: (marks[one.piece_id], _stored(one, message)) for one, message in rows},
        fingerprint + _EFFECTS.dump_json(effects).decode(),
        len(drawn),
    )


def _drawn(airs: Sequence[tuple[Drying, tuple[Observation, ...], Any]]) -> dict[int, Lesson]:
    drawn = {one.piece_id: one for one in teach([(d, some, air) for d, some, air in airs if air is not None])}
    for drying, some, air in airs:
        if air is None:  # its room was never read: nothing can be said yet
            silent = tuple(one.id for one in some)
            where = place_of(drying), drying.room
            drawn[drying.piece.id] = Lesson(drying.piece.id, drying.recipe.name, *where, (), silent=silent)
    return drawn


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
    counts = [(stay.room, tx.readings_between(stay.room, since, last)) for stay in drying.stays_since_pour]
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


def _stored(lesson: Lesson, message: PieceMessage) -> dict[str, Any]:
    parts = (*message.message, *message.sites)
    numbers = np.concatenate([np.ravel(part) for part in parts]).astype("<f8").tobytes()
    return {
        "version": VERSION,
        "lesson": _LESSON.dump_python(lesson, mode="json"),
        "message": {"shared": message.shared, "own": message.own, "numbers": base64.b64encode(numbers).decode()},
    }


def _message(stored: Mapping[str, Any]) -> PieceMessage:
    shared, own = ([tuple(key) for key in stored[name]] for name in ("shared", "own"))
    few, size = len(shared), len(shared) + len(own)
    numbers = np.frombuffer(base64.b64decode(stored["numbers"]), "<f8")
    parts = np.split(numbers, np.cumsum([few * few, few, size * size]))
    return PieceMessage(
        shared=list(shared),
        own=list(own),
        message=(parts[0].reshape(few, few), parts[1]),
        sites=(parts[2].reshape(size, size), parts[3]),
    )


def _read(stored: Any) -> Lesson | None:
    """The lesson of a row; None where an older or newer curewatch stored it in its own form."""
    if stored.get("version") != VERSION:
        return None
    try:
        return _LESSON.validate_python(stored["lesson"])
    except ValidationError:
        return None


def dryings_of(tx: Transaction, pieces: Iterable[Piece]) -> list[Drying]:
    """Those of these pieces that were poured, here or gone; one that was taken back has left without its pour."""
    by_id = {piece.id: piece for piece in pieces}
    recipes = {recipe.name: recipe for recipe in tx.recipes(removed=True)}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(by_id):
        stays.setdefault(stay.piece_id, []).append(stay)
    found: dict[int, list[Observation]] = {}
    for one in tx.observations(by_id, finger=True):
        found.setdefault(one.piece_id, []).append(one)
    tilts: dict[int, list[Tilt]] = {}
    for tilt in tx.tilts(by_id):
        tilts.setdefault(tilt.piece_id, []).append(tilt)
    errors = read_errors(tx)
    promised = {one.piece_id: one for one in tx.promises(by_id)}  # the last of each
    return [
        Drying(
            by_id[pour.piece_id],
            pour,
            recipes.get(pour.recipe, Recipe(name=pour.recipe)),
            tuple(there),
            findings=tuple(found.get(pour.piece_id, ())),
            read_error=errors.get(there[-1].room, ReadError()),
            promise=_standing(promised.get(pour.piece_id)),
            tilts=tuple(tilts.get(pour.piece_id, ())),
        )
        for pour in tx.pours(by_id)
        if (there := stays.get(pour.piece_id))
    ]


def _standing(promise: Promise | None) -> Promise | None:
    return promise if promise is not None and promise.due_at is not None else None


def within_findings(forecasts: dict[int, Forecast], dryings: Iterable[Drying], now: datetime) -> dict[int, Forecast]:
    """By piece, these forecasts as they may be shown and decided by: none contradicts what a finger found."""
    held = {
        drying.piece.id: bounded(forecast, drying.standing(now))
        for drying in dryings
        if drying.findings and (forecast := forecasts.get(drying.piece.id)) is not None
    }
    return forecasts | held if held else forecasts


@dataclass(frozen=True)
class Seen:
    """An observation, and what came of it."""

    observation: Observation
    remarks: tuple[Remark, ...]


def seen_of(tx: Transaction, piece_id: int) -> list[Seen]:
    """Everything observed of a piece, in the order of time."""
    observations = tx.observations([piece_id])
    if not observations:
        return []
    (pour,), lesson = tx.pours([piece_id]), lesson_of(tx, piece_id)
    fallen = contradicted(observations, pour.at, observations[-1].at)
    return [Seen(one, remarks_of(one, lesson, fallen)) for one in observations]


def beliefs_about(tx: Transaction, drying: Drying) -> list[LearnedEffect]:
    """Of the piece's recipe and place; nothing where nothing was learned of either."""
    wanted = {(Subject.RECIPE, drying.recipe.name), (Subject.PLACE, place_of(drying))}
    return [one for one in learned_effects(tx) if (one.subject, one.name) in wanted]


def what_was_learned(desk: Desk) -> list[LearnedEffect]:
    """What the studio had come to believe of its recipes and places when it was last refreshed or told something."""
    with desk.store.read() as tx:
        return learned_effects(tx)
