"""A file that `curewatch export` wrote, JSON or a ZIP of CSV tables, back to facts; a spreadsheet may have been at
it."""

from __future__ import annotations

import csv
import io
import json
from array import array
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from curewatch.desk.transfer.exporting import ABOUT, KINDS, PICTURE, SCHEMA, SUFFIX, TABLES, Column, JsonType
from curewatch.desk.transfer.importing import (
    MOST_OF_A_KIND,
    SINCE_LATER,
    ExportedFacts,
    InvalidRecord,
    counted,
    facts_from_json,
    made,
)
from curewatch.intake.files.csv_cells import ALLOWED, DELIMITERS, cells_of, value_in
from curewatch.intake.files.input_file import Zipped, is_zip, read_whole
from curewatch.intake.json_pointer import is_pointer, unescaped
from curewatch.records import Reading, Record
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Part


class JsonRow(NamedTuple):
    """What stands at one place."""

    line: int
    path: str
    """From the outermost object on (JSON pointer, RFC 6901)."""
    type: str
    value: str


class UnfitRow(ValueError):
    """A row that fits nowhere: its line, the column that is wrong, what stands there, and what may."""

    def __init__(self, line: int, column: str, given: str, allowed: str) -> None:
        super().__init__(line, column, given, allowed)
        self.line, self.column, self.given, self.allowed = line, column, given, allowed


def object_of(json_rows: Sequence[JsonRow]) -> dict[str, Any]:
    """The object that these places are in. Raises Misplaced.

    Whatever holds others comes before them; the items of an array come in any order.
    """
    inner: dict[str, dict[str, Any]] = {"": {}}  # by path, what each object and array holds by name
    arrays: dict[str, JsonRow] = {}
    for one in json_rows:
        holder, _, name = one.path.rpartition("/")
        if not one.path or not is_pointer(one.path) or holder not in inner:
            raise UnfitRow(one.line, "path", one.path, "a path such as /names/0, after that of what holds it")
        if name in inner[holder]:
            raise UnfitRow(one.line, "path", one.path, "each path once")
        inner[holder][name] = None
        if one.type in (JsonType.ARRAY, JsonType.OBJECT):
            inner[one.path] = {}
            if one.type == JsonType.ARRAY:
                arrays[one.path] = one
        else:
            inner[holder][name] = _scalar(one)
    for path in reversed([*inner][1:]):  # what is held before what holds it; they may be too deep for recursion
        whole = _items(inner[path], arrays[path]) if path in arrays else _members(inner[path])
        holder, _, name = path.rpartition("/")
        inner[holder][name] = whole
    return _members(inner[""])


def _scalar(one: JsonRow) -> Any:
    if one.type == JsonType.NULL:
        if not one.value:
            return None
        raise UnfitRow(one.line, "value", one.value, "nothing")
    holds = _SCALARS.get(one.type)
    if holds is None:
        raise UnfitRow(one.line, "type", one.type, f"one of {', '.join(JsonType)}")
    value = value_in(one.value, holds, ";")  # the comma can only be a decimal one here
    if value is None:
        raise UnfitRow(one.line, "value", one.value, ALLOWED[holds])
    return value


_SCALARS: Mapping[str, type] = {
    JsonType.STRING: str,
    JsonType.INTEGER: int,
    JsonType.NUMBER: float,
    JsonType.BOOLEAN: bool,
}


def _members(held: dict[str, Any]) -> dict[str, Any]:
    return {unescaped(name): value for name, value in held.items()}


def _items(held: dict[str, Any], array: JsonRow) -> list[Any]:
    try:
        return [held[str(index)] for index in range(len(held))]
    except KeyError:
        wanted = f"an array whose places are numbered from {array.path}/0 on"
        raise UnfitRow(array.line, "path", array.path, wanted) from None


MOST_IN_A_LINE = 2**22
"""No line of ours comes near this [characters]."""
_FILES = tuple(f"{table}{SUFFIX}" for table in TABLES)
R = TypeVar("R", bound=Record)
csv.field_size_limit(MOST_IN_A_LINE)  # a notice that tells of many is longer than csv's 128 kB


def parse_tables(content: bytes, name: str) -> ExportedFacts:
    """What the ZIP called `name` tells. InputError quotes the first thing that cannot be, with file, line and column.

    Readings are read, and refused, only as they are gone through.
    """
    return _Export(Zipped(content, name, _FILES, PICTURE)).facts()


class Line(NamedTuple):
    """One row of a table: the line it begins at, and its cells' values by column."""

    number: int
    values: dict[str, Any]


