"""The rooms' climates, kept between looks: readings are facts, so each is read from the store once.

A month of readings a minute takes a tenth of a second to read, and the daemon looks every few seconds. What is kept
is only ever a copy: before each use it is held against the number of readings in the store, so that a late one, by
whatever process it was stored, is never missed. A desk without a kept copy comes to the same climate.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.desk.revision import READINGS_UNDONE
from curewatch.store import Transaction
from curewatch.store.queries.readings import ReadingColumns
from curewatch.studio.air.climate import BIN_S, Climate, climate_from
from curewatch.studio.air.merging import Readings

LEAD = timedelta(days=1)
"""Read from so long before the pour on: the air at the pour itself is then mostly known from both sides."""
SPARE = timedelta(days=7)
"""A copy that goes back this much further than is needed any more is let go."""
SETTLES_AFTER = timedelta(minutes=3)
"""Readings come in up to so long after their time (they are stored in batches), so the last few are read again."""
_COLUMNS = ("epoch_s", "temp_c", "rh_pct", "retained", "source")
_TICK = timedelta(microseconds=1)


@dataclass(frozen=True)
class _Copy:
    """A room's readings from `since` (None: from the first) to `until`, all that bears on times from `needed_from`."""

    needed_from: datetime
    since: datetime | None
    until: datetime
    columns: ReadingColumns
    taken_back: str | None
    """The store's mark of readings taken back, as of this copy: the number alone would not tell of one exchanged."""


class AirCache:
    """The air of every room as known at a moment. Safe to use from several threads: copies are replaced whole."""

    def __init__(self) -> None:
        self._copies: dict[str, _Copy] = {}

    def climate(self, tx: Transaction, room: str, needed_from: datetime, now: datetime) -> Climate | None:
        """The climate of `room` from `needed_from` (a pour) to `now`; readings of the future are not known yet."""
        kept = self._copies.get(room)
        if kept is None or not _serves(kept, tx, room, needed_from, now):
            since = _since(tx, room, needed_from)
            kept = _Copy(
                needed_from, since, now, tx.reading_columns(room, since=since, until=now), tx.get_meta(READINGS_UNDONE)
            )
        elif now > kept.until:
            more = tx.reading_columns(room, since=kept.until + _TICK, until=now)
            kept = replace(kept, until=now, columns=_joined(kept.columns, more))
        self._copies[room] = _settled(kept, now - SETTLES_AFTER)
        return climate_from(readings_of(kept.columns), tx.sensor_trusts(room))


def _settled(copy: _Copy, at: datetime) -> _Copy:
    """The part of a copy up to `at`."""
    count = int(np.searchsorted(copy.columns.epoch_s, at.timestamp(), "right"))
    columns = {name: getattr(copy.columns, name)[:count] for name in _COLUMNS}
    return replace(copy, until=at, columns=copy.columns._replace(**columns))


def _serves(kept: _Copy, tx: Transaction, room: str, needed_from: datetime, now: datetime) -> bool:
    if not kept.needed_from <= needed_from <= kept.needed_from + SPARE or now < kept.until:
        return False
    if tx.get_meta(READINGS_UNDONE) != kept.taken_back:
        return False
    return tx.count_readings(room, since=kept.since, until=kept.until) == len(kept.columns.epoch_s)


def _since(tx: Transaction, room: str, needed_from: datetime) -> datetime | None:
    """From where to read so that both quantities are known at `needed_from`, if they were ever read before."""
    temp_at, rh_at = tx.last_read_before(room, needed_from)
    if temp_at is None or rh_at is None:
        return None
    since = min(needed_from - LEAD, temp_at, rh_at)
    # whole bins: half of one would be another mean
    return datetime.fromtimestamp(np.floor(since.timestamp() / BIN_S) * BIN_S, UTC)


def _joined(one: ReadingColumns, other: ReadingColumns) -> ReadingColumns:
    sources = tuple(sorted({*one.sources, *other.sources}))  # a new source moves the numbers of the others
    parts = [_renumbered(columns, sources) for columns in (one, other)]
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS}
    return ReadingColumns(**columns, sources=sources)


def _renumbered(columns: ReadingColumns, sources: tuple[str, ...]) -> ReadingColumns:
    place = np.array([sources.index(name) for name in columns.sources], dtype=np.int64)
    return columns._replace(source=place[columns.source], sources=sources)


def readings_of(columns: ReadingColumns) -> Readings:
    """As the studio wants them."""
    return Readings(
        columns.epoch_s, columns.temp_c, columns.rh_pct, columns.source, columns.sources, ~columns.retained
    )  # fmt: skip
