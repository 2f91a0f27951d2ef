"""The rooms' air to come, from each room's past as it is believed; that past is kept between refreshes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

import numpy as np

from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.store import Transaction
from curewatch.studio.air.climate import HOUR_S, AirBands, Climate, Hourly, hourly
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.outlook import HISTORY, Outlook, outlook
from curewatch.studio.outlook.scenarios import RoomScenarios, future

PAST = timedelta(hours=HISTORY)
FAR_DAYS = 120
"""As far as a drying curve is shown at most."""


class PastCache:
    """As much of the rooms' past as an outlook is made of, kept between refreshes. Safe to use from several threads."""

    def __init__(self) -> None:
        self._air = AirCache()

    def pasts(self, tx: Transaction, rooms: Iterable[str], now: datetime) -> dict[str, Climate]:
        """By room, its air up to `now`; rooms that were never read are missing."""
        known = {room: self._air.climate(tx, room, now - PAST, now) for room in sorted(set(rooms))}
        return {room: climate for room, climate in known.items() if climate is not None}


def futures_of(pasts: Mapping[str, Climate], members: int, days: int) -> dict[str, RoomScenarios]:
    """By room, its air as far as `days` beyond its record."""
    return {room: future_of(climate, members, days) for room, climate in pasts.items()}


def piece_future(past: Climate, drying: Drying, now: datetime, members: int) -> RoomScenarios:
    """The air to come of the room with this past, as far as anybody looks at a piece in it."""
    return future_of(past, members, max(FAR_DAYS, math.ceil((now - drying.pour.at) / timedelta(days=1)) + 1))


def future_of(climate: Climate, members: int, days: int) -> RoomScenarios:
    """The air of a room with this past: from where it was last, by its own habits."""
    end_s = float(climate.time_s[-1])
    seen = outlook(past_of(climate), end_s)
    return future(seen, float(climate.temp_c[-1]), float(climate.rh_pct[-1]), members, end_s + days * 86400.0)


def past_of(climate: Climate, until_s: float | None = None) -> Hourly:
    """The room's hourly means, counted back from `until_s` (default: the end of its record), spikes left out.

    Not known where a quantity is only held.
    """
    read = (climate.time_s >= climate.known_from_s) & (climate.time_s <= climate.newest_s)
    unread = np.where(read | ~read.any(), 0.0, np.nan)
    end_s = float(climate.time_s[-1]) if until_s is None else until_s
    found = hourly(climate.time_s, climate.temp_c + unread, climate.rh_pct + unread, end_s)
    assert found is not None  # a climate has at least one moment
    return found


STALE_H = 3
"""With so many hours unread at its end, a room's past says nothing of tonight."""


def air_to_come(climate: Climate, now: datetime) -> AirBands | None:
    """The air to come of a room with this past, as it is believed; None where that says nothing of it."""
    hours = past_of(climate, now.timestamp())
    if not all(np.isfinite(values).any() for values in (hours.temp_c, hours.rh_pct)):
        return None
    found = outlook(hours, now.timestamp())
    return None if found.age_h > STALE_H else as_future(found)


def as_future(found: Outlook) -> AirBands:
    times = found.first_s + HOUR_S * (np.arange(len(found.temp_c.mid), dtype=np.float64) + 0.5)
    return AirBands(times, found.temp_c.low, found.temp_c.mid, found.rh_pct.mid, found.rh_pct.high)
