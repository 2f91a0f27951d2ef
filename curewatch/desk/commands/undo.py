"""Whatever people logged by a slip, taken back: one log, one rule and one window of time for every kind.

A fact can be taken back for a day from when it was logged, whatever date it bears itself, and as long as nothing rests
on it. One of which it is not known when it was logged, stored by an older curewatch, stands.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from enum import StrEnum

from curewatch.desk.commands.log import (
    OF_PIECES,
    OF_RECIPES,
    OF_ROOMS,
    UNDO_WITHIN,
    LogEntry,
    LogKind,
    logged_lately,
)
from curewatch.desk.commands.naming import pieces_of
from curewatch.desk.commands.observing import drop_unnamed
from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import nearest, piece_here, room_known, series_here
from curewatch.desk.retraction import doubt, pieces_in, retract
from curewatch.desk.snapshot.pieces import update_lessons
from curewatch.language import Message, phrase
from curewatch.records import Piece, Stay
from curewatch.records.corrections import Correction, CorrectionKind
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Observation, ObservationKind
from curewatch.records.names import same_name
from curewatch.store import Transaction


def undo(desk: Desk, kind: LogKind, of: Sequence[str], now: datetime) -> list[LogEntry]:
    """What was logged of that kind and name (of pours: of these names) was never so. InputError: all stands."""
    names = [(one,) for one in of] if kind is LogKind.POUR else [tuple(of)]
    with desk.store.write() as tx:
        log = {entry.of: entry for entry in logged_lately(tx, now) if entry.kind is kind}
        undone = [_revert(tx, desk, log.get(name), name[0], (kind,), now) for name in names]
    return _relearned(desk, undone, now)


def undo_last(desk: Desk, about: str, now: datetime, kinds: Collection[LogKind]) -> LogEntry:
    """What was logged last of these kinds about the piece or room was never so. InputError: there is nothing."""
    with desk.store.write() as tx:
        log = [entry for entry in logged_lately(tx, now) if entry.kind in kinds]
        if any(kind not in OF_PIECES for kind in kinds):
            about = same_name(about, [entry.about for entry in log]) or about
        log = [entry for entry in log if entry.about == about]
        if not log:
            _require_known(tx, about, kinds)
        undone = _revert(tx, desk, log[-1] if log else None, about, kinds, now)
    return _relearned(desk, [undone], now)[0]


def undo_series(desk: Desk, name: str, now: datetime) -> list[LogEntry]:
    """The series here of that name was never poured: all of it or nothing. InputError as for `undo`."""
    with desk.store.read() as tx:
        ids = [str(piece.id) for piece in series_here(tx, name)]
    return undo(desk, LogKind.POUR, ids, now)


def undo_observation(
    desk: Desk, name: str, kind: ObservationKind, now: datetime, *, at: datetime | None = None
) -> Observation:
    """As `undo_last`, of the piece's observations of that kind; with `at`, of those of this minute."""
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        log = {entry.fact.id: entry for entry in logged_lately(tx, now) if isinstance(entry.fact, Observation)}
        known = [one for one in tx.observations([piece.id]) if one.kind is kind and one.id in log]
        found = [one for one in known if at is None or _minute(desk, one.at) == _minute(desk, at)]
        if at is not None and known and not found:
            moments = ", ".join(desk.dated(one.at) for one in sorted(known, key=lambda one: one.at))
            raise InputError(
                Field.AT,
                desk.dated(at),
                phrase("the minute of {kind} of {name}: {moments}", kind=WHAT[kind], name=name, moments=moments),
            )
        last = max(found, key=lambda one: one.id, default=None)
        undone = _revert(tx, desk, None if last is None else log[last.id], name, (kind,), now)
        assert last is not None  # refused else
    _relearned(desk, [undone], now)
    return last


TEACHING = (LogKind.FOUND, LogKind.CORRECT, LogKind.DELETE, LogKind.NAME, LogKind.RECIPE)


