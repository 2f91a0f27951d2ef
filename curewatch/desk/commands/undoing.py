"""Whatever was logged by a slip, taken back: one rule for every kind of fact."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from curewatch.desk.commands import aftercare
from curewatch.desk.desk import Desk
from curewatch.desk.orders import nearest, piece_here
from curewatch.desk.reports.cure_record import history
from curewatch.desk.revision import READINGS_UNDONE, mark_changed
from curewatch.records import Piece
from curewatch.records.errors import Field, InputError
from curewatch.records.observations import Observation
from curewatch.records.workshop import StepDone
from curewatch.store import DuplicateName, FactRefused


def undo_observation(desk: Desk, name: str, observation_id: int) -> Observation:
    """It was never so; what the piece taught by it is forgotten. InputError: no such observation of a piece here."""
    with desk.store.write() as tx:
        here = {piece.name: piece for piece in tx.pieces()}
        if name not in here:
            raise InputError(Field.PIECE, name, nearest(name, list(here), "a piece here"))
        known = {one.id: one for one in tx.observations([here[name].id])}
        if observation_id not in known:
            numbers = ", ".join(map(str, known)) or "there is none"
            raise InputError(Field.OBSERVATION, str(observation_id), f"the number of one of {name}: {numbers}")
        tx.undo_observation(observation_id)
        mark_changed(tx)
    return known[observation_id]


def undo_step(desk: Desk, name: str, step_id: int, now: datetime) -> StepDone:
    """It was not done after all; it stays in the history. InputError unless it is the last that stands as done.

    Only the last: the steps after it were let through because it was done.
    """
    standing = [one for one in history(desk, name, now).steps if one.undone_at is None]
    if not standing or standing[-1].id != step_id:
        last = f"{standing[-1].id} ({standing[-1].step})" if standing else "none stands"
        raise InputError(Field.STEP, str(step_id), f"the number of the last step of {name} that stands as done: {last}")
    return aftercare.undo(desk, name, now)


UNDO_WITHIN = timedelta(hours=24)
"""How long after it was logged a slip can be taken back: seen by the next morning at the latest."""
TYPED = "typed"


def undo_pours(desk: Desk, piece_ids: Sequence[int], now: datetime) -> list[str]:
    """These pieces were never poured; their names. All or none."""
    with desk.store.write() as tx:
        known = {piece.id: piece for piece in tx.pieces()}
        names = []
        for piece_id in piece_ids:
            piece = known.get(piece_id)
            if piece is None:
                raise InputError(Field.PIECE, str(piece_id), "a piece that is still here")
            in_time(piece.created_at, f"the pour of {piece.name}", now)
            if tx.observations([piece_id]) or any(one.undone_at is None for one in tx.steps([piece_id])):
                raise InputError(
                    Field.UNDO, f"the pour of {piece.name}", "one that nothing was found of or done to since"
                )
            tx.undo_piece(piece_id, now)
            names.append(piece.name)
        mark_changed(tx)
    return names


def undo_reading(desk: Desk, room: str, at: datetime, now: datetime) -> None:
    """What was typed of the room at that moment was never so."""
    with desk.store.write() as tx:
        typed = [one for one in tx.readings(room, since=at, until=at) if one.source == TYPED]
        if not typed:
            raise InputError(Field.READING, at.isoformat(timespec="seconds"), f"a moment at which {room} was typed in")
        for reading in typed:
            in_time(reading.received_at, f"the reading of {room}", now)
        tx.undo_reading(room, TYPED, at)
        tx.set_meta(READINGS_UNDONE, str(int(tx.get_meta(READINGS_UNDONE) or 0) + 1))
        mark_changed(tx)


def undo_move(desk: Desk, name: str, now: datetime) -> None:
    """The piece's last move never was."""
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        last = tx.stays([piece.id])[-1]
        in_time(last.since, f"the move of {name}", now)
        try:
            tx.undo_stay(piece.id, last.since)
        except FactRefused as refusal:
            raise InputError(Field.PIECE, name, "a piece that has been moved") from refusal
        mark_changed(tx)


def last_gone(desk: Desk, name: str) -> Piece:
    """The piece of that name that left last. InputError: none has."""
    with desk.store.read() as tx:
        gone = tx.pieces(gone=True)
        poured = {pour.piece_id for pour in tx.pours([piece.id for piece in gone])}  # without: it was taken back itself
    gone = [piece for piece in gone if piece.id in poured]
    named = [(piece.gone_at, piece.id, piece) for piece in gone if piece.name == name and piece.gone_at is not None]
    if not named:
        raise InputError(Field.PIECE, name, nearest(name, [piece.name for piece in gone], "a piece that is gone"))
    return max(named)[2]


def undo_leaving(desk: Desk, piece_id: int, now: datetime) -> str:
    """The piece is here after all; its name."""
    with desk.store.write() as tx:
        piece = next((one for one in tx.pieces(gone=True) if one.id == piece_id), None)
        if piece is None or piece.gone_at is None or not tx.pours([piece_id]):  # without a pour: taken back itself
            raise InputError(Field.PIECE, str(piece_id), "a piece that is gone")
        in_time(piece.gone_at, f"the leaving of {piece.name}", now)
        try:
            tx.set_gone(piece_id, None)
        except DuplicateName:
            raise InputError(Field.PIECE, piece.name, "a name that no other piece has taken meanwhile") from None
        mark_changed(tx)
    return piece.name


def in_time(logged_at: datetime, what: str, now: datetime) -> None:
    """InputError where it is too late to take back what was logged at `logged_at`."""
    if now - logged_at > UNDO_WITHIN:
        hours = round(UNDO_WITHIN.total_seconds() / 3600)
        raise InputError(Field.UNDO, what, f"something of the last {hours} hours")
