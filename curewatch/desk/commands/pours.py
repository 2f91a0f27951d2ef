"""Pours: a new piece, where it lies and what was poured over it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime

from curewatch.desk.desk import Desk, mark_changed, rejudge_from
from curewatch.desk.orders import Logged, PourOrder, meet_place, meet_recipe, meet_room
from curewatch.records import NAME_MOST, Stay
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Tilt
from curewatch.store import DuplicateName, Transaction


def log_pour(desk: Desk, order: PourOrder, now: datetime) -> Logged:
    """Store a new piece with its pour. A room or recipe named for the first time is made, which the remarks tell.

    Raises InputError if a piece of that name is here already, or if the pour is yet to come.
    """
    return log_pours(desk, [order], now)[0]


def log_pours(desk: Desk, orders: Sequence[PourOrder], now: datetime) -> list[Logged]:
    """As `log_pour`, for a series of pieces: all or none of them."""
    with desk.store.write() as tx:
        series = _series(tx, orders)
        return [_pour(tx, desk, order, series, now) for order in orders]


def _series(tx: Transaction, orders: Sequence[PourOrder]) -> str | None:
    """What the orders are poured as: no two series here bear one name."""
    wanted = orders[0].series if len(orders) > 1 else None
    if wanted is None or all(piece.series != wanted for piece in tx.pieces()):
        return wanted
    return f"{orders[0].name} to {orders[-1].name.removeprefix(wanted).strip()}"[:NAME_MOST]


def _pour(tx: Transaction, desk: Desk, order: PourOrder, series: str | None, now: datetime) -> Logged:
    if order.at > now:
        raise InputError(Field.AT, order.at.isoformat(timespec="seconds"), "a moment that has passed")
    room, remarks = meet_room(tx, order.room, new=order.new)
    recipe, more = meet_recipe(tx, order.recipe, new=order.new)
    order = replace(order, room=room, recipe=recipe, place=meet_place(tx, room, order.place, new=order.new))
    try:
        piece = tx.add_piece(order.name, now, series)
    except DuplicateName:
        raise InputError(Field.NAME, order.name, "a name that no piece here bears yet") from None
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
