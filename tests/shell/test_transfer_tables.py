"""Everything as CSV files in a ZIP and back: exactly the same facts, after a spreadsheet too, or a refusal in words.

The form of the files: RFC 4180. Cells that a spreadsheet would run: OWASP, "CSV Injection".
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zipfile import ZipFile

import pytest
from hypothesis import HealthCheck, given, settings
from pydantic import TypeAdapter, ValidationError

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer.exporting import KINDS, RISKY, TABLES, write_tables
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import Notice, Reading, Recipe, Room
from curewatch.store import Store
from tests.shell.moved_studio import (
    LATER,
    SETTINGS,
    everything,
    files_of,
    from_json,
    from_tables,
    held,
    rows,
    tables_of,
    zipped_again,
)
from tests.shell.moved_studio import new as new
from tests.shell.moved_studio import old as old
from tests.shell.moved_studio import tables as tables
from tests.shell.odd_studios import put, studios

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def test_a_studio_comes_out_of_the_second_store_as_it_came_out_of_the_first(
    old: Desk, new: Desk, tables: bytes
) -> None:
    """Byte for byte, as tables and as JSON."""
    counts = import_facts(new, from_tables(tables))
    assert counts == {kind: sum(1 for _ in rows(tables, kind)) for kind in (*KINDS, "readings")}
    assert counts["readings"] > 1000
    assert tables_of(new) == tables
    assert json.dumps(everything(new)) == json.dumps(everything(old))


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store in which nothing has happened, to copy: its tables take longer to make than all that a test does."""
    path = tmp_path_factory.mktemp("empty") / "empty.sqlite"
    with Store.open(path):
        pass
    return path


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(studios())
def test_whatever_is_stored_comes_back_the_same(
    empty: Path, tmp_path_factory: pytest.TempPathFactory, studio: dict[str, list[Any]]
) -> None:
    """Read from CSV as read from JSON: every record, and what the second store then tells, byte for byte."""
    folder = tmp_path_factory.mktemp("any")
    shutil.copy(empty, folder / "a.sqlite")
    shutil.copy(empty, folder / "b.sqlite")
    with Store.open(folder / "a.sqlite") as first, Store.open(folder / "b.sqlite") as second:
        desk, again = Desk(first, SETTINGS), Desk(second, SETTINGS)
        put(desk, studio, studio["readings"])
        content = tables_of(desk)
        by_tables = held(from_tables(content))
        by_json = held(from_json(everything(desk)))
        readings = list(by_tables.readings)
        assert by_tables.records == by_json.records
        assert readings == list(by_json.readings)
        put(again, by_tables.records, readings)
        assert tables_of(again) == content
        assert everything(again) == everything(desk)


def test_readings_of_one_moment_keep_their_order(empty: Path, tmp_path: Path) -> None:
    """Whichever sensor spoke first in a store: it numbers them as they come, and they come out by name."""
    at = {"room": "Loft", "received_at": LATER, "rh_pct": 50}
    told = [Reading(source=name, at=LATER, **at) for name in "ba"]
    told.append(Reading(source="a", at=EPOCH, **at))  # so that in the second store a comes first
    shutil.copy(empty, tmp_path / "a.sqlite")
    shutil.copy(empty, tmp_path / "b.sqlite")
    with Store.open(tmp_path / "a.sqlite") as first, Store.open(tmp_path / "b.sqlite") as second:
        desk, again = Desk(first, SETTINGS), Desk(second, SETTINGS)
        put(desk, {"rooms": [Room(name="Loft")]}, told)
        import_facts(again, from_json(everything(desk)))
        assert everything(again)["readings"] == everything(desk)["readings"]
        assert [row["source"] for row in rows(tables_of(again), "readings")] == ["a", "a", "b"]


def test_no_text_that_may_be_unknown_may_be_empty() -> None:
    """Both are an empty cell, so they could not be told apart. A notice's room is the name of one, never empty."""
    may_be_either = set()
    for kind, (record, _) in {**KINDS, "readings": (Reading, None)}.items():
        for column in TABLES[kind]:
            if column.optional and column.holds is str:
                try:
                    TypeAdapter(record.model_fields[column.name].annotation).validate_python("")
                except ValidationError:
                    continue
                may_be_either.add(f"{kind}.{column.name}")
    assert may_be_either == {"notices.room"}


def test_the_files_are_as_the_standard_wants_them(tables: bytes) -> None:
    """RFC 4180: CRLF after each record, a header, as many fields in each, quotes where there are line breaks."""
    for name, text in files_of(tables).items():
        lines = text.split("\r\n")
        assert lines[0].split(",") == [column.name for column in TABLES[name.removesuffix(".csv")]]
        assert lines[-1] == ""
        assert len({len(row) for row in csv.reader(io.StringIO(text, newline=""), strict=True)}) == 1


@pytest.mark.parametrize("begins", RISKY)
def test_no_text_begins_as_a_formula_does(new: Desk, begins: str) -> None:
    """OWASP, CSV Injection: = + - @, tab, carriage return and line feed, also in their wide forms."""
    text = f"{begins}HYPERLINK()"
    notice = Notice(key=text, kind="test", created_at=EPOCH, title=text, text=text, data={"a": text})
    put(new, {"notices": [notice]}, [])
    content = tables_of(new)
    (row,), (place,) = rows(content, "notices"), rows(content, "notice_data")
    cells = [*row.values(), *place.values()]
    assert cells.count(f"'{text}") == 5
    assert not [cell for cell in cells if cell.startswith(RISKY[:-1])]
    assert held(from_tables(content)).records["notices"] == [notice]


