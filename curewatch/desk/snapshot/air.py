"""The rooms' climates, kept between looks: readings are facts, so each is read from the store once.

A month of readings a minute takes a tenth of a second to read, and the daemon looks every few seconds. What is kept
is only ever a copy: before each use it is held against the number of readings in the store, so that a late one, by
whatever process it was stored, is never missed. A desk without a kept copy comes to the same climate.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from pydantic import TypeAdapter

from curewatch.desk.desk import READINGS_UNDONE
from curewatch.records.facts import TYPED
from curewatch.records.rollup import BIN_S, ReadingColumns, joined, rolled_up, taken
from curewatch.store import Transaction
from curewatch.studio.air.climate import HOUR_S, AirBands, Climate, Hourly, climate_from, hourly
from curewatch.studio.air.merging import Readings
from curewatch.studio.air.sensors import Accuracy, ReadError, read_error
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.outlook import HISTORY, Outlook, outlook
from curewatch.studio.outlook.scenarios import RoomScenarios, future

LEAD = timedelta(days=1)
"""Read from so long before the pour on: the air at the pour itself is then mostly known from both sides."""
SPARE = timedelta(days=7)
"""A copy that goes back this much further than is needed any more is let go."""
SETTLES_AFTER = timedelta(minutes=3)
"""Readings come in up to so long after their time (they are stored in batches), so the last few are read again."""


@dataclass(frozen=True)
class _Copy:
    """A room's readings from `since` (None: from the first) on, all that bears on times from `needed_from`."""

    needed_from: datetime
    since: datetime | None
    at: datetime
    """What was read for before this moment is here, unless it came late."""
    columns: ReadingColumns
    before: int
    """How many readings of the room there are besides."""
    taken_back: str | None
    """The store's mark of readings taken back, as of this copy: the number alone would not tell of one exchanged."""

    @property
    def stored(self) -> int:
        return self.before + int(self.columns.number.sum())


class AirCache:
    """The air of every room as known at a moment. Safe to use from several threads: copies are replaced whole."""

    def __init__(self) -> None:
        self._copies: dict[str, _Copy] = {}

    def climate(self, tx: Transaction, room: str, needed_from: datetime, now: datetime) -> Climate | None:
        """The climate of `room` from `needed_from` (a pour) to `now`; readings of the future are not known yet."""
        kept = self._copies.get(room)
        stored, taken_back = tx.count_readings(room), tx.get_meta(READINGS_UNDONE)
        if kept is not None and _reaches(kept, needed_from, now) and taken_back == kept.taken_back:
            kept = kept if kept.stored == stored else _brought_up(kept, tx, room, now)
        if (
            kept is None
            or kept.stored != stored
            or not _reaches(kept, needed_from, now)
            or taken_back != kept.taken_back
        ):
            since = _since(tx, room, needed_from)
            columns = _rolled(tx.reading_columns(room, since=since))
            before = stored - int(columns.number.sum())
            kept = _Copy(needed_from, since, now, columns, before, taken_back)
        self._copies[room] = kept
        known = taken(kept.columns, slice(0, int(np.searchsorted(kept.columns.epoch_s, now.timestamp(), "right"))))
        return climate_from(readings_of(known), tx.sensor_trusts(room))


def _rolled(columns: ReadingColumns) -> ReadingColumns:
    return rolled_up(columns, alone=[TYPED])


def _brought_up(copy: _Copy, tx: Transaction, room: str, now: datetime) -> _Copy:
    """With what came since, but for what came late."""
    at_s = np.floor((copy.at - SETTLES_AFTER).timestamp() / BIN_S) * BIN_S
    more = tx.reading_columns(room, since=datetime.fromtimestamp(at_s, UTC))
    there = taken(copy.columns, slice(0, int(np.searchsorted(copy.columns.epoch_s, at_s))))
    return replace(copy, at=now, columns=_rolled(joined([there, more], more.sources)))


def _reaches(kept: _Copy, needed_from: datetime, now: datetime) -> bool:
    return kept.needed_from <= needed_from <= kept.needed_from + SPARE and now >= kept.at


def _since(tx: Transaction, room: str, needed_from: datetime) -> datetime | None:
    """From where to read so that both quantities are known at `needed_from`, if they were ever read before."""
    temp_at, rh_at = tx.last_read_before(room, needed_from)
    if temp_at is None or rh_at is None:
        return None
    since = min(needed_from - LEAD, temp_at, rh_at)
    # whole bins: half of one would be another mean
    return datetime.fromtimestamp(np.floor(since.timestamp() / BIN_S) * BIN_S, UTC)


def readings_of(columns: ReadingColumns) -> Readings:
    """As the studio wants them."""
    return Readings(
        columns.epoch_s, columns.temp_c, columns.rh_pct, columns.source, columns.sources, ~columns.retained
    )  # fmt: skip


_READ_ERRORS, _ERRORS = "read_errors", TypeAdapter(dict[str, ReadError])
"""By room, how far off it is taken to be read; rooms as usual are left out. Derived, and brought up by a refresh."""


def read_errors(tx: Transaction) -> dict[str, ReadError]:
    """As they were last taken to be."""
    known = tx.get_meta(_READ_ERRORS)
    return {} if known is None else _ERRORS.validate_json(known)


def put_read_errors(tx: Transaction, errors: dict[str, ReadError]) -> None:
    tx.set_meta(_READ_ERRORS, _ERRORS.dump_json(errors).decode())


def new_read_errors(
    tx: Transaction, climates: Mapping[str, Climate], accuracy: Callable[[str], Accuracy]
) -> dict[str, ReadError] | None:
    """By the instruments that these rooms were read by; None where they are as they were, or hardly otherwise."""
    before, usual = read_errors(tx), ReadError()
    found = {room: read_error(one.levels, accuracy).settled(before.get(room)) for room, one in climates.items()}
    odd = {room: one for room, one in found.items() if room in before or (one.off, one.sd) != (usual.off, usual.sd)}
    after = before | odd
    return None if after == before else after


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
    read = (climate.time_s >= climate.known_from_s) & (climate.time_s <= climate.newest_s) & climate.last_words()
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
