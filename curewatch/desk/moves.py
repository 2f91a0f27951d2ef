"""A piece on its way: into another room or place, out of the studio, and each of these taken back.

What was logged by a slip (a pour, a reading, a move, a piece gone) can be taken back for a while. After that it is a
fact that dates and notices rest on, and is corrected by logging what is true.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.naming import meet_room, nearest
from curewatch.desk.orders import FactError, Logged
from curewatch.desk.room_air import TAKEN_BACK
from curewatch.records import Piece, Stay
from curewatch.store import DuplicateName, FactRefused, Transaction

TAKE_BACK_WITHIN = timedelta(minutes=30)
"""How long after it was logged a slip can be taken back."""
TYPED = "typed"


def move(desk: Desk, name: str, room: str, place: str | None, now: datetime) -> Logged:
    """The piece lies in `room`, at `place`, from now on. FactError if no such piece is here."""
    with desk.store.write() as tx:
        piece = _here(tx, name)
        notes = meet_room(tx, room)
        try:
            tx.add_stay(Stay(piece_id=piece.id, room=room, place=place, since=now))
        except FactRefused:
            raise FactError("piece", name, "a piece that was not moved or poured at this very moment") from None
        mark_changed(tx)
    return Logged(piece, tuple(notes))


def leave(desk: Desk, name: str, now: datetime) -> Logged:
    """The piece has left the studio; its name is free again. FactError if no such piece is here."""
    with desk.store.write() as tx:
        piece = _here(tx, name)
        tx.set_gone(piece.id, now)
        mark_changed(tx)
    return Logged(piece)


def take_back_pours(desk: Desk, piece_ids: Sequence[int], now: datetime) -> list[str]:
    """These pieces were never poured; their names. All or none."""
    with desk.store.write() as tx:
        known = {piece.id: piece for piece in tx.pieces()}
        names = []
        for piece_id in piece_ids:
            piece = known.get(piece_id)
            if piece is None:
                raise FactError("piece", str(piece_id), "a piece that is still here")
            _in_time(piece.created_at, f"the pour of {piece.name}", now)
            tx.take_back_piece(piece_id, now)
            names.append(piece.name)
        mark_changed(tx)
    return names


def take_back_reading(desk: Desk, room: str, at: datetime, now: datetime) -> None:
    """What was typed of the room at that moment was never so."""
    with desk.store.write() as tx:
        typed = [one for one in tx.readings(room, since=at, until=at) if one.source == TYPED]
        if not typed:
            raise FactError("reading", at.isoformat(timespec="seconds"), f"a moment at which {room} was typed in")
        for reading in typed:
            _in_time(reading.received_at, f"the reading of {room}", now)
        tx.take_back_reading(room, TYPED, at)
        tx.set_meta(TAKEN_BACK, str(int(tx.get_meta(TAKEN_BACK) or 0) + 1))
        mark_changed(tx)


def take_back_move(desk: Desk, name: str, now: datetime) -> None:
    """The piece's last move never was."""
    with desk.store.write() as tx:
        piece = _here(tx, name)
        last = tx.stays([piece.id])[-1]
        _in_time(last.since, f"the move of {name}", now)
        try:
            tx.take_back_stay(piece.id, last.since)
        except FactRefused as refusal:
            raise FactError("piece", name, "a piece that has been moved") from refusal
        mark_changed(tx)


def take_back_leaving(desk: Desk, piece_id: int, now: datetime) -> str:
    """The piece is here after all; its name."""
    with desk.store.write() as tx:
        piece = next((one for one in tx.pieces(gone=True) if one.id == piece_id), None)
        if piece is None or piece.gone_at is None or not tx.pours([piece_id]):  # without a pour: taken back itself
            raise FactError("piece", str(piece_id), "a piece that is gone")
        _in_time(piece.gone_at, f"the leaving of {piece.name}", now)
        try:
            tx.set_gone(piece_id, None)
        except DuplicateName:
            raise FactError("piece", piece.name, "a name that no other piece has taken meanwhile") from None
        mark_changed(tx)
    return piece.name


def _here(tx: Transaction, name: str) -> Piece:
    pieces = tx.pieces()
    for piece in pieces:
        if piece.name == name:
            return piece
    raise FactError("piece", name, nearest(name, [piece.name for piece in pieces], "a piece here"))


def _in_time(logged_at: datetime, what: str, now: datetime) -> None:
    if now - logged_at > TAKE_BACK_WITHIN:
        minutes = round(TAKE_BACK_WITHIN.total_seconds() / 60)
        raise FactError("undo", what, f"something logged in the last {minutes} minutes")
