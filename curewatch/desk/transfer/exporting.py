"""Everything out of the store: as one JSON object, as a ZIP of tables, or one room's readings as rows."""

from __future__ import annotations

import csv
import io
import json
import types
from base64 import b64encode
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from enum import StrEnum
from operator import attrgetter
from typing import IO, Annotated, Any, NamedTuple, Union, get_args, get_origin
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from curewatch.desk.desk import Desk
from curewatch.desk.orders import nearest
from curewatch.language import phrase
from curewatch.records import (
    Alarm,
    AlarmEvent,
    Damage,
    Notice,
    Piece,
    Pour,
    Reading,
    Recipe,
    Record,
    Room,
    SensorTrust,
    Stay,
)
from curewatch.records.corrections import Change, Correction
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Forgetting, Observation
from curewatch.records.workshop import Paint, Part, Photo, Promise, RecipeMix, StepDone, Tilt
from curewatch.store import Transaction

SCHEMA = 1
"""Of what `as_json` gives. Raised when what it gave before could no longer be read."""
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20", "'")
"""Text that begins so is a formula to a spreadsheet (OWASP, CSV Injection; the four wide ones are = + - @ too), and
what hides it: such text gets a ' before it, which reading takes off."""
THINNED = "means_until"
"""Until when sensors' readings are what each five minutes came to, because they were let go; null: nowhere."""
ALL = 2**62
"""More of anything than there can be."""
KINDS: Mapping[str, tuple[type[Record], Callable[[Transaction], Sequence[Record]]]] = {
    "rooms": (Room, lambda tx: tx.rooms(removed=True)),
    "recipes": (Recipe, lambda tx: tx.recipes(removed=True)),
    "mixes": (RecipeMix, lambda tx: tx.mixes()),
    "pieces": (Piece, lambda tx: sorted((*tx.pieces(), *tx.pieces(gone=True, deleted=True)), key=attrgetter("id"))),
    "stays": (Stay, lambda tx: tx.stays()),
    "pours": (Pour, lambda tx: tx.pours()),
    "tilts": (Tilt, lambda tx: tx.tilts()),
    "paints": (Paint, lambda tx: tx.paints()),
    "photos": (Photo, lambda tx: tx.photos()),
    "promises": (Promise, lambda tx: tx.promises()),
    "steps": (StepDone, lambda tx: tx.steps()),
    "observations": (Observation, lambda tx: tx.observations()),
    "forgettings": (Forgetting, lambda tx: tx.forgettings()),
    "sensor_trusts": (SensorTrust, lambda tx: tx.sensor_trusts()),
    "corrections": (Correction, lambda tx: tx.corrections()),
    "changes": (Change, lambda tx: tx.changes()),
    "damages": (Damage, lambda tx: tx.damages()),
    "alarms": (Alarm, lambda tx: tx.alarms()),
    "alarm_events": (AlarmEvent, lambda tx: tx.alarm_events(limit=ALL)[::-1]),
    "notices": (Notice, lambda tx: tx.notices(limit=ALL)[::-1]),
}
"""What is told of, in this order: its record, and where it is read. Forecasts and lessons are derived, and made again;
alarms carry who acknowledged and muted what, notices what people were told, so that nobody is told twice."""


def as_json(desk: Desk) -> Iterator[str]:
    """All that is known, as of one moment, as the text of one JSON object, a fact a line: `import_facts` makes the same
    studio of it in an empty store.

    `kind` is "export"; `means_until` says of which days the readings were let go, so that they are means of five
    minutes; `photo_files` has the pictures as base64, by name; each of `KINDS` is a list of objects, and
    `readings` one of lists by room. Times are ISO 8601 in UTC, units as in the names. Deliveries, secrets and the
    page's own notes stay behind. Memory holds the facts of one kind, and no more.
    """
    with desk.store.read() as tx:
        thinned = tx.thinned_until()
        yield f'{{"schema": {SCHEMA}, "kind": "export", "{THINNED}": {json.dumps(thinned and _moment(thinned))}'
        for kind, (_, read) in KINDS.items():
            yield f', "{kind}": '
            yield from _lines("[]", (_text(one) for one in read(tx)))
        yield ', "photo_files": '
        pictures = ((name, b64encode(jpeg).decode()) for name, jpeg in _pictures(desk, tx))
        yield from _lines("{}", (f"{_text(name)}: {_text(text)}" for name, text in pictures))
        yield ', "readings": {'
        for number, room in enumerate(tx.rooms(removed=True)):
            yield f"{', ' if number else ''}{_text(room.name)}: "
            yield from _lines("[]", (_text(one) for one in tx.each_reading(room.name)))
        yield "}}"


def _lines(brackets: str, some: Iterable[str]) -> Iterator[str]:
    separator = f"{brackets[0]}\n"
    for one in some:
        yield separator + one
        separator = ",\n"
    yield brackets if separator[0] == brackets[0] else f"\n{brackets[1]}"


def _text(value: Record | str) -> str:
    plain = value if isinstance(value, str) else value.model_dump(mode="json")
    return json.dumps(plain, ensure_ascii=True, allow_nan=False)


