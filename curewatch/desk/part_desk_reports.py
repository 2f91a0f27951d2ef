"""What the desk answers: how a look went, and how one piece stands."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from curewatch.records import Alarm, Damage, Forecast
from curewatch.studio.board import PieceLine, RoomLine
from curewatch.studio.care.part_studio_dew import DewMargin
from curewatch.studio.forecasting.drying import Drying

AT_HAND = 150
"""So many pieces are marched in a second or two, while somebody waits; more are left to a daemon that watches."""


@dataclass(frozen=True)
class Refreshed:
    """What a look at the studio came to."""

    forecasts: int
    """How many were made."""
    notices: int
    """How many were written."""
    next_due: datetime
    """When the next look is due, if nothing is logged before."""
    left: int = 0
    """How many pieces' dates were left to the daemon; then nothing was made, decided or written."""


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
