"""The places of a room that are known by what has lain on them."""

from __future__ import annotations

from curewatch.desk.desk import Desk


def free_places(desk: Desk, room: str) -> tuple[str, ...]:
    """Places of the room that something has lain on before, and nothing does now; by name."""
    with desk.store.read() as tx:
        here = {piece.id for piece in tx.pieces()}
        stays = tx.stays()
    last = {stay.piece_id: stay for stay in stays if stay.piece_id in here}  # in the order of time: the last counts
    taken = {(stay.room, stay.place) for stay in last.values()}
    known = {stay.place for stay in stays if stay.room == room and stay.place is not None}
    return tuple(sorted(place for place in known if (room, place) not in taken))
