"""A logger's file, whatever its layout: what is read, what is passed over, and what is refused with its line."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from io import BytesIO
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from curewatch.intake.files.logger_csv import Contents, Layout, LoggerCsv
from curewatch.records import Reading
from curewatch.records.errors import InputError

NOW = datetime(2026, 12, 1, tzinfo=UTC)
LISBON = ZoneInfo("Europe/Lisbon")


@dataclass
class Parsed(Contents):
    readings: list[Reading] = field(default_factory=list)


def parsed(text: str | bytes, **layout: Any) -> Parsed:
    content = text.encode() if isinstance(text, str) else text
    with LoggerCsv(BytesIO(content), Layout(**layout), name="shed.csv", room="Shed", source="logger", now=NOW) as file:
        return Parsed(**asdict(file.contents), readings=list(file.readings()))


def values(found: Parsed) -> list[tuple[str, float | None, float | None]]:
    return [(f"{one.at:%d %H:%M}", one.temp_c, one.rh_pct) for one in found.readings]


def test_the_plain_layout() -> None:
    found = parsed("time_utc,temp_c,rh_pct\n2026-11-01T10:00:00Z,19.5,55\n2026-11-01T10:10:00,19.25,\n\n,,\n")
    assert values(found) == [("01 10:00", 19.5, 55.0), ("01 10:10", 19.25, None)]
    assert (found.empty, found.bad) == (0, 0)  # lines without anything are no rows


def test_a_preamble_semicolons_decimal_commas_and_an_old_encoding() -> None:
    text = (
        "Logger 7;shed wall\nSerial;0042\n\nNr;Date;Temp (°C);Humidity %\n"
        "1;01.11.2026 10:00;19,5;55,5\n2;01.11.2026 10:10;--;56\n3;01.11.2026 10:20;;\n"
    )
    layout = {"time": "date", "temperature": "Temp (°C)", "humidity": "Humidity %", "time_format": "%d.%m.%Y %H:%M"}
    for encoding in ("utf-8", "utf-8-sig", "cp1252"):
        found = parsed(text.encode(encoding), **layout, zone=UTC)
        assert values(found) == [("01 10:00", 19.5, 55.5), ("01 10:10", None, 56.0)]
        assert found.empty == 1
    numbered = {**layout, "temperature": "3", "humidity": "4"}
    assert values(parsed(text, **numbered)) == values(found)


@pytest.mark.parametrize(("unit", "cell", "celsius"), [("F", "70", 21.1111), ("K", "294.15", 21.0), ("C", "21", 21.0)])
def test_units(unit: str, cell: str, celsius: float) -> None:
    (one,) = parsed(f"time_utc,temp_c,rh_pct\n2026-11-01,{cell},50\n", unit=unit).readings
    assert one.temp_c == pytest.approx(celsius, abs=1e-4)  # 70 °F is 21.1111… °C, written here to four decimals


def test_a_cell_may_name_its_unit_but_no_other() -> None:
    (one,) = parsed("time_utc,temp_c,rh_pct\n2026-11-01,68 °F,50 %\n", unit="F").readings
    assert one.temp_c == pytest.approx(20.0)
    assert one.rh_pct == 50.0
    with pytest.raises(InputError, match=r"'68 °F', in line 2 of 'shed\.csv': say a number in C under 'temp_c'"):
        parsed("time_utc,temp_c,rh_pct\n2026-11-01,68 °F,50 %\n")


def test_a_page_break_above_the_header_costs_no_row() -> None:
    """It ends a line for Python's strings, but not for the reader of CSV."""
    found = parsed("Logger 7\x0c\x0cshed\ntime_utc,temp_c,rh_pct\n2026-11-01T10:00Z,19,50\n2026-11-01T10:10Z,20,50\n")
    assert values(found) == [("01 10:00", 19.0, 50.0), ("01 10:10", 20.0, 50.0)]


