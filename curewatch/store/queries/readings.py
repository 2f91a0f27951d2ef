"""Readings, and the messages that wait for a date to become some."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from functools import lru_cache
from operator import itemgetter
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import BigInteger, ColumnElement, Dialect, Integer, Select, func, insert, select, type_coerce
from sqlalchemy.dialects.postgresql import Insert as PostgresInsert
from sqlalchemy.dialects.sqlite import Insert as SqliteInsert
from sqlalchemy.exc import IntegrityError

from curewatch.records import Reading, SensorTrust
from curewatch.store import tables
from curewatch.store.engine import to_micros
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Rows

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray
from collections.abc import Collection

from sqlalchemy import delete

from curewatch.records.facts import PendingMessage
from curewatch.store.tables import pending_messages

_READINGS, _SOURCES = tables.readings.c, tables.sources.c
AnySelect = Select[*tuple[Any, ...]]
_AT_A_TIME = 2000
"""Rows that are fetched together where they pass one by one."""
_MEASURED = [
    _READINGS[name] for name in ("at", "temp_c", "rh_pct", "received_at", "battery_pct", "retained", "logged_by")
]
_WRITTEN = ("source_id", "at", "measures", "temp_c", "rh_pct", "received_at", "battery_pct", "retained", "logged_by")
"""The columns of a row as it is written, in the table's order."""
_AS_RECORD = select(_SOURCES.room, _SOURCES.name.label("source"), *_MEASURED).join_from(tables.sources, tables.readings)


class ReadingColumns(NamedTuple):
    """A room's readings as arrays of one length, ordered by time."""

    epoch_s: NDArray[np.float64]
    """Seconds since 1970-01-01 UTC [s], to the microsecond."""
    temp_c: NDArray[np.float64]
    """Temperature [°C]; NaN where the reading has none."""
    rh_pct: NDArray[np.float64]
    """Relative humidity [%]; NaN where the reading has none."""
    source: NDArray[np.int64]
    """Index into `sources`."""
    sources: tuple[str, ...]
    """Every source the room has ever had, by name."""
    retained: NDArray[np.bool_]
    """Whether the broker had kept it from earlier."""