def _relearned(desk: Desk, undone: list[LogEntry], now: datetime) -> list[LogEntry]:
    """The same; of what was never so nothing is shown as learned, and no picture is kept."""
    drop_unnamed(desk, [sha256 for entry in undone for sha256 in entry.files])
    if any(entry.kind in TEACHING for entry in undone):
        update_lessons(desk.store, now)
    return undone


def _minute(desk: Desk, at: datetime) -> str:
    return desk.local(at).isoformat(timespec="minutes")


def _require_known(tx: Transaction, about: str, kinds: Collection[LogKind]) -> None:
    if any(kind in OF_ROOMS for kind in kinds):
        room_known(tx, about)
    elif any(kind in OF_RECIPES for kind in kinds):
        known = [recipe.name for recipe in tx.recipes()]
        if same_name(about, known) is None:
            raise InputError(Field.RECIPE, about, nearest(about, known, phrase("a recipe")))
    elif tx.piece(about) is None:
        piece_here(tx, about)


def _revert(
    tx: Transaction, desk: Desk, entry: LogEntry | None, about: str, kinds: Collection[StrEnum], now: datetime
) -> LogEntry:
    field = next((of for of, some in _FIELDS if any(kind in some for kind in kinds)), Field.PIECE)
    if entry is None:
        hours = round(UNDO_WITHIN.total_seconds() / 3600)
        what = WHAT.get(next(iter(kinds)), phrase("something")) if len(kinds) == 1 else phrase("something")
        raise InputError(
            field,
            about,
            phrase(
                "a name of which {what} was logged in the last {hours} hours and still stands", what=what, hours=hours
            ),
        )
    if entry.only_if is not None:
        raise InputError(field, entry.about, entry.only_if)
    _unsay(tx, desk, entry, now)
    entry.revert(tx, now)
    mark_changed(tx)
    return entry


def _unsay(tx: Transaction, desk: Desk, entry: LogEntry, now: datetime) -> None:
    """What people were told of the pieces that this bears on may not be so without it."""
    if entry.kind is LogKind.POUR and isinstance(entry.fact, Piece):
        retract(
            tx,
            desk.settings,
            tx.milestones_told([entry.fact.id]),
            phrase("the pour was taken back"),
            now,
            of_piece=False,
        )
        return
    why, fact = SAID.get(entry.kind, phrase("it was taken back")), entry.fact
    if isinstance(fact, Correction) and fact.naming is not None:
        doubt(tx, pieces_of(tx, fact) if fact.kind is CorrectionKind.MERGED else [], why, now)
    elif entry.kind in (LogKind.READING, LogKind.TRUST):
        doubt(tx, pieces_in(tx, [entry.about]), why, now)
    elif isinstance(fact, Observation | Stay | Correction) and fact.piece_id is not None:
        doubt(tx, [fact.piece_id], why, now)


_FIELDS = ((Field.ROOM, OF_ROOMS), (Field.RECIPE, OF_RECIPES))
"""What bears the name that something is taken back of; else a piece does."""
WHAT: Mapping[StrEnum, Message] = {
    LogKind.MOVE: phrase("a move"),
    LogKind.GONE: phrase("a leaving"),
    LogKind.STEP: phrase("a step"),
    LogKind.PHOTO: phrase("a photo"),
    LogKind.POUR: phrase("a pour"),
    LogKind.ACKNOWLEDGE: phrase("that somebody sees to this alarm"),
    LogKind.CLEARED: phrase("that it was looked over"),
    ObservationKind.FINGER: phrase("a finger test"),
    ObservationKind.WEIGHING: phrase("a weighing"),
    ObservationKind.SURFACE: phrase("a surface temperature"),
}
SAID: Mapping[LogKind, Message] = {
    LogKind.READING: phrase("a reading was taken back"),
    LogKind.TRUST: phrase("a word on a sensor was taken back"),
    LogKind.MOVE: phrase("a move was taken back"),
    LogKind.FOUND: phrase("what was found was taken back"),
    LogKind.CORRECT: phrase("a correction was taken back"),
    LogKind.DELETE: phrase("a correction was taken back"),
    LogKind.NAME: phrase("a merger was taken back"),
    LogKind.RECIPE: phrase("a merger was taken back"),
}
"""What was taken back, where that bears on what people were told."""
