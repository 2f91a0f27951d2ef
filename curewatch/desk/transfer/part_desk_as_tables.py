"""Everything as tables: one CSV file a kind of fact, all in one ZIP. `intake/files/part_intake_tables_csv.py` reads them again.

A table bears the name of its part in the JSON of everything, its columns those of the record's fields, in their order.
What has no cell of its own is told in a table beside it: the parts of a mix, and what programs are told with a notice.
"""

from __future__ import annotations

import csv
import io
import types
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from typing import IO, Annotated, Any, NamedTuple, Union, get_args, get_origin
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from curewatch.desk.desk import Desk
from curewatch.desk.transfer.exporting import KINDS, SCHEMA, harmless
from curewatch.records import Notice, Reading, Record
from curewatch.records.workshop import Part, RecipeMix
from curewatch.store import Transaction

Row = Iterable[Any]
SCALARS = (bool, int, float, datetime, str)
"""What a cell may hold. A name out of a fixed list (StrEnum) is a str."""


class Column(NamedTuple):
    """One column of a table."""

    name: str
    holds: type
    """One of SCALARS."""
    optional: bool = False
    """An empty cell says that it is not known."""
    required: bool = True
    """False where the column may be left out."""


class JsonType(StrEnum):
    """What stands at one place of a notice's data, by the names of JSON Schema."""

    STRING = "string"
    INTEGER = "integer"
    NUMBER = "number"
    BOOLEAN = "boolean"
    NULL = "null"
    ARRAY = "array"
    OBJECT = "object"


def columns_of(record: type[Record]) -> tuple[Column, ...]:
    """The columns that a record's fields make, but for those that a table beside it tells.

    TypeError for a field that is neither.
    """
    columns = []
    for name, field in record.model_fields.items():
        if (record, name) not in APART:
            holds, optional = _held(field.annotation)
            columns.append(Column(name, holds, optional, field.is_required()))
    return tuple(columns)


def _held(annotation: Any) -> tuple[type, bool]:
    """What a field holds, and whether it may be None."""
    if get_origin(annotation) is Annotated:
        return _held(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        (held,) = [one for one in get_args(annotation) if one is not type(None)]
        return _held(held)[0], True
    for scalar in SCALARS:
        if isinstance(annotation, type) and issubclass(annotation, scalar):
            return scalar, False
    raise TypeError(f"{annotation!r} fits no cell; tell it in a table of its own")


APART = {(RecipeMix, "parts"), (Notice, "data")}
"""Fields that are told in a table beside their record's."""
ABOUT = "about"
TABLES: Mapping[str, tuple[Column, ...]] = {
    ABOUT: (Column("kind", str), Column("schema", int), Column("written_at", datetime, optional=True, required=False)),
    **{kind: columns_of(record) for kind, (record, _) in KINDS.items()},
    "mix_parts": (Column("recipe", str), *columns_of(Part)),
    "notice_data": (Column("key", str), Column("path", str), Column("type", str), Column("value", str)),
    "readings": columns_of(Reading),
}
"""Every table there may be, and its columns in their order. One beside another says in its first whose its rows are."""
SUFFIX = ".csv"


def write_tables(desk: Desk, now: datetime, out: IO[bytes]) -> dict[str, int]:
    """All that is known, as of one moment, as a ZIP of CSV files (RFC 4180) in UTF-8; how much of each kind it is.

    Readings pass through one by one: memory holds the other facts, and no more.
    """
    with desk.store.read() as tx, ZipFile(out, "w", ZIP_DEFLATED) as files:
        counts = {name: _write(files, name, rows, now) for name, rows in _tables(tx, now)}
    return {kind: counts[kind] for kind in (*KINDS, "readings")}


def _tables(tx: Transaction, now: datetime) -> Iterator[tuple[str, Iterable[Row]]]:
    """Each table's name and rows; a table beside another follows it."""
    yield ABOUT, [("export", SCHEMA, now.astimezone(UTC).isoformat().replace("+00:00", "Z"))]
    for kind, (record, read) in KINDS.items():
        records = read(tx)
        apart = {field for of, field in APART if of is record}
        yield kind, (one.model_dump(mode="json", exclude=apart).values() for one in records)
        if kind == "mixes":
            yield "mix_parts", _mix_parts(records)
        if kind == "notices":
            yield "notice_data", _notice_data(records)
    rooms = tx.rooms()
    yield "readings", (one.model_dump(mode="json").values() for room in rooms for one in tx.each_reading(room.name))


def _mix_parts(mixes: Iterable[Record]) -> Iterator[Row]:
    for mix in mixes:
        told = mix.model_dump(mode="json")
        yield from ((told["recipe"], *part.values()) for part in told["parts"])


def _notice_data(notices: Iterable[Record]) -> Iterator[Row]:
    for notice in notices:
        told = notice.model_dump(mode="json", include={"key", "data"})
        yield from ((told["key"], *row) for row in _places(told["data"], ""))


def _places(value: Any, path: str) -> Iterator[tuple[str, str, Any]]:
    """Path (JSON pointer, RFC 6901), type and value of everything within a JSON value, itself left out."""
    named = value.items() if isinstance(value, dict) else enumerate(value)
    for name, one in named:
        at = f"{path}/{str(name).replace('~', '~0').replace('/', '~1')}"
        kind = _JSON_TYPES[type(one)]
        if kind in (JsonType.ARRAY, JsonType.OBJECT):
            yield at, kind, None
            yield from _places(one, at)
        else:
            yield at, kind, one


_JSON_TYPES = {
    str: JsonType.STRING, int: JsonType.INTEGER, float: JsonType.NUMBER, bool: JsonType.BOOLEAN,
    type(None): JsonType.NULL, list: JsonType.ARRAY, dict: JsonType.OBJECT,
}  # fmt: skip


def _write(files: ZipFile, name: str, rows: Iterable[Row], now: datetime) -> int:
    """One table as a member of the ZIP; how many rows it has."""
    made = ZipInfo(f"{name}{SUFFIX}", max(now.astimezone(UTC), _FIRST).timetuple()[:6])
    made.compress_type, made.create_system, made.external_attr = ZIP_DEFLATED, _UNIX, 0o600 << 16
    large = name == "readings"  # may pass 2 GB, which has to be said before it is known
    with files.open(made, "w", force_zip64=large) as raw, io.TextIOWrapper(raw, "utf-8", newline="") as text:
        writer = csv.writer(text)  # RFC 4180: commas, CRLF, quotes where they are needed
        writer.writerow(column.name for column in TABLES[name])
        count = 0
        for row in rows:
            writer.writerow(map(_cell, row))
            count += 1
    return count


_FIRST = datetime(1980, 1, 1, tzinfo=UTC)
"""A ZIP knows no earlier date; a clock that was never set shows one."""
_UNIX = 3
"""The system whose file modes the ZIP holds; the same whatever system it is written on."""


def _cell(value: Any) -> Any:
    """Nothing for None; a float with the digits that make it the same float again (repr, which csv uses)."""
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    return value
