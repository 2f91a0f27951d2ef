"""An export in JSON, read as it comes: a file of a gigabyte is gone through twice, and a few of its facts are held.

First all of it is looked over: whether it is JSON (RFC 8259), how many there are of each kind, and where each kind
begins. Then each kind is read, in the order in which they go in, whatever the order in which they stand.
"""

from __future__ import annotations

import codecs
import json
import re
from base64 import b64decode
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import IO, Any

from curewatch.desk.transfer.exporting import KINDS, SCHEMA, THINNED
from curewatch.desk.transfer.importing import (
    MOST_OF_A_KIND,
    MOST_READINGS,
    SINCE_LATER,
    ExportedFacts,
    InvalidRecord,
    R,
    counted,
    made,
)
from curewatch.records import Reading, Record
from curewatch.records.errors import Field, InputError

AN_EXPORT = "the path of a file that `curewatch export` wrote"
AT_A_TIME = 2**18
"""Read from the file [bytes]."""
MOST_IN_A_FACT = 2**20
"""None of ours comes near this [characters], nor does a picture."""
READINGS, PICTURES = "readings", "photo_files"


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number in JSON")


_JSON = json.JSONDecoder(parse_constant=_no_number)
_SPACE = re.compile(r"[ \t\n\r]*")
_MARGIN = 12
"""A value that was cut off is found wrong so close to the cut [characters], or as a string without end."""


class _Cursor:
    """A place in JSON text, which moves on over one value after the other."""

    def __init__(self, file: IO[bytes], name: str, at: int = 0) -> None:
        self._file, self._name, self._read_to = file, name, at
        self._decoder = codecs.getincrementaldecoder("utf-8")()
        self._text, self._here, self._begins, self._line, self._column = "", 0, at, 1, 1
        if at == 0:
            self._here = int(self.peek() == "\ufeff")

    @property
    def at(self) -> int:
        """Of what comes next, in the file [bytes]."""
        passed = self._text[: self._here]
        return self._begins + (len(passed) if passed.isascii() else len(passed.encode()))

    def peek(self) -> str:
        """The next character that is no space; empty at the end."""
        while True:
            passed = _SPACE.match(self._text, self._here)
            assert passed is not None  # it may be empty
            self._here = passed.end()
            if self._here < len(self._text) or not self._more():
                return self._text[self._here : self._here + 1]

    def members(self) -> Iterator[str]:
        """The names in an object, each once; the cursor is at its value meanwhile, and must be moved over it."""
        seen = set()
        for _ in self._within("{", "}"):
            name = self.value() if self.peek() == '"' else self._expected("a name in quotes")
            if name in seen:
                raise InputError(Field.FILE, name, "each name once")
            seen.add(name)
            self._over(":")
            yield name

    def items(self) -> Iterator[Any]:
        """What is in an array."""
        for _ in self._within("[", "]"):
            yield self.value()

    def value(self) -> Any:
        """The whole next value."""
        self.peek()
        while True:
            try:
                found, end = _JSON.raw_decode(self._text, self._here)
                if end < len(self._text) or not self._more():  # else a number may go on
                    self._here = end
                    return found
            except json.JSONDecodeError as problem:
                may_go_on = problem.pos > len(self._text) - _MARGIN or problem.msg.startswith("Unterminated string")
                if may_go_on and len(self._text) - self._here > MOST_IN_A_FACT:
                    self._expected(f"it is longer than {MOST_IN_A_FACT} characters")
                if not may_go_on or not self._more():
                    self._here = problem.pos
                    self._expected(problem.msg)
            except (RecursionError, ValueError) as problem:
                raise self._no_text(problem) from None

    def end(self) -> None:
        if self.peek():
            self._expected("nothing more")

    def _within(self, begin: str, end: str) -> Iterator[None]:
        self._over(begin)
        if self.peek() != end:
            yield
            while self.peek() == ",":
                self._here += 1
                yield
        self._over(end)

    def _over(self, mark: str) -> None:
        if self.peek() != mark:
            self._expected(f"'{mark}'")
        self._here += 1

    def _more(self) -> bool:
        """Read on, what was passed let go; whether there was more. A value that is not whole yet may double."""
        passed, rest = self._text[: self._here], self._text[self._here :]
        self._file.seek(self._read_to)
        data = self._file.read(max(AT_A_TIME, len(rest)))
        try:
            text = self._decoder.decode(data, final=not data)
        except UnicodeDecodeError as problem:
            raise self._no_text(problem) from None
        self._begins, self._read_to = self.at, self._read_to + len(data)
        self._line += passed.count("\n")
        self._column = len(passed) - passed.rfind("\n") if "\n" in passed else self._column + len(passed)
        self._text, self._here = rest + text, 0
        return bool(data)

    def _expected(self, what: str) -> Any:
        passed = self._text[: self._here]
        line = self._line + passed.count("\n")
        column = len(passed) - passed.rfind("\n") if "\n" in passed else self._column + len(passed)
        raise InputError(Field.FILE, self._name, AN_EXPORT, f"which is broken in line {line}, column {column} ({what})")

    def _no_text(self, problem: Exception) -> InputError:
        return InputError(Field.FILE, self._name, AN_EXPORT, f"which is no JSON text ({type(problem).__name__})")