def _moment(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")


def _pictures(desk: Desk, tx: Transaction) -> Iterator[tuple[str, bytes]]:
    """Each picture once; one whose file is lost is left out, its row stays."""
    for name in sorted({photo.sha256 for photo in tx.photos()}):
        if (jpeg := desk.store.photos.get(name)) is not None:
            yield name, jpeg


def means_until(desk: Desk) -> datetime | None:
    """Until when sensors' readings are what each five minutes came to; None: all are there as they were read."""
    with desk.store.read() as tx:
        return tx.thinned_until()


def readings_of(desk: Desk, room: str, since: datetime | None = None) -> list[Reading]:
    """A room's readings in the order of time. InputError for an unknown room."""
    with desk.store.read() as tx:
        if tx.room(room) is None:
            known = [one.name for one in tx.rooms()]
            raise InputError(Field.READINGS_OF, room, nearest(room, known, phrase("a room")))
        return tx.readings(room, since=since)


def rows(readings: list[Reading]) -> Iterator[tuple[str, str, str, str]]:
    """Time, temperature [°C], humidity [%] and source, as `import-readings` takes them by itself."""
    yield "time_utc", "temp_c", "rh_pct", "source"
    for one in readings:
        temp = "" if one.temp_c is None else repr(one.temp_c)
        rh = "" if one.rh_pct is None else repr(one.rh_pct)
        yield one.at.isoformat(), temp, rh, harmless(one.source)


def harmless(text: str) -> str:
    """Text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(RISKY) else text


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
        if str in (args := get_args(annotation)) and type(None) not in args:  # sentences, as JSON, or plain text
            return str, False
        (held,) = [one for one in get_args(annotation) if one is not type(None)]
        return _held(held)[0], True
    if get_origin(annotation) is tuple and get_args(annotation)[0] is int:  # numbers, as one text
        return str, False
    for scalar in SCALARS:
        if isinstance(annotation, type) and issubclass(annotation, scalar):
            return scalar, False
    raise TypeError(f"{annotation!r} fits no cell; tell it in a table of its own")


APART = {(RecipeMix, "parts"), (Notice, "data")}
"""Fields that are told in a table beside their record's."""
ABOUT = "about"
TABLES: Mapping[str, tuple[Column, ...]] = {
    ABOUT: (
        Column("kind", str),
        Column("schema", int),
        Column("written_at", datetime, optional=True, required=False),
        Column(THINNED, datetime, optional=True, required=False),
    ),
    **{kind: columns_of(record) for kind, (record, _) in KINDS.items()},
    "mix_parts": (Column("recipe", str), *columns_of(Part)),
    "notice_data": (Column("key", str), Column("path", str), Column("type", str), Column("value", str)),
    "readings": columns_of(Reading),
}
"""Every table there may be, and its columns in their order. One beside another says in its first whose its rows are."""
SUFFIX, PICTURE = ".csv", ".jpg"


def write_tables(desk: Desk, now: datetime, out: IO[bytes]) -> dict[str, int]:
    """All that is known, as of one moment, as a ZIP of CSV files (RFC 4180) in UTF-8; how much of each kind it is.

    Readings pass through one by one: memory holds the other facts, and no more.
    """
    with desk.store.read() as tx, ZipFile(out, "w", ZIP_DEFLATED) as files:
        counts = {name: _write(files, name, rows, now) for name, rows in _tables(tx, now)}
        for name, jpeg in _pictures(desk, tx):
            files.writestr(_member(f"{name}{PICTURE}", now), jpeg)
    return {kind: counts[kind] for kind in (*KINDS, "readings")}


def _tables(tx: Transaction, now: datetime) -> Iterator[tuple[str, Iterable[Row]]]:
    """Each table's name and rows; a table beside another follows it."""
    thinned = tx.thinned_until()
    yield ABOUT, [("export", SCHEMA, _moment(now), thinned and _moment(thinned))]
    for kind, (record, read) in KINDS.items():
        records = read(tx)
        apart = {field for of, field in APART if of is record}
        yield kind, (one.model_dump(mode="json", exclude=apart).values() for one in records)
        if kind == "mixes":
            yield "mix_parts", _mix_parts(records)
        if kind == "notices":
            yield "notice_data", _notice_data(records)
    rooms = tx.rooms(removed=True)
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
    made = _member(f"{name}{SUFFIX}", now)
    large = name == "readings"  # may pass 2 GB, which has to be said before it is known
    with files.open(made, "w", force_zip64=large) as raw, io.TextIOWrapper(raw, "utf-8", newline="") as text:
        writer = csv.writer(text)  # RFC 4180: commas, CRLF, quotes where they are needed
        writer.writerow(column.name for column in TABLES[name])
        count = 0
        for row in rows:
            writer.writerow(map(_cell, row))
            count += 1
    return count


def _member(name: str, now: datetime) -> ZipInfo:
    made = ZipInfo(name, max(now.astimezone(UTC), _FIRST).timetuple()[:6])
    made.compress_type, made.create_system, made.external_attr = ZIP_DEFLATED, _UNIX, 0o600 << 16
    return made


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
    if isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    if isinstance(value, list):
        return " ".join(map(str, value))
    return value
