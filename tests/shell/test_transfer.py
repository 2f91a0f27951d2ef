"""A whole studio out of one store into another: nothing is lost, told twice, or gone in by halves."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer.exporting import KINDS
from curewatch.desk.transfer.importing import import_facts
from curewatch.records import Room
from curewatch.records.errors import InputError
from curewatch.store.queries.importing import KINDS as TAKEN_IN
from curewatch.store.tables import metadata
from tests.refreshing import refresh
from tests.shell.moved_studio import LATER, everything, from_json
from tests.shell.moved_studio import new as new
from tests.shell.moved_studio import old as old


@pytest.fixture(scope="module")
def out(old: Desk) -> dict[str, Any]:
    found: dict[str, Any] = everything(old)
    return found


def test_a_studio_comes_out_of_the_second_store_as_it_came_out_of_the_first(
    old: Desk, new: Desk, out: dict[str, Any]
) -> None:
    """And nobody is told a second time what the first one's notices say."""
    empty = [kind for kind in KINDS if not out[kind]]
    assert set(empty) <= {"damages"}, "the rest was lived in"
    counts = import_facts(new, from_json(out))
    assert counts["pieces"] == len(out["pieces"]) > 3
    assert counts["readings"] == sum(len(some) for some in out["readings"].values()) > 100
    assert everything(new) == everything(old)
    refresh(new, LATER)
    assert everything(new) == everything(old)
    with old.store.read() as before, new.store.read() as after:
        assert after.forecasts() == before.forecasts()
        assert len(after.forecasts()) > 3
        assert after.lessons() == before.lessons() != {}
        assert after.deliveries() == []


def test_only_an_empty_store_takes_a_studio_in(new: Desk, out: dict[str, Any]) -> None:
    with new.store.write() as tx:
        tx.add_room(Room(name="Loft"))
    before = everything(new)
    with pytest.raises(InputError, match="empty store"):
        import_facts(new, from_json(out))
    assert everything(new) == before


def spoilt(out: dict[str, Any], how: str) -> dict[str, Any]:
    bad = copy.deepcopy(out)
    match how:
        case "other kind":
            bad["kind"] = "board"
        case "newer":
            bad["schema"] = 2
        case "strange part":
            bad["sculptures"] = []
        case "part missing":
            del bad["pours"]
        case "bad value":
            bad["pours"][1]["wet_thickness_m"] = 1.2
        case "no list":
            bad["stays"] = {"room": "Shed"}
        case "pour of nothing":
            bad["pours"][1]["piece_id"] = 99_999
        case "number too large":
            bad["pieces"][1]["id"] = 2**70
        case "time before time":
            bad["pieces"][1]["created_at"] = "0001-01-01T00:00:00+14:00"
        case "half a letter":
            bad["notices"][1]["text"] = "\ud800"
        case "half a letter of a sensor":
            next(iter(bad["readings"].values()))[0]["source"] = "\ud800"
        case "too deep to be told again":
            data: dict[str, Any] = {}
            for _ in range(300):
                data = {"data": data}
            bad["notices"][1]["data"] = data
        case "endless number":
            bad["notices"][1]["data"] = {"battery_pct": 1e999}
        case "two of one name":
            bad["rooms"].append(bad["rooms"][0])
        case "reading elsewhere":
            next(iter(bad["readings"].values()))[0]["room"] = "Nowhere"
        case "reading of no room":
            bad["readings"]["Nowhere"] = [next(iter(bad["readings"].values()))[0] | {"room": "Nowhere"}]
    return bad


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("other kind", "'board'"),
        ("newer", "schema 2"),
        ("strange part", "sculptures"),
        ("part missing", "no pours"),
        ("bad value", r"pours\[1\].wet_thickness_m = 1.2"),
        ("no list", "stays"),
        ("pour of nothing", r"pours\[1\].piece_id = 99999', expected one of pieces.id"),
        ("number too large", r"pieces\[1\]', .*too large"),
        ("time before time", r"pieces\[1\] .*years"),
        ("half a letter", r"notices\[1\]', .*surrogates"),
        ("half a letter of a sensor", "'readings', .*surrogates"),
        ("too deep to be told again", r"notices\[1\].data .*250 levels"),
        ("endless number", r"notices\[1\]', .*not JSON"),
        ("two of one name", r"rooms\[2\]', .*UNIQUE"),
        ("reading elsewhere", "Nowhere"),
        ("reading of no room", "Nowhere"),
    ],
)
def test_what_is_no_whole_export_leaves_no_trace(new: Desk, out: dict[str, Any], how: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        import_facts(new, from_json(spoilt(out, how)))
    with new.store.read() as tx:
        assert sum(tx.counts().values()) == 0


def test_out_and_in_by_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    old, new = ["--store", str(tmp_path / "old.sqlite")], ["--store", str(tmp_path / "new.sqlite")]
    assert (
        main([*old, "reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", "2 h ago"]) == 0
    )
    assert main([*old, "pour", "Heron", "--room", "Shed", "--layer", "thin", "--at", "1 h ago"]) == 0
    capsys.readouterr()
    assert main([*old, "export"]) == 0
    text = capsys.readouterr().out
    (tmp_path / "out.json").write_text(text)
    assert main([*new, "import", str(tmp_path / "out.json")]) == 0
    assert capsys.readouterr().out == "Taken in: 1 piece, 1 room, 1 recipe, 1 reading, 0 observations, 0 steps.\n"
    assert main([*new, "export"]) == 0
    again, first = json.loads(capsys.readouterr().out), json.loads(text)
    del again["alarms"], first["alarms"]  # judged at each command
    assert again == first


@pytest.mark.parametrize(
    ("content", "says"),
    [(b"", "line 1"), (b"[1, 2]", "list"), (b'{"kind": "expo', "broken"), (b"\xff\xfe", "FILE"), (b"NaN", "no JSON"),
     (b"[" * 100_000, "no JSON"), (b"{}", "None")],
)  # fmt: skip
def test_a_file_that_is_no_export_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes, says: str
) -> None:
    (tmp_path / "out.json").write_bytes(content)
    assert main(["--store", str(tmp_path / "new.sqlite"), "import", str(tmp_path / "out.json")]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert "Traceback" not in err


def test_every_table_goes_along_but_for_what_is_derived_or_belongs_to_one_machine() -> None:
    derived = {"forecasts", "lessons", "checkpoints"}
    of_one_machine = {"deliveries", "meta", "pending_messages", "page_sessions", "page_tokens", "sent"}
    """Its channels, its page and who gets into that, its clock."""
    told_as_readings = {"readings", "sources", "raw_days", "rolled_days"}
    carried = {table.name for table in TAKEN_IN.values()}
    assert set(metadata.tables) == carried | derived | of_one_machine | told_as_readings
    assert list(TAKEN_IN) == list(KINDS)
