"""A file that `curewatch export` wrote, JSON or a ZIP of CSV tables, back to facts; a spreadsheet may have been at
it."""

from __future__ import annotations

import csv
import io
import itertools
from array import array
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, NamedTuple, TypeVar

from curewatch.desk.transfer.exporting import ABOUT, KINDS, PICTURE, SCHEMA, SUFFIX, TABLES, Column, JsonType
from curewatch.desk.transfer.importing import (
    MOST_OF_A_KIND,
    SINCE_LATER,
    ExportedFacts,
    InvalidRecord,
    counted,
    made,
)
from curewatch.intake.files.csv_cells import ALLOWED, DELIMITERS, cells_of, value_in
from curewatch.intake.files.export_json import AN_EXPORT, facts_in_json
from curewatch.intake.files.input_file import Zipped, is_zip, opened
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


MOST_IN_A_LINE = 2**20
"""No line of ours comes near this [characters]."""
HELD_MOST = 50_000
"""So many rows of a table beside another are held, in whatever order they are; more of them have to be in its order."""
BESIDE = {"mixes": "mix_parts", "notices": "notice_data"}
"""By a table, that beside it."""
_FILES = tuple(f"{table}{SUFFIX}" for table in TABLES)
R = TypeVar("R", bound=Record)
csv.field_size_limit(MOST_IN_A_LINE)  # a notice that tells of many is longer than csv's 128 kB


def facts_in_tables(file: IO[bytes], name: str) -> ExportedFacts:
    """What the ZIP in `file`, called `name`, tells. InputError quotes the first thing that cannot be, with its place.

    What is in its tables is read, and refused, only as it is gone through.
    """
    return _Export(Zipped(file, name, _FILES, PICTURE)).facts()


class Line(NamedTuple):
    """One row of a table: the line it begins at, and its cells' values by column."""

    number: int
    values: dict[str, Any]


class _Beside:
    """The rows of a table beside another. Few are held, in whatever order they are; many are taken as they come."""

    def __init__(self, lines: Iterator[Line], column: str) -> None:
        self._column, self._lines = column, lines
        self._held: dict[str, list[Line]] = {}
        self._seen: set[str] = set()
        first = list(itertools.islice(lines, HELD_MOST))
        self.in_any_order = len(first) < HELD_MOST
        if self.in_any_order:
            for line in first:
                self._held.setdefault(line.values[column], []).append(line)
        else:
            self._lines = itertools.chain(first, lines)
            self._next = next(self._lines, None)

    def of(self, owner: str) -> list[Line]:
        """Those of one line of the other table."""
        if self.in_any_order:
            self._seen.add(owner)
            return self._held.get(owner, [])
        found: list[Line] = []
        while self._next is not None and self._next.values[self._column] == owner and len(found) <= HELD_MOST:
            found.append(self._next)
            self._next = next(self._lines, None)
        return found

    def left(self) -> Line | None:
        """The first that belonged to none."""
        if not self.in_any_order:
            return self._next
        return next((lines[0] for owner, lines in self._held.items() if owner not in self._seen), None)


class _Export:
    """The files, on their way to facts."""

    def __init__(self, files: Zipped) -> None:
        self._files = files

    def facts(self) -> ExportedFacts:
        self._check_about()
        here = [kind for kind in KINDS if self._has(kind, needed=kind not in SINCE_LATER)]
        for kind, beside in BESIDE.items():
            if kind in here:
                self._has(beside, needed=True)
        lines = {kind: array("L") for kind in here}
        rooms: set[str] = set()
        records = {kind: self._records(kind, lines[kind], rooms) for kind in here}

        def where(kind: str, index: int, column: str | None) -> str:
            return _place(kind, lines[kind][index], column)

        self._has("readings", needed=True)
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

    def _records(self, kind: str, numbers: array[int], rooms: set[str]) -> Iterator[Record]:
        """A kind's records; `numbers` gets the line of each, `rooms` the names of the rooms."""
        finish = {"mixes": self._with_parts, "notices": self._with_data}.get(kind, iter)
        for line in counted(finish(self._lines(kind)), kind, MOST_OF_A_KIND):
            numbers.append(line.number)
            if kind == "rooms":
                rooms.add(line.values["name"])
            yield self._made(KINDS[kind][0], line, kind)

    def _readings(self, rooms: set[str]) -> Iterator[Reading]:
        for line in self._lines("readings"):
            if line.values["room"] not in rooms:
                raise self._bad("readings", line.number, "room", line.values["room"], "the name of a room in rooms.csv")
            yield self._made(Reading, line, "readings")

    def _with_parts(self, mixes: Iterator[Line]) -> Iterator[Line]:
        for line, belonging in self._matched("mixes", mixes):
            if not belonging:
                wanted = "a recipe whose parts are in mix_parts.csv"
                raise self._bad("mixes", line.number, "recipe", line.values["recipe"], wanted)
            yield Line(line.number, line.values | {"parts": [self._made(Part, one, "mix_parts") for one in belonging]})

    def _with_data(self, notices: Iterator[Line]) -> Iterator[Line]:
        for line, belonging in self._matched("notices", notices):
            try:
                found = object_of([JsonRow(one.number, **one.values) for one in belonging])
            except UnfitRow as error:
                raise self._bad("notice_data", error.line, error.column, error.given, error.allowed) from None
            yield Line(line.number, line.values | {"data": found})

    def _matched(self, table: str, lines: Iterator[Line]) -> Iterator[tuple[Line, list[Line]]]:
        """`lines`, each with the rows beside it; InputError where some of those belong to none of them."""
        beside = BESIDE[table]
        column = TABLES[beside][0].name
        rows = _Beside(counted(self._lines(beside), beside, 10 * MOST_OF_A_KIND), column)
        for line in lines:
            belonging = rows.of(line.values[column])
            if len(belonging) > HELD_MOST:
                given = line.values[column]
                raise self._bad(beside, belonging[0].number, column, given, f"at most {HELD_MOST} rows of one")
            yield (
                line,
                [
                    Line(one.number, {name: value for name, value in one.values.items() if name != column})
                    for one in belonging
                ],
            )
        if left := rows.left():
            more = "" if rows.in_any_order else f", in the order in which they are there, as these are over {HELD_MOST}"
            raise self._bad(beside, left.number, column, left.values[column], f"one that {table}.csv has{more}")

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


@contextmanager
def export_at(path: str | Path) -> Iterator[ExportedFacts]:
    """What the file at `path` tells, JSON or a ZIP of CSV files by its content. InputError: it is none.

    What is wrong with its facts shows only as they are gone through, within the block.
    """
    with opened(path, MAX_BYTES, wanted=AN_EXPORT, field=Field.FILE) as file:
        begins = file.read(4)
        yield facts_in_tables(file, str(path)) if is_zip(begins) else facts_in_json(file, str(path))