def test_a_sensor_named_in_the_file_is_one_line_of_letters() -> None:
    """It is shown on terminals and in cells later: control characters are refused, what hides a formula taken off."""
    head = "time_utc,temp_c,rh_pct,source\n2026-11-01,20,50,"
    assert parsed(f"{head}'=1+1\n").readings[0].source == "=1+1"
    assert parsed(f"{head}\n").readings[0].source == "logger"
    for odd in ('"a\nb"', "a\x1b[31m", "\x7f"):
        with pytest.raises(InputError, match="without control characters"):
            parsed(f"{head}{odd}\n")


def test_only_one_quantity() -> None:
    found = parsed("when,t\n2026-11-01T10:00Z,19\n", time="when", temperature="t", humidity=None)
    assert values(found) == [("01 10:00", 19.0, None)]


def test_the_hour_that_comes_twice_goes_on_from_the_row_before() -> None:
    """In Lisbon the clocks go back from 02:00 to 01:00 on 25 October 2026 (01:00 UTC)."""
    rows = "".join(f"2026-10-25 {clock},15,60\n" for clock in ("00:30", "01:00", "01:30", "01:00", "01:30", "02:00"))
    found = parsed(f"time,t,h\n{rows}", time="time", temperature="t", humidity="h", zone=LISBON)
    assert [f"{one.at:%d %H:%M}" for one in found.readings] == [
        "24 23:30", "25 00:00", "25 00:30", "25 01:00", "25 01:30", "25 02:00",
    ]  # fmt: skip


TWICE = {
    "00:30": "24 23:30", "01:00": "25 00:00", "01:20": "25 00:20", "01:40": "25 00:40",
    "01:00 again": "25 01:00", "01:20 again": "25 01:20", "01:40 again": "25 01:40", "02:00": "25 02:00",
}  # fmt: skip
"""What clocks in Lisbon show on 25 October 2026, when they go back from 02:00 to 01:00, and the moment in UTC."""


@pytest.mark.parametrize("first", range(3))
@pytest.mark.parametrize("last", range(6, 9))
def test_the_hour_that_comes_twice_in_a_file_whose_newest_row_comes_first(first: int, last: int) -> None:
    """Wherever the record begins and ends, within that hour too, as long as most rows show which way it runs."""
    shown = list(TWICE)[first:last]
    rows = "".join(f"2026-10-25 {clock[:5]},15,60\n" for clock in reversed(shown))
    found = parsed(
        f"time,t,h\nend,15,60\n{rows}", time="time", temperature="t", humidity="h", zone=LISBON, skip_bad=True
    )
    assert found.bad == 1
    assert [f"{one.at:%d %H:%M}" for one in reversed(found.readings)] == [TWICE[clock] for clock in shown]


BAD_FILES = [
    ("", "whose first line is ''"),
    ("a,b,c\n1,2,3\n", "the columns 'time_utc', 'temp_c', 'rh_pct'"),
    ("time_utc,temp_c,rh_pct\n", "holds none"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,,\n", "1 rows are empty"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,19,50\nyesterday,19,50\n", "'yesterday', in line 3"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,warm,50\n", "'warm', in line 2"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,inf,50\n", "'inf', in line 2"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,-127,50\n", "'-127', in line 2"),
    ("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,19,101\n", "'101', in line 2"),
    ('time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,19,"' + "9" * 140_000 + "\n", "line 2"),
]


@pytest.mark.parametrize(("text", "says"), BAD_FILES, ids=[says for _, says in BAD_FILES])
def test_what_cannot_be_taken_is_quoted_with_its_line(text: str, says: str) -> None:
    with pytest.raises(InputError) as refused:
        parsed(text)
    assert says in str(refused.value)


def test_a_time_that_the_clocks_skipped_is_refused() -> None:
    with pytest.raises(InputError, match="skipped"):
        parsed("t,c,h\n2026-03-29 01:30,15,60\n", time="t", temperature="c", humidity="h", zone=LISBON)


def test_bad_rows_are_passed_over_on_request_and_counted() -> None:
    found = parsed("time_utc,temp_c,rh_pct\n2026-11-01T10:00Z,-127,50\n2026-11-01T10:10Z,19,50\nx,1,2\n", skip_bad=True)
    assert len(found.readings) == 1
    assert found.bad == 2
    assert found.first_bad is not None
    assert "line 2" in found.first_bad
