"""A whole studio out of one store into another: nothing is lost, told twice, or gone in by halves."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.demo import seed_demo
from curewatch.desk import Desk, FactError
from curewatch.desk.mixing import put_mix
from curewatch.desk.taking_in import take_in
from curewatch.desk.taking_out import KINDS, everything
from curewatch.observations import Finger, Forgetting, Observation, ObservationKind, Subject
from curewatch.records import Recipe, Room
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.store.tables import metadata
from curewatch.store.taking_in import KINDS as TAKEN_IN
from curewatch.workshop import Paint, Part, RecipeMix, StepDone, Tilt

NOW = datetime(2026, 11, 20, 12, tzinfo=UTC)
LATER = NOW + timedelta(minutes=30)
SETTINGS = Settings.model_validate({"zone": "Europe/Lisbon", "forecast": {"members": 2, "days": 10}})


@pytest.fixture(scope="module")
def old(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    """A studio in which everything has happened; nobody writes to it."""
    with Store.open(tmp_path_factory.mktemp("old") / "old.sqlite") as store:
        desk = Desk(store, SETTINGS)
        live_in(desk)
        yield desk


@pytest.fixture
def new(tmp_path: Path) -> Iterator[Desk]:
    """One in which nothing has."""
    with Store.open(tmp_path / "new.sqlite") as store:
        yield Desk(store, SETTINGS)


@pytest.fixture(scope="module")
def out(old: Desk) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(everything(old)))
    return found


def live_in(desk: Desk) -> None:
    """Log every kind of thing."""
    seed_demo(desk, NOW)
    parts = (Part(material="fluid paint", amount=1), Part(material="water", amount=0.1))
    blend = Recipe(name="river blend", solids=0.31, glycol=0.032, stated=True)
    put_mix(desk, blend, RecipeMix(recipe=blend.name, parts=parts))
    with desk.store.write() as tx:
        piece, other = tx.pieces()[0].id, tx.pieces()[1]
        tx.put_tilt(Tilt(piece_id=piece, measured_at=NOW, tilt_rad=0.003))
        tx.put_paint(Paint(piece_id=piece, poured_m3=1.9e-4, ran_off_m3=4.5e-5))
        seen = {"piece_id": piece, "at": NOW}
        felt = tx.add_observation(Observation(**seen, kind=ObservationKind.FINGER, finger=Finger.TOUCH_DRY))
        weighed = Observation(**seen, kind=ObservationKind.WEIGHING, grams=512.25, resolution_g=0.5)
        tx.add_observation(weighed)
        tx.take_back_observation(felt.id)  # so that numbers have a gap
        tx.add_observation(felt)
        step = tx.add_step(StepDone(piece_id=piece, step="drips", done_at=NOW, recorded_at=NOW))
        tx.undo_step(step.id, NOW)
        tx.put_forgetting(Forgetting(subject=Subject.RECIPE, name=blend.name, at=NOW))
        tx.set_gone(other.id, NOW)
        tx.drop_forecasts()  # so that all are made at one moment, as after taking in
    desk.refresh(LATER)


def test_a_studio_comes_out_of_the_second_store_as_it_came_out_of_the_first(
    old: Desk, new: Desk, out: dict[str, Any]
) -> None:
    """And nobody is told a second time what the first one's notices say."""
    empty = [kind for kind in KINDS if not out[kind]]
    assert set(empty) <= {"damages"}, "the rest was lived in"
    counts = take_in(new, out, LATER)
    assert counts["pieces"] == len(out["pieces"]) > 3
    assert counts["readings"] == sum(len(some) for some in out["readings"].values()) > 100
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
    with pytest.raises(FactError, match="empty store"):
        take_in(new, out, LATER)
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
        ("pour of nothing", "pours"),
        ("two of one name", "rooms"),
        ("reading elsewhere", "Nowhere"),
        ("reading of no room", "Nowhere"),
    ],
)
def test_what_is_no_whole_export_leaves_no_trace(new: Desk, out: dict[str, Any], how: str, says: str) -> None:
    with pytest.raises(FactError, match=says):
        take_in(new, spoilt(out, how), NOW)
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
    assert capsys.readouterr().out == "Taken in: 1 pieces, 1 rooms, 1 recipes, 1 readings, 0 observations, 0 steps.\n"
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
    derived = {"forecasts", "lessons", "kept_marches"}
    of_one_machine = {"deliveries", "meta", "held_messages"}  # its channels, its page, its clock
    told_as_readings = {"readings", "sources"}
    carried = {table.name for table in TAKEN_IN.values()}
    assert set(metadata.tables) == carried | derived | of_one_machine | told_as_readings
    assert list(TAKEN_IN) == list(KINDS)
