"""A logger's record of a room, as a CSV file of whatever layout: named columns, a unit, a zone, gaps."""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import itertools
import re
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from math import isnan, nan
from pathlib import Path
from struct import Struct
from tempfile import SpooledTemporaryFile
from typing import IO

from curewatch.intake.files.csv_cells import DELIMITERS, cells_of, number_in, value_in
from curewatch.intake.files.input_file import opened
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
HELD_MOST = 4 * 1024 * 1024
"""Of what was read so much is held in memory, and the rest on the disk [bytes]."""
_ROW, EPOCH = Struct("<qddI"), datetime(1970, 1, 1, tzinfo=UTC)
_Read = tuple[datetime, float | None, float | None, str]
"""When, temperature [°C], humidity [%], source."""
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
class Contents:
    """What a file holds."""

    rows: int = 0
    """With a reading, be it in the future."""
    ahead: int = 0
    """Of those in the future."""
    empty: int = 0
    """Rows in which neither quantity was recorded."""
    bad: int = 0
    first_bad: str | None = None
    first_at: datetime | None = None
    """Of the readings that are not in the future."""
    last_at: datetime | None = None


@contextlib.contextmanager
def logger_csv(path: str, layout: Layout, *, room: str, source: str, now: datetime) -> Iterator[LoggerCsv]:
    """The file at `path`, gone through. InputError as `LoggerCsv`."""
    with (
        opened(path, MAX_BYTES, wanted="the path of a CSV file", field=Field.FILE) as file,
        LoggerCsv(file, layout, name=Path(path).name, room=room, source=source, now=now) as record,
    ):
        yield record


