"""A logger's record of a room, as a CSV file of whatever layout: named columns, a unit, a zone, gaps."""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path

from curewatch.intake.files.csv_cells import DELIMITERS, cells_of, number_in, value_in
from curewatch.intake.files.input_file import read_whole
from curewatch.intake.typed.times import moments_of, skipped
from curewatch.records import RH_PCT_RANGE, TEMP_C_RANGE, UNSAFE, Reading
from curewatch.records.errors import Field, InputError, quoted

MAX_BYTES = 256_000_000
PREAMBLE = 60
"""Lines above the header in which a logger may tell of itself."""
LOOKED_AT = 100
"""Rows that tell which way a file runs."""
OUR_SOURCE = "source"
"""The column that an export of ours names the sensor in."""
YEARS = (1970, 2199)
"""A logger whose clock was never set begins at the first; beyond the calendar's ends there is no time in UTC."""
_CONTROL = re.compile(f"[{UNSAFE}]")
TO_C = {"C": (1.0, 0.0), "F": (5 / 9, -32 * 5 / 9), "K": (1.0, -273.15)}


@dataclass(frozen=True)
class Layout:
    """Where in the file things stand. A column is named by its heading, or counted from 1."""

    time: str = "time_utc"
    temperature: str | None = "temp_c"
    humidity: str | None = "rh_pct"
    unit: str = "C"
    zone: tzinfo = UTC
    """Of times without an offset of their own."""
    time_format: str | None = None
    """As strptime takes it; None: ISO 8601."""
    skip_bad: bool = False
    """Pass over rows that cannot be taken, and count them."""


@dataclass
class Imported:
    """What a file held."""

    readings: list[Reading] = field(default_factory=list)
    empty: int = 0
    """Rows in which neither quantity was recorded."""
    bad: int = 0
    first_bad: str | None = None


def read_logger_csv(path: str, layout: Layout, *, room: str, source: str, now: datetime) -> Imported:
    """The readings in the file at `path`. InputError quotes the first row that cannot be taken, with its line."""
    content = read_whole(path, MAX_BYTES, wanted="the path of a CSV file", field=Field.FILE)
    return parse_logger_csv(content, layout, name=Path(path).name, room=room, source=source, now=now)


