"""Files people hand in. A room's recorded air: `time_utc,temp_c,rh_pct`, one row a moment, in the order of time."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from curewatch.intake.files.input_file import read_whole
from curewatch.records import RH_PCT_RANGE, TEMP_C_RANGE
from curewatch.records.errors import Field, InputError, quoted

COLUMNS = ("time_utc", "temp_c", "rh_pct")
MAX_ROWS = 1_000_000
"""Nineteen years of ten-minute rows."""
MAX_BYTES = 128 * MAX_ROWS
"""No row of three numbers needs more than 128 bytes."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_MOMENT = "in UTC, such as 2026-05-14T18:30:00Z"
_FILE = f"the path of a CSV file with the columns {','.join(COLUMNS)}"


@dataclass(frozen=True)
class RoomHistory:
    """A room's air as recorded: equally long arrays, the times strictly increasing."""

    epoch_s: NDArray[np.float64]
    """[s since 1970-01-01 UTC]"""
    temp_c: NDArray[np.float64]
    """[°C]"""
    rh_pct: NDArray[np.float64]
    """[%]"""

    def __len__(self) -> int:
        return len(self.epoch_s)


def read_room_csv(path: str | Path, *, field: Field = Field.FILE) -> RoomHistory:
    """The file at `path`. InputError quotes the first line that cannot be taken, with its number."""
    return parse_room_csv(read_whole(path, MAX_BYTES, wanted=_FILE, field=field), str(path), field=field)


def parse_room_csv(content: bytes, name: str, *, field: Field = Field.FILE) -> RoomHistory:
    """The text of such a file, called `name` in what is said of it. A byte order mark is accepted."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = problem.object.count(b"\n", 0, problem.start) + 1
        broken = problem.object[problem.start : problem.start + 8]
        raise InputError(field, broken, "UTF-8 text", f"in line {line} of {quoted(name)}") from None
    rows = np.array(list(_Reader(text, name, field).rows()), dtype=float)
    if not len(rows):
        raise InputError(field, name, "at least one row under its header", "which holds none")
    return RoomHistory(rows[:, 0], rows[:, 1], rows[:, 2])


class _Reader:
    """One file on its way through; knows the line it is at."""

    def __init__(self, text: str, name: str, field: Field) -> None:
        self._csv = csv.reader(io.StringIO(text, newline=""), strict=True)
        self._name, self._field = name, field

    def rows(self) -> Iterator[tuple[float, float, float]]:
        """Time [s], temperature [°C] and humidity [%] of each row; lines that are blank are passed over."""
        lines = self._lines()
        header = next(lines, None)
        if header is None:
            raise InputError(self._field, self._name, _FILE, "which is empty")
        if tuple(cell.strip() for cell in header) != COLUMNS:
            raise self._bad(",".join(header), f"the header {','.join(COLUMNS)}")
        last = -np.inf
        for count, cells in enumerate(lines, 1):
            if count > MAX_ROWS:
                raise self._bad(",".join(cells), f"at most {MAX_ROWS} rows")
            if len(cells) != len(COLUMNS):
                raise self._bad(",".join(cells), f"three columns, {','.join(COLUMNS)}")
            at = self._moment(cells[0].strip())
            if at <= last:
                raise self._bad(cells[0], "a time_utc later than the row before")
            last = at
            temp_c = self._number(cells[1], TEMP_C_RANGE, "a temp_c in °C")
            yield at, temp_c, self._number(cells[2], RH_PCT_RANGE, "an rh_pct in %")

    def _lines(self) -> Iterator[list[str]]:
        while True:
            try:
                cells = next(self._csv, None)
            except csv.Error as problem:
                raise self._bad(str(problem), "comma-separated values, quotes closed") from None
            if cells is None:
                return
            if any(cell.strip() for cell in cells):
                yield cells

    def _moment(self, cell: str) -> float:
        try:
            at = datetime.fromisoformat(cell)
        except ValueError:
            raise self._bad(cell, f"a time_utc, {_MOMENT}") from None
        if at.tzinfo is None:
            at = at.replace(tzinfo=UTC)  # the column's name says so
        if at.utcoffset() != timedelta(0):
            raise self._bad(cell, f"a time_utc, {_MOMENT}")
        return at.timestamp()

    def _number(self, cell: str, span: tuple[float, float], what: str) -> float:
        low, high = span
        text = cell.strip()
        value = float(text) if len(text) <= 80 and _NUMBER.fullmatch(text) else np.nan
        if not low <= value <= high:  # NaN is not
            raise self._bad(cell, f"{what} between {low:g} and {high:g}")
        return value

    def _bad(self, given: str, allowed: str) -> InputError:
        return InputError(self._field, given, allowed, f"in line {self._csv.line_num} of {quoted(self._name)}")
