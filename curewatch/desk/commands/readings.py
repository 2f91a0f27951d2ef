"""Readings of a room's air, typed by people and sent by sensors."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from curewatch.desk.commands.trust import check_remark, checked
from curewatch.desk.desk import Desk, mark_readings, rejudge_from
from curewatch.desk.orders import Logged, meet_room
from curewatch.records import Reading, Room
from curewatch.records.remarks import Remark, RemarkKind


def log_reading(desk: Desk, reading: Reading) -> Logged:
    """Store a typed reading; one of that moment that is stored already stands as it was."""
    with desk.store.write() as tx:
        remarks = meet_room(tx, reading.room)
        if not tx.add_readings([reading]):
            remarks.append(Remark(RemarkKind.READING_STORED_ALREADY))
        else:
            rejudge_from(tx, {reading.room: reading.at})
            mark_readings(tx)
            remarks += [check_remark(one) for one in checked(tx, reading, reading.received_at)]
    return Logged(remarks=tuple(remarks))


def store_readings(desk: Desk, readings: Sequence[Reading], dated: Sequence[int] = ()) -> int:
    """Store sensors' readings, all or none; the number that were new. `dated`: pending messages that made them."""
    oldest: dict[str, datetime] = {}
    for reading in readings:
        oldest[reading.room] = min(oldest.get(reading.room, reading.at), reading.at)
    with desk.store.write() as tx:
        tx.drop_pending_messages(dated)
        for room in oldest:
            tx.add_room(Room(name=room))
        new = tx.add_readings(readings)
        if new:
            rejudge_from(tx, oldest)
            mark_readings(tx)
    return new
