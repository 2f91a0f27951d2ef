"""Sensors' readings of the past: packed by the day, as they were read and rolled up.

What a sensor sends lies in `readings` for some hours and is then moved into its day, in the transaction of whatever is
stored next. A day is packed and rolled up anew from all of its readings whenever one more comes or one is taken back,
so both always say the same. Of a day whose readings were let go, the roll-up alone takes up what comes later.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Select, delete, func, select, text, type_coerce, update

from curewatch.records.facts import TYPED
from curewatch.records.rollup import BIN_US, ROWS, ReadingColumns, columns_of, joined, micros, rolled_up, taken
from curewatch.store import tables
from curewatch.store.engine import from_micros, to_micros
from curewatch.store.queries.base import Rows
from curewatch.store.reading_tables import raw_days, rolled_days

if TYPE_CHECKING:
    import numpy as np

_READINGS, _SOURCES = tables.readings.c, tables.sources.c
DAY_US, HOUR_US = 86_400_000_000, 3_600_000_000
PACKED_AFTER_US = 3 * HOUR_US
"""Readings further than this from where a sensor is packed up to are packed with what comes next [us]; so each day is
written some eight times. What is not packed lies in memory as a page or two for each commit."""
RAW = ("at", "measures", "temp_c", "rh_pct", "received_at", "battery_pct", "retained", "logged_by")
"""A reading as it is packed, and as `_READ` has it after its source."""
ROLLED = ("at", *(name for name in ROWS if name not in ("epoch_s", "source")))
_READ = [
    type_coerce(_READINGS[name], BigInteger) if name in ("at", "received_at") else _READINGS[name]
    for name in ("source_id", *RAW)
]
UNPACKED = "unpacked_readings"
"""The readings of a store from before days were packed, until that is done."""
RawRow = tuple[Any, ...]
AnySelect = Select[*tuple[Any, ...]]


def day_of(at_us: int) -> int:
    return at_us // DAY_US


class History(Rows):
    """Days of readings, packed."""

    def pack(self) -> None:
        """Move what sensors have sent up to an hour before their newest into its days.

        The last five minutes of each stay, so that what it said last is found at once. Time is the sensor's own, as
        far as it does not run ahead of when its readings came.
        """
        last, came = (type_coerce(func.max(column), BigInteger) for column in (_READINGS.at, _READINGS.received_at))
        query = (
            select(_READINGS.source_id, last, came)
            .join_from(tables.readings, tables.sources)
            .where(_SOURCES.name != TYPED)
            .group_by(_READINGS.source_id)
        )
        before = {
            source: min(min(last_us, came_us) // HOUR_US * HOUR_US - HOUR_US, last_us // BIN_US * BIN_US)
            for source, last_us, came_us in self._connection.execute(query)
        }
        if not before:
            return
        due = max(before.values())
        found = select(*_READ).where(_READINGS.at < from_micros(due)).order_by(_READINGS.source_id, _READINGS.at)
        rows: Sequence[RawRow] = [tuple(row) for row in self._connection.execute(found)]
        for source, some in groupby(rows, key=itemgetter(0)):
            until = before.get(source, 0)
            self._pack(source, [row[1:] for row in some if row[1] < until], until)

    def _pack(self, source: int, rows: list[RawRow], until: int) -> None:
        if rows:
            for day, some in groupby(rows, key=lambda row: day_of(row[0])):
                self._add_to_day(source, day, list(some))
            gone = (_READINGS.source_id == source) & (_READINGS.at < from_micros(until))
            self._execute(delete(tables.readings).where(gone), given=source)
        packed = {"packed": _SOURCES.packed + len(rows), "packed_until": from_micros(until)}
        self._execute(update(tables.sources).where(_SOURCES.id == source).values(**packed), given=source)

    def _add_to_day(self, source: int, day: int, rows: Sequence[RawRow]) -> None:
        """More readings of a day, none of which it has."""
        raw, rolled = self._raw_day(source, day), self._rolled_day(source, day)
        if raw is None and rolled is not None:
            self._put_rolled(source, day, rolled_up(joined([rolled, _rolled_of(rows)], ("",)), whole=True))
        else:
            self._put_day(source, day, sorted([*(raw or ()), *rows], key=itemgetter(0, 1)))

    def _put_day(self, source: int, day: int, rows: Sequence[RawRow]) -> None:
        """All readings of a day, in the order of time; without any the day is not there."""
        key = {"source_id": source, "day": day}
        if not rows:
            for table in (raw_days, rolled_days):
                gone = (table.c.source_id == source) & (table.c.day == day)
                self._execute(delete(table).where(gone), given=key)
            return
        self._put(raw_days, key | {"count": len(rows), "columns": _packed_raw(rows)}, list(key), given=key)
        self._put_rolled(source, day, rolled_up(_rolled_of(rows), whole=True))

    def _put_rolled(self, source: int, day: int, rolled: ReadingColumns) -> None:
        import numpy as np

        from curewatch.store.packing import packed

        key = {"source_id": source, "day": day}
        measures = (
            tables.TEMP_ONLY * np.isfinite(rolled.temp_c).any() + tables.RH_ONLY * np.isfinite(rolled.rh_pct).any()
        )
        columns = {"at": micros(rolled.epoch_s)} | {name: getattr(rolled, name) for name in ROLLED[1:]}
        told = {"count": int(rolled.number.sum()), "measures": int(measures), "columns": packed(columns)}
        self._put(rolled_days, key | told, list(key), given=key)

    def _raw_day(self, source: int, day: int) -> list[RawRow] | None:
        """The readings of a day as they were read; None where they were let go, or there never were any."""
        found = select(raw_days.c.columns).where(raw_days.c.source_id == source, raw_days.c.day == day)
        data = self._connection.scalar(found)
        return None if data is None else _unpacked_raw(data)

    def _rolled_day(self, source: int, day: int) -> ReadingColumns | None:
        found = select(rolled_days.c.columns).where(rolled_days.c.source_id == source, rolled_days.c.day == day)
        data = self._connection.scalar(found)
        return None if data is None else _unpacked_rolled(data, "")

    def _new_of(self, source: int, rows: Collection[RawRow]) -> list[RawRow]:
        """Those that no packed day has; `rows` as of a write, the source first.

        Of a day whose readings were let go, five minutes that were read stand as they are.
        """
        new: list[RawRow] = []
        for day, some in groupby(sorted(rows, key=itemgetter(1)), key=lambda row: day_of(row[1])):
            raw, rolled, kept = self._raw_day(source, day), None, set[tuple[int, int]]()
            if raw is not None:
                kept = {(row[0], row[1]) for row in raw}
            elif (rolled := self._rolled_day(source, day)) is not None:
                kept = {(at // BIN_US, 0) for at in micros(rolled.epoch_s).tolist()}
            new += [row for row in some if (row[1:3] if rolled is None else (row[1] // BIN_US, 0)) not in kept]
        return new

    def _forget_packed(self, source: int, at: int) -> int:
        """The number of readings of that moment that are gone; a day that was thinned has none to tell apart."""
        raw = self._raw_day(source, day_of(at))
        left = [row for row in raw or () if row[0] != at]
        gone = len(raw or ()) - len(left)
        if gone:
            self._put_day(source, day_of(at), left)
            fewer = update(tables.sources).where(_SOURCES.id == source).values(packed=_SOURCES.packed - gone)
            self._execute(fewer, given=source)
        return gone

    def _rolled(self, names: Mapping[int, str], since: datetime | None, until: datetime | None) -> list[ReadingColumns]:
        """The packed days of these sources (their names by number), as far as they lie between, rolled up."""
        query = _days(select(rolled_days.c.source_id, rolled_days.c.day, rolled_days.c.columns), names, since, until)
        first, last = (None if at is None else to_micros(at) for at in (since, until))
        found = []
        for source, day, data in self._connection.execute(query):
            some = _unpacked_rolled(data, names[source])
            if (first is not None and first > day * DAY_US) or (last is not None and last < (day + 1) * DAY_US):
                at = micros(some.epoch_s)
                some = taken(some, (at >= (at if first is None else first)) & (at <= (at if last is None else last)))
            if len(some.epoch_s):
                found.append(some)
        return found

    def _packed_rows(
        self, sources: Collection[int], since: datetime | None, until: datetime | None, key: Callable[[RawRow], Any]
    ) -> Iterator[RawRow]:
        """What is packed of these sources, the source first, day after day in the order of `key`; of days whose
        readings were let go, what each five minutes came to."""
        query = _days(select(rolled_days.c.source_id, rolled_days.c.day), sources, since, until)
        first, last = (None if at is None else to_micros(at) for at in (since, until))
        days = self._connection.execute(query.order_by(rolled_days.c.day)).all()
        for day, some in groupby(days, key=itemgetter(1)):
            rows: list[RawRow] = []
            for source, _ in some:
                raw = self._raw_day(source, day)
                told = _told(self._rolled_day(source, day)) if raw is None else raw
                rows += [(source, *row) for row in told]
            for row in sorted(rows, key=key):
                if (first is None or row[1] >= first) and (last is None or row[1] <= last):
                    yield row

    def _last_packed(self, source: int, until: int | None, measures: int) -> RawRow | None:
        """The last reading of one of these quantities up to a moment [us]."""
        for number in self._last_days(source, until, measures):
            raw = self._raw_day(source, number)
            rows = _told(self._rolled_day(source, number)) if raw is None else raw
            if there := [row for row in rows if (until is None or row[0] <= until) and row[1] & measures]:
                return max(there, key=itemgetter(0, 4))
        return None

    def _last_rolled(self, source: int, until: int, measures: int) -> int:
        """When that was [us], by the mean of its five minutes; 0: never."""
        for number in self._last_days(source, until, measures):
            if (some := self._rolled_day(source, number)) is not None:
                at = micros(some.epoch_s)
                values = some.temp_c if measures == tables.TEMP_ONLY else some.rh_pct
                if len(there := at[(at <= until) & (values == values)]):
                    return int(there[-1])
        return 0

    def _last_days(self, source: int, until: int | None, measures: int) -> Sequence[int]:
        """The last days that may have one: a day that begins may not have it up to then."""
        day = rolled_days.c
        query = select(day.day).where(day.source_id == source, day.measures.op("&")(measures) > 0)
        if until is not None:
            query = query.where(day.day <= day_of(until))
        return self._connection.scalars(query.order_by(day.day.desc()).limit(2)).all()

    # --- readings of long ago ---

    def thin(self, before: datetime, most: int) -> int:
        """Let the readings of `most` days at most from before a moment go, each once its roll-up is what they come to;
        a roll-up that is not is made anew, and its day stays for the next time. How many were looked at."""
        day = raw_days.c
        query = select(day.source_id, day.day).where(day.day < day_of(to_micros(before))).order_by(day.day).limit(most)
        days = self._connection.execute(query).all()
        for source, number in days:
            raw, rolled = self._raw_day(source, number), self._rolled_day(source, number)
            assert raw is not None
            proven = rolled is not None and same_rows(rolled, rolled_up(_rolled_of(raw), whole=True))
            if proven:
                gone = (day.source_id == source) & (day.day == number)
                self._execute(delete(raw_days).where(gone), given=(source, number))
            else:
                self._put_day(source, number, raw)
        return len(days)

    def first_raw_day(self) -> datetime | None:
        """The beginning of the first day that has sensors' readings as they were read."""
        first = self._connection.scalar(select(func.min(raw_days.c.day)))
        return None if first is None else from_micros(first * DAY_US)

    def thinned_until(self) -> datetime | None:
        """The end of the last day whose readings were let go; None: all are there."""
        same = (raw_days.c.source_id == rolled_days.c.source_id) & (raw_days.c.day == rolled_days.c.day)
        query = select(func.max(rolled_days.c.day)).select_from(rolled_days.outerjoin(raw_days, same))
        last = self._connection.scalar(query.where(raw_days.c.day.is_(None)))
        return None if last is None else from_micros((last + 1) * DAY_US)

    def pack_some_of_before(self) -> bool:
        """Pack a day of the readings of a store from before days were packed; False once there are none."""
        columns = ", ".join(("source_id", *RAW))
        first = self._connection.execute(text(f"SELECT source_id, at FROM {UNPACKED} ORDER BY source_id, at LIMIT 1"))
        if (found := first.one_or_none()) is None:
            return False
        source, day = found.source_id, day_of(found.at)
        span = {"source": source, "since": day * DAY_US, "until": (day + 1) * DAY_US}
        where = f"FROM {UNPACKED} WHERE source_id = :source AND at >= :since AND at < :until"
        rows = self._connection.execute(text(f"SELECT {columns} {where} ORDER BY at, measures"), span).all()
        name = self._connection.scalar(select(_SOURCES.name).where(_SOURCES.id == source))
        if name == TYPED:
            self._connection.execute(
                text(f"INSERT INTO readings ({columns}) SELECT {columns} {where} ON CONFLICT DO NOTHING"), span
            )
        else:
            self._add_to_day(source, day, [tuple(row)[1:] for row in rows])
            more = update(tables.sources).where(_SOURCES.id == source)
            until = from_micros(max(row[1] for row in rows) + 1)
            self._execute(more.values(packed=_SOURCES.packed + len(rows), packed_until=until), given=source)
        self._connection.execute(text(f"DELETE {where}"), span)
        return True


