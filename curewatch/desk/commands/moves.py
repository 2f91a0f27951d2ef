"""A piece on its way: into another room or place, out of the studio, and each of these taken back.

What was logged by a slip (a pour, a reading, a move, a piece gone) can be taken back for a while. After that it is a
fact that dates and notices rest on, and is corrected by logging what is true.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk, mark_changed, rejudge_from
from curewatch.desk.orders import FactError, Logged
from curewatch.desk.part_desk_naming import meet_room, nearest
from curewatch.desk.snapshot.air_cache import READINGS_UNDONE
from curewatch.records import Piece, Stay
from curewatch.store import DuplicateName, FactRefused, Transaction

UNDO_WITHIN = timedelta(hours=24)
"""How long after it was logged a slip can be taken back: seen by the next morning at the latest."""
TYPED = "typed"


def move(
    desk: Desk,
    name: str,
    room: str,
    place: str | None,
    now: datetime,
    air_speed_m_s: float | None = None,
    *,
    at: datetime | None = None,
) -> Logged:
    """The piece lies in `room`, at `place`, from `at` (left out: now) on.

    What was said of the air at its pour held for where it was poured: from then on it is `air_speed_m_s` [m/s], or what
    the settings say of the room. FactError: no such piece is here, or it came to where it lies no earlier than `at`.
    """
    at = now if at is None else at
    air = desk.settings.air_in(room) if air_speed_m_s is None else air_speed_m_s
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        _after_it_came(tx, desk, piece, at)
        notes = meet_room(tx, room)
        tx.add_stay(Stay(piece_id=piece.id, room=room, place=place, since=at, air_speed_m_s=air))
        rejudge_from(tx, {room: at})
        mark_changed(tx)
    return Logged(piece, tuple(notes))


def leave(desk: Desk, name: str, now: datetime, *, at: datetime | None = None) -> Logged:
    """The piece left the studio at `at` (left out: now); its name is free again.

    FactError: no such piece is here, or it came to where it lies no earlier than `at`.
    """
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        if at is not None:
            _after_it_came(tx, desk, piece, at)
        tx.set_gone(piece.id, now if at is None else at)
        mark_changed(tx)
    return Logged(piece)


def undo_pours(desk: Desk, piece_ids: Sequence[int], now: datetime) -> list[str]:
    """These pieces were never poured; their names. All or none."""
    with desk.store.write() as tx:
        known = {piece.id: piece for piece in tx.pieces()}
        names = []
        for piece_id in piece_ids:
            piece = known.get(piece_id)
            if piece is None:
                raise FactError("piece", str(piece_id), "a piece that is still here")
            in_time(piece.created_at, f"the pour of {piece.name}", now)
            if tx.observations([piece_id]) or any(one.undone_at is None for one in tx.steps([piece_id])):
                raise FactError("undo", f"the pour of {piece.name}", "one that nothing was found of or done to since")
            tx.undo_piece(piece_id, now)
            names.append(piece.name)
        mark_changed(tx)
    return names


def undo_reading(desk: Desk, room: str, at: datetime, now: datetime) -> None:
    """What was typed of the room at that moment was never so."""
    with desk.store.write() as tx:
        typed = [one for one in tx.readings(room, since=at, until=at) if one.source == TYPED]
        if not typed:
            raise FactError("reading", at.isoformat(timespec="seconds"), f"a moment at which {room} was typed in")
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
            raise FactError("piece", name, "a piece that has been moved") from refusal
        mark_changed(tx)


def last_gone(desk: Desk, name: str) -> Piece:
    """The piece of that name that left last. FactError: none has."""
    with desk.store.read() as tx:
        gone = tx.pieces(gone=True)
        poured = {pour.piece_id for pour in tx.pours([piece.id for piece in gone])}  # without: it was taken back itself
    gone = [piece for piece in gone if piece.id in poured]
    named = [(piece.gone_at, piece.id, piece) for piece in gone if piece.name == name and piece.gone_at is not None]
    if not named:
        raise FactError("piece", name, nearest(name, [piece.name for piece in gone], "a piece that is gone"))
    return max(named)[2]


def undo_leaving(desk: Desk, piece_id: int, now: datetime) -> str:
    """The piece is here after all; its name."""
    with desk.store.write() as tx:
        piece = next((one for one in tx.pieces(gone=True) if one.id == piece_id), None)
        if piece is None or piece.gone_at is None or not tx.pours([piece_id]):  # without a pour: taken back itself
            raise FactError("piece", str(piece_id), "a piece that is gone")
        in_time(piece.gone_at, f"the leaving of {piece.name}", now)
        try:
            tx.set_gone(piece_id, None)
        except DuplicateName:
            raise FactError("piece", piece.name, "a name that no other piece has taken meanwhile") from None
        mark_changed(tx)
    return piece.name


def piece_here(tx: Transaction, name: str) -> Piece:
    pieces = tx.pieces()
    for piece in pieces:
        if piece.name == name:
            return piece
    raise FactError("piece", name, nearest(name, [piece.name for piece in pieces], "a piece here"))


def _after_it_came(tx: Transaction, desk: Desk, piece: Piece, at: datetime) -> None:
    came = tx.stays([piece.id])[-1].since
    if at <= came:
        given, since = (desk.local(one).isoformat(timespec="seconds") for one in (at, came))
        raise FactError("--at", given, f"a moment after {piece.name} came to where it lies, {since}")


def in_time(logged_at: datetime, what: str, now: datetime) -> None:
    """FactError where it is too late to take back what was logged at `logged_at`."""
    if now - logged_at > UNDO_WITHIN:
        hours = round(UNDO_WITHIN.total_seconds() / 3600)
        raise FactError("undo", what, f"something of the last {hours} hours")
