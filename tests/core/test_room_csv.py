"""A room's record: what is read, and what is refused with its line and value."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.intake.files import room_csv
from curewatch.intake.files.room_csv import parse_room_csv, read_room_csv
from curewatch.records.errors import InputError

HEADER = "time_utc,temp_c,rh_pct\n"
ROW = "2026-11-02T10:00:00Z,18.5,55\n"


def test_rows_become_columns() -> None:
    read = parse_room_csv(f"{HEADER}{ROW}2026-11-02T10:10:00Z, -3.25 ,6e1\n".encode(), "loft.csv")
    assert np.diff(read.epoch_s).tolist() == [600.0]
    assert read.epoch_s[0] == 1793613600.0
    assert read.temp_c.tolist() == [18.5, -3.25]
    assert read.rh_pct.tolist() == [55.0, 60.0]
    assert len(read) == 2


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + (HEADER + ROW).encode(),
        (HEADER + ROW).replace("\n", "\r\n").encode(),
        (HEADER + ROW).replace("\n", "\r").encode(),
        f"\n{HEADER}\n{ROW}\n\n".encode(),
        f"{HEADER}2026-11-02 10:00,18.5,55".encode(),
        f"{HEADER}2026-11-02T10:00:00+00:00,18.5,55".encode(),
        f'{HEADER}"2026-11-02T10:00:00Z","18.5","55"'.encode(),
        f"{HEADER}20261102T100000Z,1.85e1,55.".encode(),
    ],
    ids=["bom", "crlf", "cr", "blank lines", "no zone is UTC", "offset 0", "quoted", "basic format"],
)
def test_harmless_variants_read_the_same(content: bytes) -> None:
    read = parse_room_csv(content, "loft.csv")
    assert (read.epoch_s.tolist(), read.temp_c.tolist(), read.rh_pct.tolist()) == ([1793613600.0], [18.5], [55.0])


@pytest.mark.parametrize(
    ("content", "given_", "says"),
    [
        (b"", "loft.csv", "which is empty"),
        (b"\n \n", "loft.csv", "which is empty"),
        (HEADER, "loft.csv", "at least one row"),
        (ROW, ROW.strip(), "line 1 of 'loft.csv': say the header time_utc,temp_c,rh_pct"),
        ("time,temp,rh\n" + ROW, "time,temp,rh", "line 1"),
        ("time_utc,rh_pct,temp_c\n" + ROW, "time_utc,rh_pct,temp_c", "line 1"),
        ("time_utc;temp_c;rh_pct\n" + ROW, "time_utc;temp_c;rh_pct", "line 1"),
        (HEADER + ROW + "2026-11-02T11:00:00Z,18,5,55\n", "2026-11-02T11:00:00Z,18,5,55", "line 3 of 'loft.csv'"),
        (HEADER + "2026-11-02T11:00:00Z,18\n", "2026-11-02T11:00:00Z,18", "three columns"),
        (HEADER + "yesterday,18,50\n", "yesterday", "line 2 of 'loft.csv': say a time_utc"),
        (HEADER + "2026-02-30T00:00:00Z,18,50\n", "2026-02-30T00:00:00Z", "line 2"),
        (HEADER + "2026-11-02T11:00:00+01:00,18,50\n", "2026-11-02T11:00:00+01:00", "in UTC"),
        (HEADER + ",18,50\n", "", "a time_utc"),
        (HEADER + "2026-11-02T11:00:00Z,nan,50\n", "nan", "a temp_c in °C between -60 and 90"),
        (HEADER + "2026-11-02T11:00:00Z,,50\n", "", "a temp_c in °C"),
        (HEADER + "2026-11-02T11:00:00Z,21C,50\n", "21C", "a temp_c in °C"),
        (HEADER + "2026-11-02T11:00:00Z,1_8,50\n", "1_8", "a temp_c in °C"),
        (HEADER + "2026-11-02T11:00:00Z,١٨,50\n", "١٨", "a temp_c in °C"),
        (HEADER + "2026-11-02T11:00:00Z,-400,50\n", "-400", "between -60 and 90"),
        (HEADER + "2026-11-02T11:00:00Z,1e400,50\n", "1e400", "a temp_c in °C"),
        (HEADER + "2026-11-02T11:00:00Z,18,inf\n", "inf", "an rh_pct in % between 0 and 100"),
        (HEADER + "2026-11-02T11:00:00Z,18,150\n", "150", "between 0 and 100"),
        (HEADER + "2026-11-02T11:00:00Z,18,-1\n", "-1", "between 0 and 100"),
        (HEADER + ROW + ROW, "2026-11-02T10:00:00Z", "line 3 of 'loft.csv': say a time_utc later"),
        (HEADER + ROW + "2026-11-02T09:00:00Z,18,50\n", "2026-11-02T09:00:00Z", "later than the row before"),
        ((HEADER + ROW).encode() + b"2026-11-02T11:00:00Z,18\xff,50\n", b"\xff,50\n", "line 3 of 'loft.csv'"),
        ((HEADER + ROW).encode("utf-16"), None, "UTF-8"),
        (HEADER + '"2026-11-02T11:00:00Z,18,50\n', None, "quotes closed"),
        (HEADER + "x" * 200_000 + ",18,50\n", None, "line 2 of 'loft.csv'"),
        (HEADER + "\0,18,50\n", "\0", "line 2"),
    ],
)  # fmt: skip
def test_is_refused_with_its_line_and_value(content: str | bytes, given_: object, says: str) -> None:
    raw = content.encode() if isinstance(content, str) else content
    with pytest.raises(InputError) as caught:
        parse_room_csv(raw, "loft.csv")
    message = str(caught.value)
    assert message.startswith("file: got ")
    assert says in message
    assert message.isprintable()
    assert len(message) < 300
    if given_ is not None:
        assert caught.value.given == given_


def test_more_rows_than_a_record_may_have_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room_csv, "MAX_ROWS", 2)
    rows = "".join(f"2026-11-02T1{i}:00:00Z,18,50\n" for i in range(3))
    with pytest.raises(InputError, match=r"line 4 of 'loft.csv': say at most 2 rows"):
        parse_room_csv((HEADER + rows).encode(), "loft.csv")


def test_a_file_too_large_is_not_read_to_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room_csv, "MAX_BYTES", 1000)
    with pytest.raises(InputError, match=r"got '/dev/zero', which is larger than 1000 bytes"):
        read_room_csv("/dev/zero")


@pytest.mark.parametrize(
    ("name", "why"), [("not-there.csv", "No such file"), (".", "Is a directory"), ("a\0b", "no possible path")]
)
def test_a_path_without_a_readable_file_is_refused(tmp_path: Path, name: str, why: str) -> None:
    with pytest.raises(InputError, match=why) as caught:
        read_room_csv(f"{tmp_path}/{name}")
    assert caught.value.given == f"{tmp_path}/{name}"


@given(st.binary() | st.text().map(lambda text: (HEADER + text).encode(errors="replace")))
def test_nothing_but_bad_input_is_raised(content: bytes) -> None:
    said = ""
    try:
        read = parse_room_csv(content, "loft.csv")
        assert (np.diff(read.epoch_s) > 0).all()
        assert np.isfinite(read.temp_c).all()
    except InputError as error:
        said = str(error)
    assert said.isprintable()