class _Export:
    """The files, on their way to facts."""

    def __init__(self, files: Zipped) -> None:
        self._files = files

    def facts(self) -> ExportedFacts:
        self._check_about()
        lines = {kind: array("L") for kind in KINDS}
        records = {}
        for kind in KINDS:
            if self._has(kind, needed=kind not in SINCE_LATER):
                records[kind] = list(self._records(kind, lines[kind]))

        def where(kind: str, index: int, column: str | None) -> str:
            return _place(kind, lines[kind][index], column)

        self._has("readings", needed=True)
        rooms = {room.model_dump()["name"] for room in records["rooms"]}
        return ExportedFacts(
            records, self._readings(rooms), where, lambda name: self._files.picture(f"{name}{PICTURE}")
        )

    def _check_about(self) -> None:
        self._has(ABOUT, needed=True)
        found = list(self._lines(ABOUT))
        for line in found[:1]:
            for name, wanted in (("kind", "export"), ("schema", SCHEMA)):
                if line.values[name] != wanted:
                    allowed = f"{wanted}, which this curewatch reads"
                    raise self._bad(ABOUT, line.number, name, line.values[name], allowed)
        if len(found) != 1:
            raise self._bad(ABOUT, 1, None, f"{len(found)} rows", "one row, which says what this is")

    def _has(self, table: str, *, needed: bool) -> bool:
        """Whether the file is there; InputError where it is not but must be."""
        there = f"{table}{SUFFIX}" in self._files
        if needed and not there:
            raise InputError(Field.FILE, f"no {table}{SUFFIX}", "a whole export; this one lacks a file")
        return there

    def _records(self, kind: str, numbers: array[int]) -> Iterator[Record]:
        """A kind's records; `numbers` gets the line of each."""
        finish = {"mixes": self._with_parts, "notices": self._with_data}.get(kind, iter)
        for line in counted(finish(self._lines(kind)), kind, MOST_OF_A_KIND):
            numbers.append(line.number)
            yield self._made(KINDS[kind][0], line, kind)

    def _readings(self, rooms: set[str]) -> Iterator[Reading]:
        for line in self._lines("readings"):
            if line.values["room"] not in rooms:
                raise self._bad("readings", line.number, "room", line.values["room"], "the name of a room in rooms.csv")
            yield self._made(Reading, line, "readings")

    def _with_parts(self, mixes: Iterator[Line]) -> Iterator[Line]:
        parts = self._beside("mix_parts")
        for line in self._matched("mixes", mixes, "mix_parts", parts):
            belonging = parts.get(line.values["recipe"], [])
            if not belonging:
                wanted = "a recipe whose parts are in mix_parts.csv"
                raise self._bad("mixes", line.number, "recipe", line.values["recipe"], wanted)
            yield Line(line.number, line.values | {"parts": [self._made(Part, one, "mix_parts") for one in belonging]})

    def _with_data(self, notices: Iterator[Line]) -> Iterator[Line]:
        data = self._beside("notice_data")
        for line in self._matched("notices", notices, "notice_data", data):
            belonging = data.get(line.values["key"], [])
            try:
                found = object_of([JsonRow(one.number, **one.values) for one in belonging])
            except UnfitRow as error:
                raise self._bad("notice_data", error.line, error.column, error.given, error.allowed) from None
            yield Line(line.number, line.values | {"data": found})

    def _beside(self, table: str) -> dict[str, list[Line]]:
        """The rows of a table beside another, by the one they belong to."""
        self._has(table, needed=True)
        found: dict[str, list[Line]] = {}
        for line in counted(self._lines(table), table, 10 * MOST_OF_A_KIND):
            found.setdefault(line.values.pop(TABLES[table][0].name), []).append(line)
        return found

    def _matched(
        self, table: str, lines: Iterator[Line], beside: str, rows: Mapping[str, Sequence[Line]]
    ) -> Iterator[Line]:
        """`lines`; InputError at their end where some of `rows` belong to none of them."""
        column, seen = TABLES[beside][0].name, set()
        for line in lines:
            seen.add(line.values[column])
            yield line
        for owner in rows:
            if owner not in seen:
                raise self._bad(beside, rows[owner][0].number, column, owner, f"one that {table}.csv has")

    def _made(self, record: type[R], line: Line, table: str) -> R:
        try:
            return made(record, line.values)
        except InvalidRecord as error:
            raise self._bad(table, line.number, error.place or None, error.given, error.allowed) from None

    def _lines(self, table: str) -> Iterator[Line]:
        """The rows of a table, those that are quite empty left out."""
        with self._files.open(f"{table}{SUFFIX}") as text:
            pieces = self._pieces(text, table)
            delimiter, columns = self._heading(next(pieces, ""), table)
            reader = csv.reader(pieces, delimiter=delimiter, strict=True)
            while True:
                number = reader.line_num + 2  # it has not seen the heading
                try:
                    cells = next(reader, None)
                except csv.Error as problem:
                    raise self._bad(table, number, None, str(problem), "separated cells, quotes closed") from None
                if cells is None:
                    return
                if any(cells):
                    yield Line(number, self._values(cells, columns, delimiter, table, number))

    def _pieces(self, text: io.TextIOWrapper, table: str) -> Iterator[str]:
        """The file's lines, none of them so long that it could not be held."""
        number = 0
        while piece := text.readline(MOST_IN_A_LINE):
            number += 1
            if len(piece) == MOST_IN_A_LINE and piece[-1] not in "\r\n":
                raise self._bad(table, number, None, piece, f"lines of at most {MOST_IN_A_LINE} characters")
            yield piece

    def _heading(self, text: str, table: str) -> tuple[str, list[Column]]:
        """What separates cells, and the columns in the order they stand in."""
        known = {column.name: column for column in TABLES[table]}
        ways = [(delimiter, [name.strip() for name in cells_of(text, delimiter)]) for delimiter in DELIMITERS]
        fitting = (way for way in ways if known.keys() >= set(way[1]))
        delimiter, names = next(fitting, max(ways, key=lambda way: len(way[1])))
        for name in names:
            if name not in known:
                raise self._bad(table, 1, None, name, f"only the columns {', '.join(known)}")
            if names.count(name) > 1:
                raise self._bad(table, 1, None, name, "each column once")
        for column in known.values():
            if column.required and column.name not in names:
                raise self._bad(table, 1, None, text.strip(), f"the column {column.name} too")
        return delimiter, [known[name] for name in names]

    def _values(
        self, cells: list[str], columns: list[Column], delimiter: str, table: str, number: int
    ) -> dict[str, Any]:
        if len(cells) != len(columns):
            raise self._bad(table, number, None, f"{len(cells)} cells", f"{len(columns)}, as many as columns")
        values: dict[str, Any] = {}
        for column, cell in zip(columns, cells, strict=True):
            text = column.holds is str
            empty = not cell if text else not cell.strip()
            if empty and column.optional:
                values[column.name] = None
            elif not empty or text or column.required:
                value = values[column.name] = value_in(cell, column.holds, delimiter)
                if value is None:
                    raise self._bad(table, number, column.name, cell, ALLOWED[column.holds])
        return values  # what is empty and left out here is as usual

    def _bad(self, table: str, line: int, column: str | None, given: object, allowed: str) -> InputError:
        return InputError(Field.FILE, given, allowed, f"in {_place(table, line, column)}")