def _days(query: AnySelect, sources: Iterable[int], since: datetime | None, until: datetime | None) -> AnySelect:
    query = query.where(rolled_days.c.source_id.in_(list(sources)))
    if since is not None:
        query = query.where(rolled_days.c.day >= day_of(to_micros(since)))
    return query if until is None else query.where(rolled_days.c.day <= day_of(to_micros(until)))


def _packed_raw(rows: Sequence[RawRow]) -> bytes:
    import json

    import numpy as np

    from curewatch.store.packing import packed

    at, measures, temp_c, rh_pct, received_at, battery, retained, by = zip(*rows, strict=True)
    times = np.array(at, dtype=np.int64)
    columns: dict[str, Any] = {
        "at": times,
        "measures": np.array(measures, dtype=np.int64),
        "temp_c": np.array(temp_c, dtype=np.float64),  # None becomes NaN
        "rh_pct": np.array(rh_pct, dtype=np.float64),
        "received_at": np.array(received_at, dtype=np.int64) - times,
        "battery_pct": np.array(battery, dtype=np.float64),
        "retained": np.array(retained, dtype=np.int64),
        "logged_by": json.dumps(by).encode() if any(one is not None for one in by) else b"",
    }
    return packed(columns)


def _unpacked_raw(data: bytes) -> list[RawRow]:
    import json

    from curewatch.store.packing import unpacked

    columns = unpacked(data, RAW)
    at, who = columns["at"], columns["logged_by"]
    values = (
        at.tolist(),
        columns["measures"].tolist(),
        _or_none(columns["temp_c"]),
        _or_none(columns["rh_pct"]),
        (columns["received_at"] + at).tolist(),
        _or_none(columns["battery_pct"]),
        columns["retained"].astype(bool).tolist(),
        json.loads(who) if who else [None] * len(at),
    )
    return list(zip(*values, strict=True))