@dataclass(frozen=True)
class _Records:
    """The facts of one kind, read as they are gone through."""

    kind: str
    cursor_at: Callable[[int], _Cursor]
    at: int

    def __iter__(self) -> Iterator[Record]:
        for index, given in enumerate(self.cursor_at(self.at).items()):
            yield _one(KINDS[self.kind][0], given, f"{self.kind}[{index}]")


def facts_in_json(file: IO[bytes], name: str) -> ExportedFacts:
    """What the text in `file`, called `name`, tells. InputError where it is no export of ours.

    What is wrong with its facts shows only as they are gone through, which is as often as one likes.
    """
    found: dict[str, Any] = {}
    cursor, begins, pictures = _Cursor(file, name), dict[str, int](), dict[str, int]()
    if cursor.peek() not in ("{", ""):
        raise InputError(Field.FILE, name, AN_EXPORT, f"which holds a {type(cursor.value()).__name__}")
    for key in cursor.members():
        begins[key] = cursor.at
        if key == READINGS:
            _pass(cursor, key)
        elif key == PICTURES:
            pictures = _pictures(cursor)
        elif key in KINDS:
            _listed(cursor, key)
            for _ in counted(cursor.items(), key, MOST_OF_A_KIND):
                pass
        elif key in ("kind", "schema", THINNED):
            found[key] = cursor.value()
        else:
            _check_kind(found)
            raise InputError(Field.FILE, key, f"only {', '.join(KINDS)} and {READINGS}")
    cursor.end()
    _check_kind(found)
    if missing := sorted({READINGS, *KINDS} - SINCE_LATER - set(begins)):
        raise InputError(Field.FILE, f"no {missing[0]}", "a whole export; this one lacks a part")

    def cursor_at(place: int) -> _Cursor:
        return _Cursor(file, name, place)

    records = {kind: _Records(kind, cursor_at, begins[kind]) for kind in KINDS if kind in begins}

    def picture(file_name: str) -> bytes | None:
        return _picture(cursor_at(pictures[file_name]).value(), file_name) if file_name in pictures else None

    return ExportedFacts(records, _readings(cursor_at(begins[READINGS])), _where, picture)


def _check_kind(found: Mapping[str, Any]) -> None:
    if found.get("kind") != "export":
        raise InputError(Field.FILE, repr(found.get("kind")), "what `curewatch export` printed")
    if found.get("schema") != SCHEMA:
        raise InputError(Field.FILE, f"schema {found.get('schema')!r}", f"schema {SCHEMA}, which this curewatch reads")


def _pass(cursor: _Cursor, key: str) -> None:
    """Over the readings."""

    def each() -> Iterator[None]:
        for room in _rooms(cursor):
            _listed(cursor, f"{key}[{room!r}]")
            for _ in cursor.items():
                yield

    for _ in counted(each(), key, MOST_READINGS):
        pass


def _rooms(cursor: _Cursor) -> Iterator[str]:
    if cursor.peek() != "{":
        raise InputError(Field.FILE, READINGS, "readings by room")
    return cursor.members()


def _pictures(cursor: _Cursor) -> dict[str, int]:
    """Where each begins, by its name."""
    if cursor.peek() != "{":
        raise InputError(Field.FILE, PICTURES, "pictures by name")
    found = {}
    for name in counted(cursor.members(), PICTURES, MOST_OF_A_KIND):
        found[name] = cursor.at
        cursor.value()
    return found


def _picture(text: Any, name: str) -> bytes:
    try:
        return b64decode(text, validate=True)
    except (TypeError, ValueError):
        raise InputError(Field.FILE, f"{PICTURES}[{name!r}]", "a picture in base64") from None


def _readings(cursor: _Cursor) -> Iterator[Reading]:
    for room in _rooms(cursor):
        for index, one in enumerate(cursor.items()):
            reading = _one(Reading, one, f"{READINGS}[{room!r}][{index}]")
            if reading.room != room:
                where = f"{READINGS}[{room!r}][{index}] of {reading.room!r}"
                raise InputError(Field.FILE, where, f"a reading of {room!r}")
            yield reading


def _listed(cursor: _Cursor, where: str) -> None:
    if cursor.peek() != "[":
        raise InputError(Field.FILE, where, f"a list at {where}")


def _where(kind: str, index: int, column: str | None) -> str:
    return f"{kind}[{index}]" if column is None else f"{kind}[{index}].{column}"


def _one(record: type[R], given: Any, where: str) -> R:
    try:
        return made(record, given)
    except InvalidRecord as error:
        at = f"{where}.{error.place}" if error.place else where
        raise InputError(Field.FILE, f"{at} = {str(error.given)[:60]}", error.allowed) from None