def _place(table: str, line: int, column: str | None) -> str:
    """Where something stands, for a person who opens the file."""
    where = f"line {line} of {table}{SUFFIX}"
    return where if column is None else f"{where}, column {column}"


MAX_BYTES = 2**30
"""A gigabyte: twenty sensors' readings of a year."""
_FILE = "the path of a file that `curewatch export` wrote"


def read_export(path: str | Path) -> ExportedFacts:
    """What the file at `path` tells, JSON or a ZIP of CSV files by its content. InputError: it is none.

    What is wrong with its readings shows only as they are gone through.
    """
    content = read_whole(path, MAX_BYTES, wanted=_FILE, field=Field.FILE)
    if is_zip(content):
        return parse_tables(content, str(path))
    return facts_from_json(parse_export(content, str(path)))


def parse_export(content: bytes, name: str) -> dict[str, Any]:
    """The object in the text of such a file, called `name` in what is said of it."""
    try:
        found = json.loads(content, parse_constant=_no_number)
    except json.JSONDecodeError as problem:
        where = f"which is broken in line {problem.lineno}, column {problem.colno} ({problem.msg})"
        raise InputError(Field.FILE, name, _FILE, where) from None
    except (UnicodeDecodeError, RecursionError, ValueError) as problem:
        raise InputError(Field.FILE, name, _FILE, f"which is no JSON text ({type(problem).__name__})") from None
    if not isinstance(found, dict):
        raise InputError(Field.FILE, name, _FILE, f"which holds a {type(found).__name__}")
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number in JSON")
