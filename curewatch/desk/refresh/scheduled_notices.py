"""Each evening: what the night's air is going to do to what is wet, by the outlook of each room."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

import numpy as np

from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.desk.snapshot.air_outlook import past_of
from curewatch.desk.snapshot.snapshot import Snapshot, limits_of
from curewatch.records import AlarmKind, Forecast, Notice
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio.air.part_studio_hourly import HOUR_S
from curewatch.studio.alarms import forewarning
from curewatch.studio.alarms.conditions import OccupiedRoom, is_fresh
from curewatch.studio.alarms.forewarning import AirBands, Foreseen
from curewatch.studio.alarms.lifecycle import is_active, is_muted
from curewatch.studio.outlook.outlook import HISTORY, Outlook, outlook
from curewatch.studio.wording import Local

AGAIN_AFTER = timedelta(minutes=30)
"""An outlook takes some work and changes little in this time."""
STALE_H = 3
"""With so many hours unread at its end, a room's past says nothing of tonight."""


class EveningWarnings:
    """Looks ahead for every room with something wet in it, every half hour. Keeps only what it saw last."""

    def __init__(self) -> None:
        self.ahead: dict[str, Foreseen] = {}
        """By room, what was foreseen at the last look."""
        self._looked: dict[str, datetime] = {}

    def notices(
        self,
        store: Store,
        snapshot: Snapshot,
        settings: Settings,
        forecasts: Mapping[int, Forecast],
        now: datetime,
        local: Local,
    ) -> list[Notice]:
        """The warnings for tonight that have not been told yet, in the evening; nothing at other hours."""
        told: list[Notice] = []
        if not forewarning.is_time_to_tell(now, local) and not any(p.morning_hour is not None for p in settings.people):
            return told  # nobody would hear of it at this hour
        limits = limits_of(settings)
        for room in snapshot.occupied(settings, forecasts):
            if not room.dryings or not self._is_due(room.name, now):
                continue
            found = self._look(store, room, settings, now)
            if (
                found is None
                or not forewarning.is_time_to_tell(now, local)
                or _is_on(snapshot, room.name, found.kind, now)
            ):
                continue
            told.append(forewarning.notice(room.name, found, limits, now, local))
        with store.read() as tx:
            known = tx.known_keys([notice.key for notice in told]) if told else set()
        return [notice for notice in told if notice.key not in known]

    def _is_due(self, room: str, now: datetime) -> bool:
        last = self._looked.get(room)
        return last is None or not timedelta(0) <= now - last < AGAIN_AFTER

    def _look(self, store: Store, room: OccupiedRoom, settings: Settings, now: datetime) -> Foreseen | None:
        self._looked[room.name] = now
        self.ahead.pop(room.name, None)
        limits = limits_of(settings)
        if not room.wet_at(now) or not is_fresh(room, now, limits):
            return None
        future = coming_air(store, room.name, now)
        found = None if future is None else forewarning.foreseen(room, future, limits, now)
        if found is not None:
            self.ahead[room.name] = found
        return found


def coming_air(store: Store, room: str, now: datetime) -> AirBands | None:
    """The room's air to come, from its own past as it is believed; None where that says nothing of it."""
    with store.read() as tx:
        climate = AirCache().climate(tx, room, now - timedelta(hours=HISTORY), now)
    if climate is None:
        return None
    hours = past_of(climate, now.timestamp())
    if not all(np.isfinite(values).any() for values in (hours.temp_c, hours.rh_pct)):
        return None
    found = outlook(hours, now.timestamp())
    return None if found.age_h > STALE_H else as_future(found)


def as_future(found: Outlook) -> AirBands:
    times = found.first_s + HOUR_S * (np.arange(len(found.temp_c.mid), dtype=np.float64) + 0.5)
    return AirBands(times, found.temp_c.low, found.temp_c.mid, found.rh_pct.mid, found.rh_pct.high)


def _is_on(snapshot: Snapshot, room: str, kind: AlarmKind, now: datetime) -> bool:
    """Whether people have been told already that it is so now, or want to hear nothing of it."""
    return any(
        alarm.room == room and alarm.kind is kind and (is_active(alarm) or is_muted(alarm, now))
        for alarm in snapshot.alarms
    )