def test_a_clock_that_was_never_set_can_write_a_zip_too(new: Desk) -> None:
    """ZIP knows no time before 1980 (PKWARE's application note, section 4.4.6: the date of MS-DOS)."""
    written = io.BytesIO()
    write_tables(new, EPOCH, written)
    with ZipFile(written) as files:
        assert {one.date_time for one in files.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert "1970-01-01T00:00:00Z" in files.read("about.csv").decode()


def test_what_is_longer_than_a_csv_reader_usually_takes_comes_back(new: Desk) -> None:
    """A notice that tells of a thousand others; Python's csv takes 131,072 characters a cell unless it is told."""
    notice = Notice(key="long", kind="digest", created_at=EPOCH, title="All", text="Heron is touch-dry\n" * 10_000)
    put(new, {"notices": [notice]}, [])
    assert held(from_tables(tables_of(new))).records["notices"] == [notice]


def test_an_apostrophe_that_hides_nothing_is_part_of_a_name(tables: bytes) -> None:
    """As a person types it, who knows nothing of hidden formulas."""
    typed = "name\n'Boat shed\n''t Zand\n'=1\n"
    facts = held(from_tables(zipped_again(files_of(tables) | {"rooms.csv": typed})))
    assert facts.records["rooms"] == [Room(name="'Boat shed"), Room(name="'t Zand"), Room(name="=1")]


def as_a_spreadsheet_saves(text: str, delimiter: str) -> bytes:
    """With a mark of the encoding, another separator, decimal commas where that leaves room for them, its own TRUE,
    columns in another order, and an empty row at the end."""
    found = list(csv.reader(io.StringIO(text, newline="")))
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    for row in found:
        cells = [cell.upper() if cell in ("true", "false") else cell for cell in row]
        if delimiter != ",":
            cells = [re.sub(r"^(-?\d+)\.(\d+)$", r"\1,\2", cell) for cell in cells]
        writer.writerow(cells[::-1])
    writer.writerow([""] * len(found[0]))
    return out.getvalue().encode("utf-8-sig")


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_what_a_spreadsheet_saved_is_taken_too(new: Desk, old: Desk, tables: bytes, delimiter: str) -> None:
    saved = {f"studio/{name}": as_a_spreadsheet_saves(text, delimiter) for name, text in files_of(tables).items()}
    packed = {**saved, "studio/": b"", "__MACOSX/studio/._pours.csv": b"\0", "studio/.DS_Store": b"\0"}
    import_facts(new, from_tables(zipped_again(packed)))
    assert everything(new) == everything(old)


def test_columns_that_have_a_usual_value_may_be_left_out(tables: bytes) -> None:
    files = files_of(tables) | {
        "recipes.csv": "name,solids\nhouse mix,\nriver white,0.28\nriver blend,\n",
        "readings.csv": "room,at,temp_c,received_at\nBoat shed,2026-11-20 10:00:00+01:00,20,2026-11-20T09:00:00Z\n",
    }
    del files["tilts.csv"]  # not told of from the beginning
    facts = held(from_tables(zipped_again(files)))
    assert facts.records["recipes"][:2] == [Recipe(name="house mix"), Recipe(name="river white", solids=0.28)]
    at = datetime(2026, 11, 20, 9, tzinfo=UTC)
    assert list(facts.readings) == [Reading(room="Boat shed", at=at, temp_c=20, received_at=at)]
    assert "tilts" not in facts.records


def test_out_and_in_by_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    monkeypatch.chdir(tmp_path)
    first, second = ["--store", "old.sqlite"], ["--store", "new.sqlite"]
    assert main([*first, "reading", "--room", "=Shed", "--temperature", "20C", "--humidity", "50%"]) == 0
    assert main([*first, "pour", "Heron", "--room", "=Shed", "--layer", "thin", "--at", "now"]) == 0
    capsys.readouterr()
    told = "1 piece, 1 room, 1 recipe, 1 reading, 0 observations, 0 steps.\n"
    assert main([*first, "export", "--csv", "all.zip"]) == 0
    assert capsys.readouterr().out == f"Everything is in all.zip: {told}"
    assert (tmp_path / "all.zip").stat().st_mode & 0o777 == 0o600
    (tmp_path / "all.zip").rename(tmp_path / "whatever.txt")  # known by what is in it
    assert main([*second, "import", "whatever.txt"]) == 0
    assert capsys.readouterr().out == f"Taken in: {told}"
    assert main([*second, "import", "whatever.txt"]) == 2
    assert "empty store" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (["export", "--csv", "there.zip"], "--csv: got 'there.zip', expected a file that is not there yet"),
        (["export", "--csv", "new.zip", "--json"], "--json"),
        (["export", "--csv", "new.zip", "--readings-of", "Shed"], "--readings-of"),
        (["import", "there.zip"], "damaged"),
    ],
)
def test_bad_lines_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], line: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there.zip").write_bytes(b"PK\x03\x04 and no more")
    assert main(["--store", "studio.sqlite", *line]) == 2
    assert says in capsys.readouterr().err
    assert [path.name for path in tmp_path.glob("*.zip*")] == ["there.zip"]
    assert (tmp_path / "there.zip").read_bytes() == b"PK\x03\x04 and no more"


def test_a_file_that_cannot_be_written_is_not_there_by_halves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "made").mkdir()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    assert main(["--store", "studio.sqlite", "export", "--csv", "made/all.zip"]) == 1
    assert "No space left" in capsys.readouterr().err
    assert list((tmp_path / "made").iterdir()) == []
