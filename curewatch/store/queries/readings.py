"""Readings, and the messages that wait for a date to become some."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import datetime
from functools import lru_cache
from heapq import merge
from itertools import groupby
from operator import itemgetter
from typing import Any

from sqlalchemy import BigInteger, Dialect, Integer, Select, delete, func, insert, select, type_coerce
from sqlalchemy.dialects.postgresql import Insert as PostgresInsert
from sqlalchemy.dialects.sqlite import Insert as SqliteInsert
from sqlalchemy.exc import IntegrityError

from curewatch.records import Reading, SensorTrust
from curewatch.records.facts import TYPED, PendingMessage
from curewatch.records.rollup import ReadingColumns, columns_of, joined
from curewatch.store import tables
from curewatch.store.engine import from_micros, to_micros
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Rows
from curewatch.store.queries.history import DAY_US, PACKED_AFTER_US, RAW, History, day_of
from curewatch.store.reading_tables import pending_messages, rolled_days

_READINGS, _SOURCES = tables.readings.c, tables.sources.c
AnySelect = Select[*tuple[Any, ...]]
_AT_A_TIME = 2000
"""Rows that are fetched together where they pass one by one."""
_MEASURED = [
    _READINGS[name] for name in ("at", "temp_c", "rh_pct", "received_at", "battery_pct", "retained", "logged_by")
]
_WRITTEN = ("source_id", "at", "measures", "temp_c", "rh_pct", "received_at", "battery_pct", "retained", "logged_by")
"""The columns of a row as it is written, in the table's order."""
_PLAIN = [
    type_coerce(_READINGS[name], BigInteger) if name in ("at", "received_at") else _READINGS[name] for name in RAW
]
_Row = tuple[Any, ...]
_AS_RECORD = select(_SOURCES.room, _SOURCES.name.label("source"), *_MEASURED).join_from(tables.sources, tables.readings)