def parse_logger_csv(content: bytes, layout: Layout, *, name: str, room: str, source: str, now: datetime) -> Imported:
    """As `read_logger_csv`, of the file's content."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252", errors="replace")  # what loggers of the last thirty years write
    return _File(text, layout, name).imported(room, source, now)


class _File:
    """One file on its way through; knows the line it is at."""

    def __init__(self, text: str, layout: Layout, name: str) -> None:
        self._layout, self._name, self._line = layout, name, 0
        self._text = text
        self._delimiter, self._heading = self._find_header(text)
        self._last: datetime | None = None
        self._newest_first = self._runs_backwards()

    def imported(self, room: str, source: str, now: datetime) -> Imported:
        found = Imported()
        for cells in self._rows():
            try:
                reading = self._reading(cells, room, source, now)
            except InputError as problem:
                if not self._layout.skip_bad:
                    raise
                found.bad += 1
                found.first_bad = found.first_bad or str(problem)
                continue
            if reading is None:
                found.empty += 1
            else:
                found.readings.append(reading)
        if not found.readings:
            raise InputError(
                Field.FILE, self._name, "a file with at least one reading", f"which holds none {self._sentence(found)}"
            )
        return found

    @staticmethod
    def _sentence(found: Imported) -> str:
        return f"({found.empty} rows are empty, {found.bad} cannot be taken)"

    def _find_header(self, text: str) -> tuple[str, list[str]]:
        """The separator, and the cells of the header: the first line that has every column asked for."""
        wanted = [c for c in (self._layout.time, self._layout.temperature, self._layout.humidity) if c is not None]
        lines = list(itertools.islice(io.StringIO(text, newline=""), PREAMBLE))  # counted as _rows counts them
        for number, line in enumerate(lines, 1):
            for delimiter in DELIMITERS:
                cells = [cell.strip() for cell in cells_of(line, delimiter)]
                if len(cells) > 1 and all(_column(cells, one) is not None for one in wanted):
                    self._line = number
                    return delimiter, cells
        first = next((line for line in map(str.strip, lines) if line), "")
        raise InputError(
            Field.FILE,
            self._name,
            f"the columns {', '.join(map(quoted, wanted))}",
            f"whose first line is {quoted(first)}",
        )

    def _runs_backwards(self) -> bool:
        """Whether the newest row comes first, by most of the first rows: clocks set back make one step look other."""
        steps, before, header = 0, None, self._line
        with contextlib.suppress(InputError):  # told when the rows are taken
            for cells in itertools.islice(self._rows(), LOOKED_AT):
                with contextlib.suppress(InputError):
                    at = self._clock_time(self._cell(cells, self._layout.time)).replace(tzinfo=None)
                    steps += 0 if before is None else (at > before) - (at < before)
                    before = at
        self._line = header
        return steps < 0

    def _rows(self) -> Iterator[list[str]]:
        header = self._line
        reader = csv.reader(io.StringIO(self._text, newline=""), delimiter=self._delimiter)
        try:
            for cells in reader:
                self._line = reader.line_num
                if self._line > header and any(cell.strip() for cell in cells):
                    yield cells
        except csv.Error as problem:
            self._line = reader.line_num
            raise self._bad(str(problem), "separated values, quotes closed") from None

    def _reading(self, cells: list[str], room: str, source: str, now: datetime) -> Reading | None:
        unit = self._layout.unit
        temp = self._number(cells, self._layout.temperature, unit)
        rh = self._number(cells, self._layout.humidity, "%")
        if temp is None and rh is None:
            return None
        if temp is not None:
            factor, offset = TO_C[unit]
            temp = self._within(temp * factor + offset, TEMP_C_RANGE, "a temperature in °C")
        if rh is not None:
            rh = self._within(rh, RH_PCT_RANGE, "a humidity in %")
        at = self._moment(self._cell(cells, self._layout.time))
        named = self._sensor(cells) if OUR_SOURCE in self._heading else ""
        self._last = at
        return Reading(room=room, at=at, temp_c=temp, rh_pct=rh, source=named or source, received_at=now)

    def _sensor(self, cells: list[str]) -> str:
        """Empty where the row names none."""
        named = str(value_in(self._cell(cells, OUR_SOURCE), str, self._delimiter))
        if _CONTROL.search(named):
            raise self._bad(named, f"a sensor's name without control characters under {quoted(OUR_SOURCE)}")
        return named

    def _cell(self, cells: list[str], column: str) -> str:
        index = _column(self._heading, column)
        return "" if index is None or index >= len(cells) else cells[index].strip()

    def _number(self, cells: list[str], column: str | None, unit: str) -> float | None:
        """None where nothing was recorded. The cell may name its `unit`, but no other."""
        text = "" if column is None else self._cell(cells, column)
        if text.casefold() in ("", "-", "--", "nan", "n/a", "null", "none"):
            return None
        value = number_in(text.removesuffix(unit).rstrip("° "), self._delimiter)
        if value is None or not abs(value) < 1e6:
            raise self._bad(text, f"a number in {unit} under {quoted(column)}, or nothing")
        return value

    def _within(self, value: float, span: tuple[float, float], what: str) -> float:
        low, high = span
        if not low <= value <= high:
            raise self._bad(f"{value:.6g}", f"{what} between {low:g} and {high:g}")
        return value

    def _moment(self, text: str) -> datetime:
        at, zone = self._clock_time(text), self._layout.zone
        if at.tzinfo is not None:
            return at.astimezone(UTC)
        moments = moments_of(at, zone)
        if not moments:
            raise skipped(at, zone, text, f"line {self._line}")
        # when the clocks go back an hour comes twice: the nearest that goes on from the row before
        if self._newest_first:
            moments.reverse()
        onwards = [moment for moment in moments if self._last is None or self._goes_on(self._last, moment)]
        return (onwards or moments)[0].astimezone(UTC)

    def _goes_on(self, before: datetime, moment: datetime) -> bool:
        return moment < before if self._newest_first else moment > before

    def _clock_time(self, text: str) -> datetime:
        """As the row has it, with its offset or without."""
        layout = self._layout
        try:
            if layout.time_format is None:
                at = datetime.fromisoformat(text)
            else:
                at = datetime.strptime(text, layout.time_format)  # noqa: DTZ007 - the zone is put on by _moment
        except ValueError:
            wanted = "a time as ISO 8601 has it, or --time-format" if layout.time_format is None else layout.time_format
            raise self._bad(text, f"{wanted} (under {quoted(layout.time)})") from None
        if not YEARS[0] <= at.year <= YEARS[1]:
            raise self._bad(text, f"a time between {YEARS[0]} and {YEARS[1]} (under {quoted(layout.time)})")
        return at

    def _bad(self, given: str, allowed: str) -> InputError:
        return InputError(Field.FILE, given, allowed, f"in line {self._line} of {quoted(self._name)}")


def _column(heading: Sequence[str], wanted: str) -> int | None:
    """Where a column stands: by its heading, whatever its capitals, else by its number from 1."""
    folded = [cell.casefold() for cell in heading]
    if wanted.casefold() in folded:
        return folded.index(wanted.casefold())
    if wanted.isascii() and wanted.isdigit() and len(wanted) <= 6 and 1 <= int(wanted) <= len(heading):
        return int(wanted) - 1
    return None
