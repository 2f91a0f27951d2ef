"""The rooms' air to come, for the forecasts: each room's past as the outlook wants it, kept between looks."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

import numpy as np

from curewatch.desk.room_air import RoomAir
from curewatch.store import Transaction
from curewatch.studio.climate import Climate
from curewatch.studio.future import RoomFuture, future
from curewatch.studio.hourly import Hourly, hourly
from curewatch.studio.outlook import HISTORY, outlook


class AheadAir:
    """The futures of rooms. Safe to use from several threads: what is kept is replaced whole."""

    def __init__(self) -> None:
        self._past = RoomAir()

    def futures(
        self, tx: Transaction, rooms: Iterable[str], now: datetime, *, members: int, days: int
    ) -> dict[str, RoomFuture]:
        """By room, its air as far as `days` beyond its record up to `now`; rooms that were never read are missing."""
        found = {}
        for room in sorted(set(rooms)):
            climate = self._past.climate(tx, room, now - timedelta(hours=HISTORY), now)
            if climate is not None:
                found[room] = future_of(climate, members, days)
        return found


def future_of(climate: Climate, members: int, days: int) -> RoomFuture:
    """The air of a room with this past: from where it was last, by its own habits."""
    end_s = float(climate.time_s[-1])
    seen = outlook(past_of(climate), end_s)
    return future(seen, float(climate.temp_c[-1]), float(climate.rh_pct[-1]), members, end_s + days * 86400.0)


def past_of(climate: Climate) -> Hourly:
    """The room's hourly means, counted back from the end of its record; not known where a quantity is only held."""
    read = (climate.time_s >= climate.known_from_s) & (climate.time_s <= climate.newest_s)
    unread = np.where(read | ~read.any(), 0.0, np.nan)
    found = hourly(climate.time_s, climate.temp_c + unread, climate.rh_pct + unread, float(climate.time_s[-1]))
    assert found is not None  # a climate has at least one moment
    return found