class Readings(History):
    """Measurements, typed and by sensor."""

    def add_readings(self, readings: Iterable[Reading]) -> int:
        """Store the readings that are not there yet; the number of those.

        A reading is there already if its source in its room has one of the same time that measures the same quantities
        (temperature, humidity, or both); the first stands. Raises FactRefused if a room is unknown. Sensors' readings
        that are some hours old are packed with them.
        """
        own = select(tables.sources).where(_SOURCES.merged_by == 0)  # what a merge brought goes back with it
        found = self._connection.execute(own).all()
        known = {(row.room, row.name): row.id for row in found}
        until = {row.id: None if row.packed_until is None else to_micros(row.packed_until) for row in found}
        rows, sensed = [], dict[int, int]()
        for reading in readings:
            source = known.get((reading.room, reading.source))
            if source is None:
                source = known[reading.room, reading.source] = self._add_source(reading)
                until[source] = to_micros(reading.at)
            rows.append(row := _row(reading, source))
            if reading.source != TYPED:
                far = abs(row[1] - (until[source] or 0))
                sensed[source] = max(sensed.get(source, 0), far)
        if not rows:
            return 0
        # Rows of the key's order go into the tree's end, one after the other.
        rows.sort(key=itemgetter(1, 0))
        stored = self._insert(self._unpacked_only(rows, until))
        if any(far >= PACKED_AFTER_US for far in sensed.values()):
            self.pack()
        return stored

    def _unpacked_only(self, rows: list[_Row], until: Mapping[int, int | None]) -> list[_Row]:
        late = {row[0] for row in rows if row[1] < (until.get(row[0]) or 0)}
        if not late:
            return rows
        old = sorted((row for row in rows if row[0] in late), key=itemgetter(0))
        new = [row for source, some in groupby(old, key=itemgetter(0)) for row in self._new_of(source, list(some))]
        return sorted([*(row for row in rows if row[0] not in late), *new], key=itemgetter(1, 0))

    def _insert(self, rows: list[tuple[Any, ...]]) -> int:
        """Straight through the driver: SQLAlchemy would take longer over each row than the database does."""
        dialect = self._connection.dialect
        if not rows:
            return 0
        text = _insert_text(dialect)
        given = rows if dialect.positional else [dict(zip(_WRITTEN, row, strict=True)) for row in rows]
        try:
            result = self._connection.exec_driver_sql(text, given, execution_options={"preserve_rowcount": True})
        except IntegrityError as error:
            raise FactRefused(f"the store refuses {len(rows)} readings: {error.orig}") from error
        return result.rowcount

    def _add_source(self, reading: Reading) -> int:
        row = {"room": reading.room, "name": reading.source, "packed_until": reading.at}
        known_room = select(tables.rooms.c.name).where(tables.rooms.c.name == reading.room)
        if self._connection.scalar(known_room) is None:
            raise FactRefused(f"there is no room named {reading.room!r}; add the room before its readings")
        key = self._execute(insert(tables.sources), row, given=reading).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return int(key[0])

    def readings(
        self, room: str, *, since: datetime | None = None, until: datetime | None = None, source: str | None = None
    ) -> list[Reading]:
        """The room's readings from `since` to `until`, both included, ordered by time; with `source`, only that one's.

        Of days whose readings were let go, what each five minutes came to, as a reading of their mean moment.
        """
        return list(self._each(room, since, until, source))

    def _each(
        self, room: str, since: datetime | None = None, until: datetime | None = None, source: str | None = None
    ) -> Iterator[Reading]:
        numbers = self._sources_of(room)
        if source is not None:
            numbers = {number: name for number, name in numbers.items() if name == source}
        order = {number: i for i, number in enumerate(sorted(numbers, key=lambda number: (numbers[number], number)))}
        query = _within(select(_READINGS.source_id, *_PLAIN).where(_READINGS.source_id.in_(numbers)), since, until)
        ordered = query.order_by(_READINGS.at, _READINGS.source_id, _READINGS.measures)
        own = self._connection.execute(ordered, execution_options={"yield_per": _AT_A_TIME})

        def key(row: _Row) -> tuple[int, int, int]:
            return row[1], order[row[0]], row[2]

        # those of one moment come by the names of their sources: in every store that holds them the order is the same
        stored = (one for _, some in groupby(own, key=itemgetter(1)) for one in sorted(some, key=key))
        packed = self._packed_rows(numbers, since, until, key)
        for row in merge(stored, packed, key=key):
            yield _record(room, numbers[row[0]], row)

    def add_sensor_trust(self, said: SensorTrust) -> None:
        """Store it. FactRefused for an unknown room."""
        self._execute(insert(tables.sensor_trusts), said.model_dump(), given=said)

    def sensor_trusts(self, room: str | None = None) -> list[SensorTrust]:
        """What was said of the sensors of the room (None: of all), in the order it was logged."""
        said = tables.sensor_trusts.c
        query = select(tables.sensor_trusts).order_by(said.logged_at, said.room, said.source)
        if room is not None:
            query = query.where(said.room == room)
        return self._records(SensorTrust, query)

    def typed_since(self, since: datetime) -> list[Reading]:
        """What was typed, of whatever room, after `since`, in the order it came."""
        came = _AS_RECORD.where(_SOURCES.name == TYPED, _READINGS.received_at > since)
        return self._records(Reading, came.order_by(_READINGS.received_at, _READINGS.at))

    def each_reading(self, room: str) -> Iterator[Reading]:
        """As `readings`, one after the other as they are read, so that no more than a day is held at a time."""
        return self._each(room)

    def newest_by_source(self, *, until: datetime | None = None) -> dict[tuple[str, str], Reading]:
        """By (room, source), the reading with the latest time; of two at one time, the one received last.

        With `until`, the latest that is not after it: a clock that once ran ahead leaves readings of the future.
        """
        newest = sorted(self._newest(until=until), key=lambda reading: (reading.at, reading.received_at))
        return {(reading.room, reading.source): reading for reading in newest}

    def _newest(self, *, until: datetime | None = None) -> list[Reading]:
        """Every source's reading or readings of its latest time. The last of each is not packed, unless it is of a time
        to come, or was taken back."""
        latest = select(_READINGS.source_id, func.max(_READINGS.at).label("at")).group_by(_READINGS.source_id)
        each = (latest if until is None else latest.where(_READINGS.at <= until)).cte("latest")
        query = select(_READINGS.source_id, *_PLAIN).join_from(
            each, tables.readings, (_READINGS.at == each.c.at) & (_READINGS.source_id == each.c.source_id)
        )
        found = [tuple(row) for row in self._connection.execute(query)]
        names = {row.id: (row.room, row.name) for row in self._connection.execute(select(tables.sources))}
        last = None if until is None else to_micros(until)
        for source in names.keys() - {row[0] for row in found}:
            packed = self._last_packed(source, last, tables.TEMP_ONLY | tables.RH_ONLY)
            found += [] if packed is None else [(source, *packed)]
        return [_record(*names[row[0]], row) for row in found]

    def reading_columns(
        self, room: str, *, since: datetime | None = None, until: datetime | None = None
    ) -> ReadingColumns:
        """The room's readings from `since` to `until`, both included, without building a record for each: those of
        sensors that are packed as five minutes each, others as they were read."""
        import numpy as np  # most commands never need it

        numbers = self._sources_of(room)
        names = sorted(set(numbers.values()))  # merged rooms may both have had one of a name
        query = select(
            type_coerce(_READINGS.at, BigInteger),
            _READINGS.temp_c,
            _READINGS.rh_pct,
            _READINGS.source_id,
            type_coerce(_READINGS.retained, Integer),
        ).where(_READINGS.source_id.in_(numbers))
        found = self._connection.execute(_within(query, since, until)).all()
        at, temp_c, rh_pct, source_id, retained = zip(*found, strict=True) if found else ((), (), (), (), ())
        own = columns_of(
            np.array(at, dtype=np.int64),
            np.array(temp_c, dtype=np.float64),  # None becomes NaN
            np.array(rh_pct, dtype=np.float64),
            np.array([names.index(numbers[one]) for one in source_id], dtype=np.int64),
            names,
            np.array(retained, dtype=bool),
        )
        return joined([*self._rolled(numbers, since, until), own], names)

    def count_readings(self, room: str) -> int:
        """How many readings of the room were stored. Many times faster than to read them.

        Readings are never changed: if this number is that of an earlier look, and none was taken back, so is every
        reading.
        """
        own = select(func.count()).select_from(tables.readings).where(_READINGS.source_id.in_(self._sources_of(room)))
        packed = select(func.sum(_SOURCES.packed)).where(_SOURCES.room == room)
        return (self._connection.scalar(own) or 0) + (self._connection.scalar(packed) or 0)

    def readings_between(self, room: str, since: datetime, until: datetime) -> int:
        """A number that a late reading of that span changes: those of whole days, and what five minutes of the last
        day came to up to `until`."""
        numbers = self._sources_of(room)
        own = _within(select(func.count()).select_from(tables.readings), since, until)
        day, last = rolled_days.c, day_of(to_micros(until))
        whole = select(func.sum(day.count)).where(day.source_id.in_(numbers))
        whole = whole.where(day.day >= day_of(to_micros(since)), day.day < last)
        of_last = self._rolled(numbers, max(since, from_micros(last * DAY_US)), until)
        counts = [self._connection.scalar(one) or 0 for one in (own.where(_READINGS.source_id.in_(numbers)), whole)]
        return sum(counts) + sum(int(some.number.sum()) for some in of_last)

    def last_read_before(self, room: str, at: datetime) -> tuple[datetime | None, datetime | None]:
        """When the room's temperature, and when its humidity, was last read before `at`: of what is packed, the mean
        moment of those five minutes."""
        numbers, until = self._sources_of(room), to_micros(at) - 1

        def last(measures: int) -> datetime | None:
            own = select(type_coerce(func.max(_READINGS.at), BigInteger)).where(
                _READINGS.source_id.in_(numbers), _READINGS.at < at, _READINGS.measures.op("&")(measures) > 0
            )
            newest = max(
                [self._connection.scalar(own) or 0, *(self._last_rolled(one, until, measures) for one in numbers)]
            )
            return from_micros(newest) if newest else None

        return last(tables.TEMP_ONLY), last(tables.RH_ONLY)

    def forget_reading(self, room: str, source: str, at: datetime) -> int:
        """The number of readings of that source and moment that are gone; what their five minutes came to is made
        anew."""
        gone = 0
        for number in [one for one, name in self._sources_of(room).items() if name == source]:
            statement = delete(tables.readings).where(_READINGS.source_id == number, _READINGS.at == at)
            gone += self._execute(statement, given=(room, source, at)).rowcount
            gone += self._forget_packed(number, to_micros(at))
        return gone

    def _sources_of(self, room: str) -> dict[int, str]:
        """The names of the room's sources, by number."""
        found = select(_SOURCES.id, _SOURCES.name).where(_SOURCES.room == room)
        return dict(self._connection.execute(found).all())


