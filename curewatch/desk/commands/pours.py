"""A piece on its way: poured, moved, promised for a date, found out of level, gone from the studio."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from curewatch.desk.commands.log import LogKind
from curewatch.desk.desk import Desk, mark_changed, rejudge_from
from curewatch.desk.orders import (
    Logged,
    PourOrder,
    free_of_series,
    meet_place,
    meet_recipe,
    meet_room,
    piece_here,
    pieces_meant,
    taken,
)
from curewatch.desk.reports.cure_record import CureRecord, cure_record_of
from curewatch.language import When, phrase
from curewatch.records import NAME_MOST, Piece, Stay
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Promise, Tilt
from curewatch.store import DuplicateName, Transaction


def log_pour(desk: Desk, order: PourOrder, now: datetime) -> Logged:
    """Store a new piece with its pour. A room or recipe named for the first time is made, which the remarks tell.

    Raises InputError if a piece of that name is here already, or if the pour is yet to come.
    """
    return log_pours(desk, [order], now)[0]


def log_pours(desk: Desk, orders: Sequence[PourOrder], now: datetime) -> list[Logged]:
    """As `log_pour`, for a series of pieces: all or none of them."""
    with desk.logging() as tx:
        series = _series(tx, orders)
        logged = [_pour(tx, desk, order, series, now) for order in orders]
        desk.note_sent(tx, now, LogKind.POUR, (one.piece.id for one in logged if one.piece is not None))
        return logged


def _series(tx: Transaction, orders: Sequence[PourOrder]) -> str | None:
    """What the orders are poured as: no two series here bear one name, nor a series and a piece."""
    wanted = orders[0].series if len(orders) > 1 else None
    if wanted is None or all(wanted not in (piece.name, piece.series) for piece in tx.pieces()):
        return wanted
    return f"{orders[0].name} to {orders[-1].name.removeprefix(wanted).strip()}"[:NAME_MOST]


def _pour(tx: Transaction, desk: Desk, order: PourOrder, series: str | None, now: datetime) -> Logged:
    if order.at > now:
        raise InputError(Field.AT, desk.dated(order.at), phrase("a moment that has passed"))
    free_of_series(tx, order.name)
    room, remarks = meet_room(tx, order.room, new=order.new)
    recipe, more = meet_recipe(tx, order.recipe, new=order.new)
    order = replace(order, room=room, recipe=recipe, place=meet_place(tx, room, order.place, new=order.new))
    try:
        piece = tx.add_piece(order.name, now, series)
    except DuplicateName:
        raise taken(order.name) from None
    pour = order.pour(piece.id, desk.settings.air_in(order.room))
    tx.add_pour(pour.model_copy(update={"logged_by": desk.by}))
    if order.tilt_rad is not None:
        tx.put_tilt(Tilt(piece_id=piece.id, measured_at=order.at, tilt_rad=order.tilt_rad))
    if order.paint is not None:
        tx.put_paint(order.paint.model_copy(update={"piece_id": piece.id}))
    if order.promise is not None:
        mine = {"piece_id": piece.id, "logged_at": now, "logged_by": desk.by}
        tx.add_promise(order.promise.model_copy(update=mine))
    tx.add_stay(Stay(piece_id=piece.id, room=order.room, place=order.place, since=order.at, logged_at=now))
    rejudge_from(tx, {order.room: order.at})
    mark_changed(tx)
    return Logged(piece, room, (*remarks, *more))


def move(
    desk: Desk,
    name: str,
    room: str,
    place: str | None,
    now: datetime,
    air_speed_m_s: float | None = None,
    *,
    at: datetime | None = None,
    new: bool = False,
) -> Logged:
    """The piece lies in `room`, at `place`, from `at` (left out: now) on.

    What was said of the air at its pour held for where it was poured: from then on it is `air_speed_m_s` [m/s], or what
    the settings say of the room. InputError: no such piece is here, or it came to where it lies no earlier than `at`.
    """
    at = now if at is None else at
    with desk.logging() as tx:
        piece = piece_here(tx, name)
        _after_it_came(tx, desk, piece, at)
        room, remarks = meet_room(tx, room, new=new)
        place = meet_place(tx, room, place, new=new)
        air = desk.settings.air_in(room) if air_speed_m_s is None else air_speed_m_s
        tx.add_stay(Stay(piece_id=piece.id, room=room, place=place, since=at, air_speed_m_s=air, logged_at=now))
        rejudge_from(tx, {room: at})
        mark_changed(tx)
        desk.note_sent(tx, now, LogKind.MOVE, (name,))
    return Logged(piece, room, tuple(remarks))


def leave(desk: Desk, name: str, now: datetime, *, at: datetime | None = None) -> Logged:
    """The piece left the studio at `at` (left out: now); its name is free again.

    InputError: no such piece is here, or it came to where it lies no earlier than `at`.
    """
    with desk.logging() as tx:
        piece = piece_here(tx, name)
        if at is not None:
            _after_it_came(tx, desk, piece, at)
        tx.set_gone(piece.id, now if at is None else at, logged_at=now)
        mark_changed(tx)
        desk.note_sent(tx, now, LogKind.GONE, (piece.id,))
    return Logged(piece)


def _after_it_came(tx: Transaction, desk: Desk, piece: Piece, at: datetime) -> None:
    came = tx.stays([piece.id])[-1].since
    if at <= came:
        allowed = phrase("a moment after {name} came to where it lies, {date}", name=piece.name, date=When(came))
        raise InputError(Field.AT, desk.dated(at), allowed)


def promise(desk: Desk, name: str, promised: Promise, now: datetime) -> list[Promise]:
    """The piece, or each of the series, of that name is to be ready as `promised`; without a date, nobody waits for it.

    InputError: nothing of that name is here, or nothing was promised that could be taken back.
    """
    with desk.logging() as tx:
        pieces = pieces_meant(tx, name)
        before = {one.piece_id: one.due_at for one in tx.promises([piece.id for piece in pieces])}
        if promised.due_at is None and not any(before.values()):
            raise InputError(Field.DUE, "none", phrase("a date; {name} was promised for none", name=name))
        mine = {"logged_at": now, "logged_by": desk.by}
        found = [promised.model_copy(update={"piece_id": piece.id, **mine}) for piece in pieces]
        for one in found:
            tx.add_promise(one)
        tx.withdraw([key for key in tx.told_of_pieces([piece.id for piece in pieces]) if "/promise-" in key], now)
        mark_changed(tx)
        desk.note_sent(tx, now, LogKind.PROMISE, (name, now.isoformat()))
    return found


def measured(desk: Desk, name: str, tilt_rad: float, at: datetime, now: datetime) -> CureRecord:
    """Store how far from level a piece's support was at `at`; the piece with it. InputError: no such piece here, or a
    moment before its pour."""
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        (pour,) = tx.pours([piece.id])
        if not pour.at <= at <= now:
            raise InputError(Field.AT, desk.dated(at), phrase("a moment since the pour, {date}", date=When(pour.at)))
        tx.put_tilt(Tilt(piece_id=piece.id, measured_at=at, tilt_rad=tilt_rad, logged_at=now))
        mark_changed(tx)
    return cure_record_of(desk, name, now)
