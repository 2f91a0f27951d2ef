"""One piece with all that bears on it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.orders import nearest
from curewatch.desk.snapshot.snapshot import latest_air, read_snapshot, room_line
from curewatch.records import Alarm, Damage, Forecast
from curewatch.records.errors import Field, InputError
from curewatch.studio import board as boards
from curewatch.studio.alarms import damage
from curewatch.studio.alarms.lifecycle import is_active
from curewatch.studio.board import PieceLine, RoomLine
from curewatch.studio.care.varnish_air import DewMargin, dew_margin
from curewatch.studio.forecasting.drying import Drying


@dataclass(frozen=True)
class PieceReport:
    """One piece with all that bears on it."""

    line: PieceLine
    drying: Drying
    forecast: Forecast | None
    alarms: tuple[Alarm, ...]
    room: RoomLine
    """The room that it is in, as the board has it: what its forecast was made with may be an hour older."""
    damages: tuple[Damage, ...] = ()
    """What stands against it until a person clears it."""
    dew: DewMargin | None = None
    """How far it would be from dew if it were dry; None where its room is not known."""

    @property
    def data_at(self) -> datetime | None:
        """Until when its room was read."""
        return self.room.data_at


def piece_report(desk: Desk, name: str, now: datetime) -> PieceReport:
    """Everything about the piece called `name`. Raises InputError, with near names, if none is here."""
    with desk.store.read() as tx:
        snapshot = read_snapshot(tx, None, now)
        latest = latest_air(tx, snapshot.newest, now)
    for drying in snapshot.dryings:
        if drying.piece.name == name:
            room = room_line(snapshot, drying.room, latest.get(drying.room))
            forecast = snapshot.forecasts.get(drying.piece.id)
            return PieceReport(
                line=boards.piece_line(drying, forecast, now),
                drying=drying,
                forecast=forecast,
                alarms=tuple(a for a in snapshot.alarms if a.room == drying.room and is_active(a)),
                room=room,
                damages=tuple(d for d in snapshot.damages if d.piece_id == drying.piece.id and damage.stands(d)),
                dew=dew_margin(latest[drying.room]) if drying.room in latest else None,
            )
    raise InputError(
        Field.PIECE, name, nearest(name, [drying.piece.name for drying in snapshot.dryings], "a piece here")
    )