def _record(room: str, source: str, row: _Row) -> Reading:
    _, at, _, temp_c, rh_pct, received_at, battery, retained, by = row
    return Reading(
        room=room, source=source, at=from_micros(at), temp_c=temp_c, rh_pct=rh_pct, battery_pct=battery,
        received_at=from_micros(received_at), retained=bool(retained), logged_by=by,
    )  # fmt: skip


def _within(query: AnySelect, since: datetime | None, until: datetime | None) -> AnySelect:
    """Narrow to a span of time."""
    if since is not None:
        query = query.where(_READINGS.at >= since)
    return query if until is None else query.where(_READINGS.at <= until)


@lru_cache
def _insert_text(dialect: Dialect) -> str:
    """The INSERT with the database's own marks for `_WRITTEN`; a reading that is there already stays as it is."""
    table = tables.readings
    insert_into = PostgresInsert(table) if dialect.name == "postgresql" else SqliteInsert(table)
    compiled = insert_into.on_conflict_do_nothing().compile(dialect=dialect, column_keys=list(_WRITTEN))
    assert not dialect.positional or getattr(compiled, "positiontup", None) == list(_WRITTEN)
    return str(compiled)


def _row(reading: Reading, source_id: int) -> tuple[Any, ...]:
    temp_c, rh_pct = reading.temp_c, reading.rh_pct
    measures = tables.TEMP_ONLY * (temp_c is not None) + tables.RH_ONLY * (rh_pct is not None)
    at, received_at = to_micros(reading.at), to_micros(reading.received_at)
    told = reading.battery_pct, reading.retained, reading.logged_by
    return source_id, at, measures, temp_c, rh_pct, received_at, *told


_HELD = pending_messages.c
_COLUMNS = [_HELD[name] for name in PendingMessage.model_fields]


class PendingMessages(Rows):
    """Sensors' messages of a time when the clock could not be believed."""

    def add_pending_messages(self, messages: Iterable[PendingMessage]) -> None:
        """Keep them; what id they bear is not looked at."""
        rows = [message.model_dump(exclude={"id"}) for message in messages]
        if rows:
            self._execute(insert(pending_messages), rows, given=f"{len(rows)} messages")

    def pending_messages(self, limit: int) -> list[PendingMessage]:
        """Those that came first, at most `limit`, in the order they came."""
        query = select(*_COLUMNS).order_by(_HELD.id).limit(limit)
        return self._records(PendingMessage, query)

    def count_pending_messages(self) -> int:
        return self._connection.scalar(select(func.count()).select_from(pending_messages)) or 0

    def drop_pending_messages(self, ids: Collection[int]) -> None:
        """They are dated, or never will be."""
        if ids:
            self._execute(delete(pending_messages).where(_HELD.id.in_(ids)), given=ids)
