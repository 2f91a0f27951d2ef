"""What people do about alarms: acknowledge, mute for a while, look a harmed piece over; and what there is to see."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import piece_here, room_known
from curewatch.desk.reports.board import board_of
from curewatch.language import Words, phrase
from curewatch.records import Alarm, AlarmEvent, AlarmHappening, AlarmKind, Damage, Notice
from curewatch.records.errors import Field, InputError
from curewatch.store import Transaction
from curewatch.studio.alarms import damage as damages
from curewatch.studio.alarms import lifecycle as life
from curewatch.studio.board import Board, Close, PieceLine


@dataclass(frozen=True)
class DamagedPiece:
    """Damage with the name of its piece."""

    piece: str
    damage: Damage


@dataclass(frozen=True)
class AlarmsNow:
    """Everything about alarms that asks for somebody's eye."""

    active: tuple[Alarm, ...]
    """Raised and not yet over, the newest first, acknowledged and muted ones too."""
    close: tuple[Close, ...]
    """What may come to be one."""
    muted: tuple[Alarm, ...]
    """Quiet ones that would not be told of if they were raised."""
    harmed: tuple[DamagedPiece, ...]
    """Damage that nobody has cleared."""
    at_risk: tuple[PieceLine, ...]
    """Pieces that may well miss the date that they are promised for."""
    unread: tuple[str, ...]
    """Rooms in which something dries and of which nothing was ever read."""
    told: tuple[Notice, ...]
    """What people were told of all this, the newest first; withdrawn ones too."""
    history: tuple[AlarmEvent, ...] = ()
    """The newest first; empty unless asked for."""

    @property
    def is_well(self) -> bool:
        """Whether nothing is over a limit, or soon to be, nor harmed, at risk or unknown."""
        return not (self.active or self.close or self.harmed or self.at_risk or self.unread)


TOLD = ("alarm", "alarm_over", "reminder", "foreseen", "promise", "battery", "devices")
"""Kinds of notices that tell of something wrong, or that it is over."""
TOLD_MOST = 60


def alarms_now(
    desk: Desk, now: datetime, board: Board | None = None, *, history: int = 0, room: str | None = None
) -> AlarmsNow:
    """How the alarms are (in `room`), with the newest `history` lines of what happened to them. InputError: no room.
    `board`: where it is at hand."""
    board = board_of(desk, now) if board is None else board
    with desk.store.read() as tx:
        if room is not None:
            room = room_known(tx, room)
        events = tx.alarm_events(room=room, limit=history) if history else []
        told = [one for one in tx.notices(limit=4 * TOLD_MOST, kinds=TOLD) if room in (None, one.room)]
        quiet = [one for one in tx.alarms() if one.is_muted(now) and not one.is_active and room in (None, one.room)]
        harmed = _harmed(tx, room)
    return AlarmsNow(
        active=tuple(one for one in board.alarms if room in (None, one.room)),
        close=tuple(board.close_to(room)),
        muted=tuple(quiet),
        harmed=tuple(harmed),
        at_risk=tuple(one for one in board.at_risk if room in (None, one.room)),
        unread=tuple(one for one in board.unread if room in (None, one)),
        told=tuple(one for one in told if "told_in" not in one.data)[:TOLD_MOST],
        history=tuple(events),
    )


def acknowledge(desk: Desk, room: str, kind: AlarmKind, now: datetime) -> Alarm:
    """Somebody sees to it: no reminder comes. InputError where no such alarm is on."""
    with desk.store.write() as tx:
        room = room_known(tx, room)
        alarm = _known(tx, room, kind)
        if alarm is None or not alarm.is_active:
            on = [str(one.kind) for one in tx.alarms() if one.room == room and one.is_active]
            raise InputError(
                Field.KIND,
                kind.value,
                phrase("an alarm that is on in {room}: {listed}", room=repr(room), listed=_listed(on)),
            )
        return _store(tx, life.acknowledged(alarm, now), AlarmHappening.ACKNOWLEDGED, now)


def mute(desk: Desk, room: str, kind: AlarmKind, length: timedelta, now: datetime) -> Alarm:
    """Nothing is told of this alarm for `length`, whether it is on now or not. InputError where that is too long."""
    with desk.store.write() as tx:
        room = room_known(tx, room)
        alarm = _known(tx, room, kind) or life.fresh(kind, room, now - timedelta(seconds=1))
        try:
            quiet = life.muted(alarm, now + length, now)
        except ValueError:
            hours = f"{length.total_seconds() / 3600:g} h"
            raise InputError(
                Field.HOURS, hours, phrase("at most {n} h", n=round(life.MUTE_MOST.total_seconds() / 3600))
            ) from None
        return _store(tx, quiet, AlarmHappening.MUTED, now)


def unmute(desk: Desk, room: str, kind: AlarmKind, now: datetime) -> Alarm:
    """It is told again. InputError where it is not muted."""
    with desk.store.write() as tx:
        room = room_known(tx, room)
        alarm = _known(tx, room, kind)
        if alarm is None or not alarm.is_muted(now):
            muted = [str(one.kind) for one in tx.alarms() if one.room == room and one.is_muted(now)]
            raise InputError(
                Field.KIND,
                kind.value,
                phrase("an alarm that is muted in {room}: {listed}", room=repr(room), listed=_listed(muted)),
            )
        return _store(tx, life.unmuted(alarm), AlarmHappening.UNMUTED, now)


def clear_damage(desk: Desk, name: str, now: datetime) -> tuple[Damage, ...]:
    """A person has looked the piece over: what stood against it no longer does. InputError where nothing did."""
    with desk.store.write() as tx:
        piece = piece_here(tx, name)
        standing = [one for one in tx.damages([piece.id]) if damages.stands(one)]
        if not standing:
            raise InputError(
                Field.PIECE, name, phrase("a piece with damage that was not cleared yet (see `curewatch alarms`)")
            )
        tx.clear_damages(piece.id, now)
        mark_changed(tx)
    return tuple(standing)


def _listed(kinds: Sequence[str]) -> Words:
    return ", ".join(sorted(kinds)) or phrase("none is")


def _known(tx: Transaction, room: str, kind: AlarmKind) -> Alarm | None:
    return next((alarm for alarm in tx.alarms() if alarm.room == room and alarm.kind is kind), None)


def _store(tx: Transaction, alarm: Alarm, happening: AlarmHappening, now: datetime) -> Alarm:
    tx.put_alarms([alarm])
    event = AlarmEvent(
        kind=alarm.kind,
        room=alarm.room,
        happening=happening,
        at=now,
        recorded_at=now,
        muted_until=alarm.muted_until if happening is AlarmHappening.MUTED else None,
    )
    tx.add_alarm_events([event])
    mark_changed(tx)
    return alarm


def _harmed(tx: Transaction, room: str | None) -> Sequence[DamagedPiece]:
    here = {piece.id: piece.name for piece in tx.pieces()}
    where = {stay.piece_id: stay.room for stay in tx.stays(list(here))}  # the last stay of each counts
    return [
        DamagedPiece(here[one.piece_id], one)
        for one in tx.damages(list(here))
        if damages.stands(one) and room in (None, where.get(one.piece_id))
    ]
