"""What people logged of late, by kind, and how each is taken back."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial

from curewatch.desk.commands.correcting import back_too_late, settle
from curewatch.desk.commands.naming import rests_on, settle_name
from curewatch.desk.desk import mark_air_changed
from curewatch.language import Message, phrase
from curewatch.records import Alarm, Damage, Piece, Reading, SensorTrust, Stay
from curewatch.records.corrections import Change, Correction, CorrectionKind, Naming
from curewatch.records.facts import TYPED, Observation
from curewatch.records.workshop import Photo, Promise, StepDone, Tilt
from curewatch.store import Transaction
from curewatch.studio.alarms.lifecycle import is_seen_to

UNDO_WITHIN = timedelta(hours=24)
"""How long after it was logged a slip can be taken back: seen by the next morning at the latest."""


class LogKind(StrEnum):
    """What people log."""

    POUR = "pour"
    READING = "reading"
    MOVE = "move"
    GONE = "gone"
    FOUND = "found"
    STEP = "step"
    TILT = "tilt"
    PHOTO = "photo"
    PROMISE = "promise"
    ACKNOWLEDGE = "acknowledge"
    TRUST = "trust"
    CLEARED = "cleared"
    CORRECT = "correct"
    DELETE = "delete"
    NAME = "name"
    """Of a room or a place: renamed, merged or removed."""
    RECIPE = "recipe"
    """The same of a recipe."""


OF_ROOMS = (LogKind.READING, LogKind.ACKNOWLEDGE, LogKind.TRUST, LogKind.NAME)
"""What is logged of a room; everything else is of a piece."""
OF_RECIPES = (LogKind.RECIPE,)
OF_PIECES = tuple(kind for kind in LogKind if kind not in (*OF_ROOMS, *OF_RECIPES))


@dataclass(frozen=True)
class LogEntry:
    """One thing that a person logged, and that stands."""

    kind: LogKind
    logged_at: datetime
    of: tuple[str, ...]
    """Its name among those of its kind."""
    about: str
    """The piece or room, by name."""
    fact: (
        Piece | Stay | Reading | Observation | StepDone | Tilt | Photo | Promise | Alarm | SensorTrust
        | Correction | tuple[Damage, ...]
    )  # fmt: skip
    """Of an alarm that was acknowledged, and of damage that was cleared: as it would be again."""
    revert: Callable[[Transaction, datetime], object] = field(repr=False)
    """Takes it back, at a moment."""
    files: tuple[str, ...] = ()
    """The photos that go with it."""
    only_if: Message | None = None
    """What it would have to be to be taken back, where something rests on it; None: nothing does."""
    changes: Sequence[Change] = ()
    """Of a correction."""


def logged_lately(tx: Transaction, now: datetime) -> list[LogEntry]:
    """Everything that was logged within `UNDO_WITHIN` and stands, in the order of time.

    What bears a later time than `now` was logged before the clock was set back.
    """
    since = now - UNDO_WITHIN
    here = {piece.id: piece for piece in tx.pieces()}
    found = [entry for kind in LogKind for entry in _LOGS[kind](tx, here, since) if entry.logged_at >= since]
    return sorted(found, key=lambda entry: entry.logged_at)


Here = Mapping[int, Piece]
"""The pieces here, by number."""


def _pours(tx: Transaction, here: Here, since: datetime) -> Iterator[LogEntry]:
    new = {piece.id: piece for piece in here.values() if piece.created_at >= since}
    touched = {one.piece_id for one in tx.observations(new)}
    touched |= {step.piece_id for step in tx.steps(new) if step.undone_at is None}
    photos = tx.photos(new)
    for piece in new.values():
        only_if = phrase("one that nothing was found of or done to since") if piece.id in touched else None
        revert = partial(_undo_pour, piece.id)
        of, seen = (str(piece.id),), tuple(one.sha256 for one in photos if one.piece_id == piece.id)
        yield LogEntry(LogKind.POUR, piece.created_at, of, piece.name, piece, revert, seen, only_if)


def _undo_pour(piece_id: int, tx: Transaction, now: datetime) -> None:
    tx.undo_piece(piece_id, now)


def _readings(tx: Transaction, _: Here, since: datetime) -> Iterator[LogEntry]:
    for one in {(one.room, one.at): one for one in tx.typed_since(since)}.values():
        yield LogEntry(
            LogKind.READING, one.received_at, (one.room, one.at.isoformat()), one.room, one, partial(_undo_reading, one)
        )


def _undo_reading(reading: Reading, tx: Transaction, _: datetime) -> None:
    tx.forget_reading(reading.room, TYPED, reading.at)
    mark_air_changed(tx, reading.room, reading.at)


def _moves(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    """The last of each piece; where it was poured is part of its pour."""
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(here):
        stays.setdefault(stay.piece_id, []).append(stay)
    for piece_id, (*before, last) in stays.items():
        if before and last.logged_at is not None:
            name, revert = here[piece_id].name, partial(_undo_move, last)
            yield LogEntry(LogKind.MOVE, last.logged_at, (name,), name, last, revert)


def _undo_move(stay: Stay, tx: Transaction, _: datetime) -> None:
    tx.undo_stay(stay.piece_id, stay.since)


def _gone(tx: Transaction, here: Here, since: datetime) -> Iterator[LogEntry]:
    taken = {piece.name for piece in here.values()}
    left = {p.id: p for p in tx.pieces(gone=True) if p.gone_logged_at is not None and p.gone_logged_at >= since}
    for pour in tx.pours(left):
        piece = left[pour.piece_id]
        only_if = phrase("a name that no other piece has taken meanwhile") if piece.name in taken else None
        assert piece.gone_logged_at is not None
        of, revert = (str(piece.id),), partial(_undo_leaving, piece.id)
        yield LogEntry(LogKind.GONE, piece.gone_logged_at, of, piece.name, piece, revert, only_if=only_if)


def _undo_leaving(piece_id: int, tx: Transaction, _: datetime) -> None:
    tx.set_gone(piece_id, None)


def _found(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    for one in sorted(tx.observations(here), key=lambda one: one.id):
        if one.logged_at is not None:
            name = here[one.piece_id].name
            yield LogEntry(LogKind.FOUND, one.logged_at, (name, str(one.id)), name, one, partial(_undo_found, one.id))


def _undo_found(observation_id: int, tx: Transaction, _: datetime) -> None:
    tx.undo_observation(observation_id)


def _steps(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    standing = [step for step in tx.steps(here) if step.undone_at is None]
    last = {step.piece_id: step for step in standing}
    for step in standing:
        name = here[step.piece_id].name
        newest = last[step.piece_id]
        only_if = None
        if step is not newest:
            only_if = phrase("the last step of {name} that stands as done ({step})", name=name, step=newest.step)
        revert = partial(_undo_step, step.id)
        yield LogEntry(LogKind.STEP, step.recorded_at, (name, str(step.id)), name, step, revert, only_if=only_if)


def _undo_step(step_id: int, tx: Transaction, now: datetime) -> None:
    tx.undo_step(step_id, now)


def _tilts(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    for one in tx.tilts(here):
        if one.logged_at is not None:
            name = here[one.piece_id].name
            of = (name, one.measured_at.isoformat())
            yield LogEntry(LogKind.TILT, one.logged_at, of, name, one, partial(_undo_tilt, one))


def _undo_tilt(tilt: Tilt, tx: Transaction, _: datetime) -> None:
    tx.undo_tilt(tilt.piece_id, tilt.measured_at)


def _photos(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    for one in tx.photos(here):
        of, revert = (here[one.piece_id].name, str(one.id)), partial(_undo_photo, one.id)
        yield LogEntry(LogKind.PHOTO, one.logged_at, of, here[one.piece_id].name, one, revert, (one.sha256,))


def _undo_photo(photo_id: int, tx: Transaction, _: datetime) -> None:
    tx.undo_photo(photo_id)


def _promised(tx: Transaction, here: Here, since: datetime) -> Iterator[LogEntry]:
    """What was promised of a piece since it was poured."""
    for one in tx.promises(here):
        piece = here[one.piece_id]
        if one.logged_at >= since and one.logged_at != piece.created_at:
            of, revert = (piece.name, one.logged_at.isoformat()), partial(_undo_promise, one)
            yield LogEntry(LogKind.PROMISE, one.logged_at, of, piece.name, one, revert)


def _undo_promise(promise: Promise, tx: Transaction, now: datetime) -> None:
    tx.undo_promise(promise.piece_id, promise.logged_at)
    tx.withdraw([key for key in tx.told_of_pieces([promise.piece_id]) if "/promise-" in key], now)


def _acknowledged(tx: Transaction, _: Here, __: datetime) -> Iterator[LogEntry]:
    for alarm in tx.alarms():
        if is_seen_to(alarm) and alarm.acknowledged_at is not None:
            nobodys = alarm.model_copy(update={"acknowledged_at": None})
            of, revert = (alarm.room, alarm.kind.value), partial(_undo_acknowledgement, nobodys, alarm.acknowledged_at)
            yield LogEntry(LogKind.ACKNOWLEDGE, alarm.acknowledged_at, of, alarm.room, nobodys, revert)


def _undo_acknowledgement(nobodys: Alarm, said_at: datetime, tx: Transaction, _: datetime) -> None:
    tx.undo_acknowledgement(nobodys.kind, nobodys.room, said_at)
    tx.put_alarms([nobodys])


def _trusted(tx: Transaction, _: Here, since: datetime) -> Iterator[LogEntry]:
    for one in tx.sensor_trusts():
        if one.logged_at >= since:
            of = (one.room, one.source, one.logged_at.isoformat())
            yield LogEntry(LogKind.TRUST, one.logged_at, of, one.room, one, partial(_undo_trust, one))


def _undo_trust(said: SensorTrust, tx: Transaction, _: datetime) -> None:
    tx.undo_sensor_trust(said.room, said.source, said.logged_at)
    mark_air_changed(tx, said.room, said.at)


def _cleared(tx: Transaction, here: Here, _: datetime) -> Iterator[LogEntry]:
    """The last looking over of each piece."""
    counts: dict[int, list[Damage]] = {}
    for one in tx.damages(list(here)):
        counts.setdefault(one.piece_id, []).append(one)
    for piece_id, known in counts.items():
        last = max((one.cleared_at for one in known if one.cleared_at), default=None)
        if last is None:
            continue
        back = tuple(one.model_copy(update={"cleared_at": None}) for one in known if one.cleared_at == last)
        grown = {one.kind for one in known if one.cleared_at is None} & {one.kind for one in back}
        only_if = phrase("a piece against which no more harm was counted since it was looked over") if grown else None
        name, revert = here[piece_id].name, partial(_undo_clearing, piece_id, last)
        yield LogEntry(LogKind.CLEARED, last, (name,), name, back, revert, only_if=only_if)


def _undo_clearing(piece_id: int, cleared_at: datetime, tx: Transaction, _: datetime) -> None:
    tx.undo_clearing(piece_id, cleared_at)


def _corrected(tx: Transaction, here: Here, since: datetime) -> Iterator[LogEntry]:
    """Each can be taken back as long as what it says is the last word on that."""
    taken = {piece.name for piece in here.values()}
    for one in tx.corrections(since=since):
        if one.kind is CorrectionKind.POUR and one.piece_id is not None and one.piece_id in here:
            name = here[one.piece_id].name
            only_if = None if tx.stands(one.id) else phrase("the last correction of that which stands")
            if name != one.name and one.name in taken:
                only_if = phrase("a name that no other piece has taken meanwhile ({name})", name=one.name)
            of, revert = (str(one.id),), partial(_undo_correction, one)
            only_if = only_if or back_too_late(tx, one)
            changes = tx.changes([one.id])
            yield LogEntry(LogKind.CORRECT, one.logged_at, of, name, one, revert, only_if=only_if, changes=changes)


def _deleted(tx: Transaction, here: Here, since: datetime) -> Iterator[LogEntry]:
    taken = {piece.name for piece in here.values()}
    for one in tx.corrections(since=since):
        if one.kind is CorrectionKind.DELETED:
            only_if = phrase("a name that no other piece has taken meanwhile") if one.name in taken else None
            of, revert = (str(one.id),), partial(_undo_correction, one)
            yield LogEntry(LogKind.DELETE, one.logged_at, of, one.name, one, revert, only_if=only_if)


def _undo_correction(of: Correction, tx: Transaction, now: datetime) -> None:
    tx.undo_correction(of.id)
    if of.naming is not None:
        settle_name(tx, of, now)
    elif of.piece_id is not None:
        settle(tx, of.piece_id, tx.stays([of.piece_id])[0].room, phrase("a correction was taken back"), now)


def _named(kind: LogKind, tx: Transaction, _: Here, since: datetime) -> Iterator[LogEntry]:
    """Renamed, merged or removed; as long as nothing new bears the name."""
    for one in tx.corrections(since=since):
        if one.naming is None or (one.naming is Naming.RECIPE) is not (kind is LogKind.RECIPE):
            continue
        about = one.room or one.to or one.name
        only_if = rests_on(tx, one)
        yield LogEntry(kind, one.logged_at, (str(one.id),), about, one, partial(_undo_correction, one), only_if=only_if)


_LOGS: Mapping[LogKind, Callable[[Transaction, Here, datetime], Iterator[LogEntry]]] = {
    LogKind.POUR: _pours,
    LogKind.READING: _readings,
    LogKind.MOVE: _moves,
    LogKind.GONE: _gone,
    LogKind.FOUND: _found,
    LogKind.STEP: _steps,
    LogKind.TILT: _tilts,
    LogKind.PHOTO: _photos,
    LogKind.PROMISE: _promised,
    LogKind.ACKNOWLEDGE: _acknowledged,
    LogKind.TRUST: _trusted,
    LogKind.CLEARED: _cleared,
    LogKind.CORRECT: _corrected,
    LogKind.DELETE: _deleted,
    LogKind.NAME: partial(_named, LogKind.NAME),
    LogKind.RECIPE: partial(_named, LogKind.RECIPE),
}
