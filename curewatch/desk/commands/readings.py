"""Readings of a room's air, typed by people and sent by sensors."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from curewatch.desk.commands.trust import check_remark, checked
from curewatch.desk.desk import Desk, mark_readings, rejudge_from
from curewatch.desk.orders import Logged, meet_room, met
from curewatch.records import Reading, Room
from curewatch.records.errors import Field
from curewatch.records.names import same_name
from curewatch.records.remarks import Remark, RemarkKind


def log_reading(desk: Desk, reading: Reading, *, new: bool = False) -> Logged:
    """Store a typed reading; one of that moment that is stored already stands as it was.

    NearName for a room that sounds like a known one, unless it is said to be `new`.
    """
    reading = reading.model_copy(update={"logged_by": desk.by})
    with desk.store.write() as tx:
        room, remarks = meet_room(tx, reading.room, new=new)
        reading = reading.model_copy(update={"room": room})
        if not tx.add_readings([reading]):
            remarks.append(Remark(RemarkKind.READING_STORED_ALREADY))
        else:
            rejudge_from(tx, {reading.room: reading.at})
            mark_readings(tx)
            remarks += [check_remark(one) for one in checked(tx, reading, reading.received_at)]
    return Logged(room=room, remarks=tuple(remarks))


def room_called(desk: Desk, name: str, *, new: bool) -> str:
    """The room as it is called, for whoever takes in many readings. NearName as `log_reading`."""
    with desk.store.read() as tx:
        return met(name, [room.name for room in tx.rooms()], Field.ROOM, new=new) or name


def store_readings(desk: Desk, readings: Sequence[Reading], dated: Sequence[int] = ()) -> int:
    """Store sensors' readings, all or none; the number that were new. `dated`: pending messages that made them."""
    with desk.store.write() as tx:
        tx.drop_pending_messages(dated)
        rooms = {one.name for one in tx.rooms()}
        called = {name: same_name(name, rooms) or name for name in {one.room for one in readings}}
        if any(name != room for name, room in called.items()):  # the settings may write it otherwise than people do
            readings = [one.model_copy(update={"room": called[one.room]}) for one in readings]
        oldest: dict[str, datetime] = {}
        for reading in readings:
            oldest[reading.room] = min(oldest.get(reading.room, reading.at), reading.at)
        for room in oldest.keys() - rooms:
            tx.add_room(Room(name=room))
        new = tx.add_readings(readings)
        if new:
            rejudge_from(tx, oldest)
            mark_readings(tx)
    return new