def _or_none(values: np.ndarray[Any, Any]) -> list[float | None]:
    return [None if value != value else value for value in values.tolist()]


def _rolled_of(rows: Sequence[RawRow]) -> ReadingColumns:
    """Single readings as arrays, of one source without a name."""
    import numpy as np

    at, _, temp_c, rh_pct, _, _, retained, _ = zip(*rows, strict=True)
    return columns_of(
        np.array(at, dtype=np.int64), np.array(temp_c, dtype=np.float64), np.array(rh_pct, dtype=np.float64),
        np.zeros(len(rows), dtype=np.int64), ("",), np.array(retained, dtype=bool),
    )  # fmt: skip


def _unpacked_rolled(data: bytes, name: str) -> ReadingColumns:
    import numpy as np

    from curewatch.store.packing import unpacked

    columns = unpacked(data, ROLLED)
    at = columns.pop("at")
    columns["retained"] = columns["retained"].astype(bool)
    return ReadingColumns(
        epoch_s=at.astype(np.float64) / 1e6, source=np.zeros(len(at), dtype=np.int64), sources=(name,), **columns
    )


def _told(rolled: ReadingColumns | None) -> list[RawRow]:
    """What five minutes came to, as readings of their mean moment."""
    import numpy as np

    if rolled is None:
        return []
    at = micros(rolled.epoch_s).tolist()
    measures = (np.isfinite(rolled.temp_c) + 2 * np.isfinite(rolled.rh_pct)).tolist()
    temp_c, rh_pct = _or_none(rolled.temp_c), _or_none(rolled.rh_pct)
    kept = rolled.retained.tolist()
    return [
        (t, m, temp, rh, t, None, r, None) for t, m, temp, rh, r in zip(at, measures, temp_c, rh_pct, kept, strict=True)
    ]


def same_rows(one: ReadingColumns, other: ReadingColumns) -> bool:
    import numpy as np

    if len(one.epoch_s) != len(other.epoch_s):
        return False
    pairs = ((getattr(one, name), getattr(other, name)) for name in ROWS)
    return all(bool(np.array_equal(a, b, equal_nan=a.dtype.kind == "f")) for a, b in pairs)