class LoggerCsv:
    """One file, gone through to its end before the first reading is handed on; what was read is kept beside, so that
    little of it is ever in memory."""

    def __init__(self, file: IO[bytes], layout: Layout, *, name: str, room: str, source: str, now: datetime) -> None:
        """InputError quotes the first row that cannot be taken, with its line."""
        self._file, self._layout, self._name, self._line = file, layout, name, 0
        self._room, self._source, self._now = room, source, now
        self._encoding = _encoding(file)
        self._delimiter, self._heading, self._header = self._find_header()
        wanted = (layout.time, layout.temperature, layout.humidity, OUR_SOURCE)
        self._columns = {one: None if one is None else _column(self._heading, one) for one in wanted}
        self._last: datetime | None = None
        self._newest_first = self._runs_backwards()
        self._sources: dict[str, int] = {}
        with contextlib.ExitStack() as held:
            self._kept = held.enter_context(SpooledTemporaryFile(HELD_MOST))
            self.contents = self._looked_through()
            self._held = held.pop_all()

    def __enter__(self) -> LoggerCsv:
        return self

    def __exit__(self, *exc: object) -> None:
        self._held.close()

    def readings(self) -> Iterator[Reading]:
        """Those that are not in the future, in the file's order. Once."""
        self._kept.seek(0)
        sources = list(self._sources)
        while part := self._kept.read(_ROW.size * 1000):
            for at, temp, rh, source in _ROW.iter_unpack(part):
                yield Reading(
                    room=self._room, at=EPOCH + timedelta(microseconds=at), temp_c=None if isnan(temp) else temp,
                    rh_pct=None if isnan(rh) else rh, source=sources[source], received_at=self._now,
                )  # fmt: skip

    def _looked_through(self) -> Contents:
        found = Contents()
        for at, temp, rh, source in self._readings(found):
            found.rows += 1
            if at > self._now:
                found.ahead += 1
                continue
            found.first_at = at if found.first_at is None else min(found.first_at, at)
            found.last_at = at if found.last_at is None else max(found.last_at, at)
            number = self._sources.setdefault(source, len(self._sources))
            since = (at - EPOCH) // timedelta(microseconds=1)
            self._kept.write(_ROW.pack(since, nan if temp is None else temp, nan if rh is None else rh, number))
        if not found.rows:
            raise InputError(
                Field.FILE, self._name, "a file with at least one reading", f"which holds none {self._sentence(found)}"
            )
        return found

    def _readings(self, found: Contents) -> Iterator[_Read]:
        for cells in self._rows():
            try:
                reading = self._reading(cells)
            except InputError as problem:
                if not self._layout.skip_bad:
                    raise
                found.bad += 1
                found.first_bad = found.first_bad or str(problem)
                continue
            if reading is None:
                found.empty += 1
            else:
                yield reading

    @staticmethod
    def _sentence(found: Contents) -> str:
        return f"({found.empty} rows are empty, {found.bad} cannot be taken)"

    @contextlib.contextmanager
    def _text(self) -> Iterator[io.TextIOWrapper]:
        """From its beginning."""
        self._file.seek(0)
        text = io.TextIOWrapper(self._file, self._encoding, errors="replace", newline="")
        try:
            yield text
        finally:
            text.detach()

    def _find_header(self) -> tuple[str, list[str], int]:
        """The separator, and the cells and number of the header: the first line that has every column asked for."""
        wanted = [c for c in (self._layout.time, self._layout.temperature, self._layout.humidity) if c is not None]
        with self._text() as text:
            lines = list(itertools.islice(text, PREAMBLE))  # counted as _rows counts them
        for number, line in enumerate(lines, 1):
            for delimiter in DELIMITERS:
                cells = [cell.strip() for cell in cells_of(line, delimiter)]
                if len(cells) > 1 and all(_column(cells, one) is not None for one in wanted):
                    return delimiter, cells, number
        first = next((line for line in map(str.strip, lines) if line), "")
        raise InputError(
            Field.FILE,
            self._name,
            f"the columns {', '.join(map(quoted, wanted))}",
            f"whose first line is {quoted(first)}",
        )

    def _runs_backwards(self) -> bool:
        """Whether the newest row comes first, by most of the first rows: clocks set back make one step look other."""
        steps, before = 0, None
        with contextlib.suppress(InputError), contextlib.closing(self._rows()) as rows:  # told when they are taken
            for cells in itertools.islice(rows, LOOKED_AT):
                with contextlib.suppress(InputError):
                    at = self._clock_time(self._cell(cells, self._layout.time)).replace(tzinfo=None)
                    steps += 0 if before is None else (at > before) - (at < before)
                    before = at
        return steps < 0

    def _rows(self) -> Generator[list[str], None, None]:
        with self._text() as text:
            reader = csv.reader(text, delimiter=self._delimiter)
            try:
                for cells in reader:
                    self._line = reader.line_num
                    if self._line > self._header and any(cell.strip() for cell in cells):
                        yield cells
            except csv.Error as problem:
                self._line = reader.line_num
                raise self._bad(str(problem), "separated values, quotes closed") from None

    def _reading(self, cells: list[str]) -> _Read | None:
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
        return at, temp, rh, named or self._source

    def _sensor(self, cells: list[str]) -> str:
        """Empty where the row names none."""
        named = str(value_in(self._cell(cells, OUR_SOURCE), str, self._delimiter))
        if _CONTROL.search(named):
            raise self._bad(named, f"a sensor's name without control characters under {quoted(OUR_SOURCE)}")
        return named

    def _cell(self, cells: list[str], column: str) -> str:
        index = self._columns[column]
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


def _encoding(file: IO[bytes]) -> str:
    """UTF-8 if all of it is, else what loggers of the last thirty years write."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    file.seek(0)
    try:
        while part := file.read(2**20):
            decoder.decode(part)
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _column(heading: Sequence[str], wanted: str) -> int | None:
    """Where a column stands: by its heading, whatever its capitals, else by its number from 1."""
    folded = [cell.casefold() for cell in heading]
    if wanted.casefold() in folded:
        return folded.index(wanted.casefold())
    if wanted.isascii() and wanted.isdigit() and len(wanted) <= 6 and 1 <= int(wanted) <= len(heading):
        return int(wanted) - 1
    return None
