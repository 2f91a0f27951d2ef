"""One room: its air as it was and as it is foreseen, and its free places."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.desk.desk import Desk
from curewatch.desk.orders import places_of
from curewatch.desk.reports.board import CachedBoard
from curewatch.desk.snapshot import snapshot
from curewatch.desk.snapshot.air import AirCache, past_of
from curewatch.language import Message
from curewatch.records import Reading
from curewatch.studio.air import flaws, sensors
from curewatch.studio.air.climate import Climate
from curewatch.studio.air.flaws import QUANTITIES, Finding, Flaw
from curewatch.studio.outlook.outlook import HISTORY, Outlook, outlook

DOUBTS_MOST = 6
STALE_H = 3
"""With so many hours unread at its end, a room's past says nothing of what is to come."""


@dataclass(frozen=True)
class RejectedReading:
    """A reading that was not used: a spike. `at_s` since 1970 [s], `value` in the quantity's own unit."""

    at_s: float
    quantity: str
    value: float


@dataclass(frozen=True)
class RoomRecord:
    """The air of a room since a moment: what is believed of it, and what was left out."""

    climate: Climate
    """Spikes out, sensors merged. It begins before the moment, so that the line comes in from the left."""
    aside: tuple[RejectedReading, ...]
    low: tuple[Finding, ...] = ()
    """Batteries that are low."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was wrong with the readings."""
        return self.climate.findings + self.low

    def doubts(self, since_s: float) -> list[Message]:
        """What was wrong with the readings since then [s since 1970], the newest first."""
        found = [one for one in self.findings if one.until_s >= since_s]
        return [flaws.text(one) for one in reversed(found[-DOUBTS_MOST:])]


@dataclass(frozen=True)
class SensorLine:
    """One source of a room's readings."""

    newest: Reading
    is_late: bool
    """Older than its settings allow."""
    is_low: bool
    """Its battery is."""


def room_record(desk: Desk, room: str, since: datetime, now: datetime) -> RoomRecord | None:
    """None where the room was never read, or only half of it."""
    with desk.store.read() as tx:
        climate = AirCache().climate(tx, room, since, now)
        if climate is None:
            return None
        spikes = [one for one in climate.findings if one.flaw is Flaw.SPIKE and one.since_s >= since.timestamp()]
        columns = tx.reading_columns(room, since=since, until=now) if spikes else None
        low = sensors.battery_findings(snapshot.known(tx), tx.newest_by_source(until=now), room)
    if columns is None:
        return RoomRecord(climate, (), low)
    aside = []
    for one in spikes:
        if one.quantity not in QUANTITIES or one.source not in columns.sources:
            continue
        here = (columns.epoch_s == one.since_s) & (columns.source == columns.sources.index(one.source))
        aside += [
            RejectedReading(one.since_s, one.quantity, float(v)) for v in getattr(columns, one.quantity)[here][:1]
        ]
    return RoomRecord(climate, tuple(one for one in aside if np.isfinite(one.value)), low)


def room_sensors(desk: Desk, kept: CachedBoard, room: str, now: datetime) -> list[SensorLine]:
    """Every source that has read the room, by name."""
    late_after = {sensor.id: timedelta(minutes=sensor.silent_after_min) for sensor in desk.settings.sensors}
    typed_late = timedelta(hours=desk.settings.alarms.typed_stale_after_h)
    with desk.store.read() as tx:
        newest = tx.newest_by_source(until=now)
    low = {(one.room, one.source) for one in kept.snapshot.low}
    return [
        SensorLine(reading, now - reading.at > late_after.get(source.split("/")[0], typed_late), (there, source) in low)
        for (there, source), reading in sorted(newest.items())
        if there == room
    ]


def room_outlook(desk: Desk, room: str, now: datetime) -> Outlook | None:
    """The room's next 48 hours from its own past; None where it was never read, or not lately enough to say."""
    with desk.store.read() as tx:
        climate = AirCache().climate(tx, room, now - timedelta(hours=HISTORY), now)
    if climate is None:
        return None
    past = past_of(climate)
    if not (np.isfinite(past.temp_c).any() and np.isfinite(past.rh_pct).any()):
        return None
    found = outlook(past, float(climate.time_s[-1]))
    silent_h = (now.timestamp() - climate.newest_s) / 3600
    return None if max(silent_h, found.age_h) > STALE_H else found


def free_places(desk: Desk, room: str) -> tuple[str, ...]:
    """Places of the room that something has lain on before, and nothing does now; by name."""
    with desk.store.read() as tx:
        last = {stay.piece_id: stay for stay in tx.stays([piece.id for piece in tx.pieces()])}  # the last counts
        known = places_of(tx, room)
    taken = {(stay.room, stay.place) for stay in last.values()}
    return tuple(place for place in known if (room, place) not in taken)