class Readings(Rows):
    """Measurements, typed and by sensor."""

    def add_readings(self, readings: Iterable[Reading]) -> int:
        """Store the readings that are not there yet; the number of those.

        A reading is there already if its source in its room has one of the same time that measures the same quantities
        (temperature, humidity, or both); the first stands. Raises FactRefused if a room is unknown.
        """
        own = select(tables.sources).where(_SOURCES.merged_by == 0)  # what a merge brought goes back with it
        known = {(row.room, row.name): row.id for row in self._connection.execute(own)}
        rows = []
        for reading in readings:
            source = known.get((reading.room, reading.source))
            if source is None:
                source = known[reading.room, reading.source] = self._add_source(reading)
            rows.append(_row(reading, source))
        if not rows:
            return 0
        # Rows of the key's order go into the tree's end, one after the other.
        rows.sort(key=itemgetter(0, 1))
        return self._insert(rows)

    def _insert(self, rows: list[tuple[Any, ...]]) -> int:
        """Straight through the driver: SQLAlchemy would take longer over each row than the database does."""
        dialect = self._connection.dialect
        text = _insert_text(dialect)
        given = rows if dialect.positional else [dict(zip(_WRITTEN, row, strict=True)) for row in rows]
        try:
            result = self._connection.exec_driver_sql(text, given, execution_options={"preserve_rowcount": True})
        except IntegrityError as error:
            raise FactRefused(f"the store refuses {len(rows)} readings: {error.orig}") from error
        return result.rowcount

    def _add_source(self, reading: Reading) -> int:
        row = {"room": reading.room, "name": reading.source}
        known_room = select(tables.rooms.c.name).where(tables.rooms.c.name == reading.room)
        if self._connection.scalar(known_room) is None:
            raise FactRefused(f"there is no room named {reading.room!r}; add the room before its readings")
        key = self._execute(insert(tables.sources), row, given=reading).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return int(key[0])

    def readings(self, room: str, *, since: datetime | None = None, until: datetime | None = None) -> list[Reading]:
        """The room's readings from `since` to `until`, both included, ordered by time."""
        query = _between(_AS_RECORD.where(_SOURCES.room == room), since, until)
        return self._records(Reading, query)

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

    def received_since(self, source: str, since: datetime) -> list[Reading]:
        """What came from a source of that name, in whatever room, after `since`, in the order it came."""
        came = _AS_RECORD.where(_SOURCES.name == source, _READINGS.received_at > since)
        return self._records(Reading, came.order_by(_READINGS.received_at, _READINGS.at))

    def each_reading(self, room: str) -> Iterator[Reading]:
        """As `readings`, one after the other as they are read, so that no more than a few are held at a time.

        Those of one moment come by the names of their sources: in every store that holds them the order is the same.
        """
        query = _AS_RECORD.where(_SOURCES.room == room).order_by(_READINGS.at, _SOURCES.name, _READINGS.measures)
        found = self._connection.execute(query, execution_options={"yield_per": _AT_A_TIME})
        return (Reading(**row) for row in found.mappings())

    def newest_by_source(self, *, until: datetime | None = None) -> dict[tuple[str, str], Reading]:
        """By (room, source), the reading with the latest time; of two at one time, the one received last.

        With `until`, the latest that is not after it: a clock that once ran ahead leaves readings of the future.
        """
        newest = sorted(self._newest(until=until), key=lambda reading: (reading.at, reading.received_at))
        return {(reading.room, reading.source): reading for reading in newest}

    def _newest(self, *, until: datetime | None = None) -> list[Reading]:
        """Every source's reading or readings of its latest time: one step down the key's tree per source."""
        newest = select(func.max(_READINGS.at)).where(_READINGS.source_id == _SOURCES.id)
        at = (newest if until is None else newest.where(_READINGS.at <= until)).scalar_subquery()
        latest = select(_SOURCES.id, _SOURCES.room, _SOURCES.name.label("source"), at.label("at"))
        # Materialized, or SQLite may turn the join round and walk through every reading there is.
        each = latest.cte("latest").prefix_with("MATERIALIZED")
        query = select(each.c.room, each.c.source, *_MEASURED).join_from(
            each, tables.readings, (_READINGS.source_id == each.c.id) & (_READINGS.at == each.c.at)
        )
        return self._records(Reading, query)

    def reading_columns(
        self, room: str, *, since: datetime | None = None, until: datetime | None = None
    ) -> ReadingColumns:
        """The room's readings from `since` to `until`, both included, without building a record for each."""
        import numpy as np  # most commands never need it

        named = select(_SOURCES.id, _SOURCES.name).where(_SOURCES.room == room).order_by(_SOURCES.name)
        sources = self._connection.execute(named).all()
        names = tuple(dict.fromkeys(row.name for row in sources))  # merged rooms may both have had one of a name
        index = {row.id: names.index(row.name) for row in sources}
        query = select(
            type_coerce(_READINGS.at, BigInteger),
            _READINGS.temp_c,
            _READINGS.rh_pct,
            _READINGS.source_id,
            type_coerce(_READINGS.retained, Integer),
        ).where(_READINGS.source_id.in_(index))
        found = self._connection.execute(_between(query, since, until)).all()
        at, temp_c, rh_pct, source_id, retained = zip(*found, strict=True) if found else ((), (), (), (), ())
        return ReadingColumns(
            # Microseconds of our time need 51 bits: exact in a float's 53 until the division.
            epoch_s=np.array(at, dtype=np.float64) / 1e6,
            temp_c=np.array(temp_c, dtype=np.float64),  # None becomes NaN
            rh_pct=np.array(rh_pct, dtype=np.float64),
            source=np.array([index[one] for one in source_id], dtype=np.int64),
            sources=names,
            retained=np.array(retained, dtype=bool),
        )

    def count_readings(self, room: str, *, since: datetime | None = None, until: datetime | None = None) -> int:
        """How many readings of the room there are in a span, both ends included. Many times faster than to read them.

        Readings are never changed or taken back: if this number is that of an earlier look, so is every reading.
        """
        query = select(func.count()).select_from(tables.readings).where(_READINGS.source_id.in_(_sources_of(room)))
        return self._connection.scalar(_within(query, since, until)) or 0

    def last_read_before(self, room: str, at: datetime) -> tuple[datetime | None, datetime | None]:
        """When the room's temperature, and when its humidity, was last read before `at`."""

        def last(measured: ColumnElement[Any]) -> datetime | None:
            where = (_READINGS.source_id == _SOURCES.id) & (_READINGS.at < at) & measured.is_not(None)
            newest = select(func.max(_READINGS.at)).where(where).scalar_subquery()
            found = self._connection.scalars(select(newest.label("at")).where(_SOURCES.room == room))
            return max((one for one in found if one is not None), default=None)

        return last(_READINGS.temp_c), last(_READINGS.rh_pct)


def _sources_of(room: str) -> Select[Any]:
    return select(_SOURCES.id).where(_SOURCES.room == room)


def _within(query: AnySelect, since: datetime | None, until: datetime | None) -> AnySelect:
    """Narrow to a span of time."""
    if since is not None:
        query = query.where(_READINGS.at >= since)
    return query if until is None else query.where(_READINGS.at <= until)


def _between(query: AnySelect, since: datetime | None, until: datetime | None) -> AnySelect:
    """Narrow to a span of time, and order so that two reads of the same facts agree to the row."""
    return _within(query, since, until).order_by(_READINGS.at, _READINGS.source_id, _READINGS.measures)


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
