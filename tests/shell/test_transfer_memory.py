"""Exports of any size go in and out through a little memory."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer import exporting
from curewatch.desk.transfer.importing import import_facts
from curewatch.intake.files import export_file
from curewatch.intake.files.export_file import export_at
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.store import DiskTrouble, Store, Transaction
from curewatch.web.access.bodies import LARGE_MOST
from tests.shell.large_export import RECORD_IN, ROOMS, peak_mb, write_json, write_record, write_zip
from tests.shell.moved_studio import everything
from tests.shell.moved_studio import new as new

PIECES, READINGS = 4000, 800


@pytest.mark.parametrize("write", [write_json, write_zip])
def test_what_is_taken_in_passes_through_a_little_memory(tmp_path: Path, write: Callable[..., None]) -> None:
    """Of 8 MB of JSON, and the same as tables, which read whole take 55 and 39 MB. What is left is the database's and
    the interpreter's, and hardly grows with the file (`sh deploy/bench transfer`)."""
    write(tmp_path / "all", pieces=PIECES, readings=READINGS)
    before, peak, facts = peak_mb(tmp_path / "all", tmp_path / "studio.sqlite")
    assert facts == ROOMS * (1 + READINGS) + 1 + 4 * PIECES
    assert peak - before < 25


@pytest.mark.parametrize("by", ["command", "request"])
def test_a_loggers_record_passes_through_a_little_memory(tmp_path: Path, by: str) -> None:
    """Of 32 MB, the most that a request may bring, which held whole with its readings takes 270."""
    file = tmp_path / "log.csv"
    rows = write_record(file, LARGE_MOST - 100)
    argv = [sys.executable, "-c", RECORD_IN, str(file), str(tmp_path / "studio.sqlite"), by]
    said = subprocess.run(argv, check=True, capture_output=True, text=True).stdout
    before, after, taken = said.splitlines()[-1].split()
    assert int(taken) == rows
    assert (int(after) - int(before)) / 1024 < 60


def test_a_record_is_stored_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The disk fills while the last of it is written: nothing of it is there, not even the room."""
    rows = write_record(tmp_path / "log.csv", 9000)
    line = ["--store", str(tmp_path / "studio.sqlite"), "import-readings", str(tmp_path / "log.csv"), "--room", "Shed"]
    monkeypatch.setattr("curewatch.desk.commands.readings.AT_ONCE", 4)
    real, left = Transaction.add_readings, [3]

    def add(tx: Transaction, readings: list[Reading]) -> int:
        left[0] -= 1
        if left[0] < 0:
            raise DiskTrouble("the disk is full")
        return real(tx, readings)

    with monkeypatch.context() as fault:
        fault.setattr(Transaction, "add_readings", add)
        assert main(line) != 0
    assert "the disk is full" in capsys.readouterr().err
    with Store.open(tmp_path / "studio.sqlite") as store, store.read() as tx:
        assert tx.rooms() == []
    assert main(line) == 0
    assert f"{rows} new readings" in capsys.readouterr().out


def test_rows_beside_others_are_taken_in_any_order_while_they_are_few(
    tmp_path: Path, new: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_zip(tmp_path / "all.zip", pieces=40, readings=1)
    monkeypatch.setattr(export_file, "HELD_MOST", 60)  # of 120
    with export_at(tmp_path / "all.zip") as facts:
        import_facts(new, facts)
    with new.store.read() as tx:
        assert [one.data for one in tx.notices(limit=99)][-1] == {"piece": 1, "pieces": ["Piece 1"]}


def test_an_export_may_have_its_parts_in_any_order_and_tells_where_it_is_broken(tmp_path: Path, new: Desk) -> None:
    file = tmp_path / "all.json"
    write_json(file, pieces=3, readings=2)
    text = file.read_text()
    begin, rest = text.split(', "rooms": ', 1)
    rooms, rest = rest.split(', "recipes": ', 1)
    turned = f'{begin}, "recipes": {rest[:-1]}, "rooms": {rooms}}}'
    line = text[: text.index('"id": 2,')].count("\n") + 1
    for broken, says in (
        (text[:-400], r"broken in line \d+, column \d+"),
        (text.replace('"Piece 2"', '"Piece 2', 1), r"broken in line \d+"),
        (text.replace('"id": 2,', '"id": 2', 1), rf"broken in line {line}, column 1\d \(Expecting ','"),
        (text + "{}", "nothing more"),
        (text.replace('"rooms"', '"rooms": [], "rooms"', 1), "'rooms'.*each name once"),
    ):
        file.write_text(broken)
        with pytest.raises(InputError, match=says), export_at(file) as facts:
            import_facts(new, facts)
    file.write_bytes(b"\xef\xbb\xbf" + turned.replace("river blend", "r\u00edo").encode())
    with export_at(file) as facts:
        import_facts(new, facts)
    assert [one["name"] for one in everything(new)["pieces"]] == ["Piece 1", "Piece 2", "Piece 3"]
    assert "".join(exporting.as_json(new)).count("\n") > 80, "a fact a line"
