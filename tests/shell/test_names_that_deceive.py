"""Names that would move a cursor, turn a line round or begin a formula: refused where given, shown as what they
are where they are stored already, and found by programs whatever slashes are in them."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import requests
from icalendar import Calendar

from curewatch.cli import main
from curewatch.desk import PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.intake.mqtt.message import read_payload
from curewatch.intake.typed.names import named
from curewatch.records import Reading, ThicknessSource
from curewatch.records.errors import Field, InputError
from curewatch.settings import SensorSettings, SettingsError, load_settings
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, served

DECEIVING = ["Reed\x9b2J", "Re\x85ed", "\u202eknot", "Reed\u2066", "Reed\u2028Knot", "Reed\x1b[2J"]
HELD = "Reed\x9b2J\u202eknot"
"""As a store of before may have it."""
SHOWN = r"Reed\u009b2J\u202eknot"


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read()
        yield studio


def pour(studio: Studio, *names: str) -> None:
    for name in names:
        log_pour(studio.desk, PourOrder(name, "Shed", NOW - timedelta(hours=20), 1e-3, ThicknessSource.GAUGE), NOW)
    refresh(studio.desk, NOW)


@pytest.mark.parametrize("name", DECEIVING)
def test_it_is_refused_wherever_it_is_given(name: str, studio: Studio, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="a name of 1 to 80 characters on one line"):
        named(name, Field.NAME)
    pouring = {"name": name, "room": "Shed", "wet_thickness_mm": 1.2}
    answer = requests.post(f"{studio.url}/api/v1/pours", json=pouring, timeout=20)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    assert "Re" not in studio.get("/api/v1/board").text
    topic = f"shed/{name}/air"
    with pytest.raises(InputError, match="a topic without control characters"):
        read_payload(SensorSettings(id="shed", room="Shed", topic="shed/#"), topic, b'{"temperature": 20}',
                     retained=False, received_at=NOW)  # fmt: skip
    file = tmp_path / "curewatch.toml"
    for line in (f"[rooms.{json.dumps(name)}]\nair = 0.1\n", f"[[people]]\nname = {json.dumps(name)}\n"):
        file.write_text(line)
        with pytest.raises(SettingsError, match=r"pattern|1 to 80 characters on one line"):
            load_settings(file)


def test_what_is_stored_is_shown_as_what_it_is(studio: Studio, capsys: pytest.CaptureFixture[str]) -> None:
    pour(studio, HELD)
    for command in (["board"], ["piece", HELD], ["board", "--json"]):
        assert main(["--store", studio.store.location, *command]) == 0
        said = capsys.readouterr().out
        assert not {"\x9b", "\u202e"} & set(said), command
        assert (r"Reed\u009b" in said) or command == ["board"], said
    assert main(["--store", studio.store.location, "board", "--json"]) == 0
    assert [piece["name"] for piece in json.loads(capsys.readouterr().out)["pieces"]] == [HELD], "the very name"
    assert SHOWN in studio.get("/api/v1/board.csv").text
    events = Calendar.from_ical(studio.get("/calendar.ics").text).walk("VEVENT")
    assert events
    assert all(str(event["summary"]).startswith(SHOWN) for event in events)


def test_the_board_as_rows_holds_no_formula(studio: Studio) -> None:
    risky = ["=HYPERLINK(1)", "+1", "-1", "@SUM(A1)", "\uff1d1", "'0"]
    pour(studio, *risky)
    rows = list(csv.DictReader(io.StringIO(studio.get("/api/v1/board.csv").text)))
    assert sorted(row["name"] for row in rows) == sorted(f"'{name}" for name in risky)
    assert all(row["poured_at"].startswith("2026-") for row in rows)


def test_rooms_and_recipes_are_found_by_their_ids_whatever_their_names(studio: Studio) -> None:
    api = f"{studio.url}/api/v1"
    for name in ("a", "a/outlook", "a/readings.csv"):
        store_readings(studio.desk, [Reading(room=name, at=NOW, temp_c=20, rh_pct=50, received_at=NOW)])
    for name in ("b", "b/mix"):
        assert requests.put(f"{api}/recipes/{name}", json={"solids": 0.3, "new": True}, timeout=20).status_code == 200
    ids = {(one["naming"], one["name"]): one["id"] for one in studio.get("/api/v1/names").json()}
    assert "name" not in requests.get(f"{api}/rooms/a/outlook", timeout=20).json(), "the outlook of a"
    assert requests.get(f"{api}/recipes/b/mix", timeout=20).status_code == 422, "how to mix b, of no size"
    for (naming, name), number in ids.items():
        if naming != "place":
            found = requests.get(f"{api}/{naming}s/id:{number}", timeout=20)
            assert (found.status_code, found.json()["name"]) == (200, name)
    until = {"until": NOW.isoformat()}
    air = requests.get(f"{api}/rooms/id:{ids['room', 'a/outlook']}/readings", params=until, timeout=20)
    assert [one["temp_c"] for one in air.json()] == [20]
    assert requests.get(f"{api}/rooms/id:{ids['recipe', 'b']}", timeout=20).status_code == 404
    changed = requests.put(f"{api}/recipes/id:{ids['recipe', 'b/mix']}", json={"solids": 0.4}, timeout=20)
    assert changed.status_code == 200
    assert requests.get(f"{api}/recipes/id:{ids['recipe', 'b/mix']}", timeout=20).json()["solids"] == 0.4


def test_a_piece_is_found_by_its_id_whatever_its_name(studio: Studio) -> None:
    pour(studio, "a/b/level", "a/b", "level", "id:1", "id:99")
    api = f"{studio.url}/api/v1/pieces/"
    ids = {piece["name"]: piece["id"] for piece in studio.get("/api/v1/board").json()["pieces"]}
    assert "name" not in requests.get(f"{api}a/b/level", timeout=20).json(), "how level a/b lies"
    assert ids["a/b/level"] == 1, "another's name is this one's id"
    for name, number in ids.items():
        assert requests.get(f"{api}id:{number}", timeout=20).json()["name"] == name
        found = requests.get(f"{api}id:{number}/record", timeout=20)
        assert (found.status_code, found.json()["name"]) == (200, name)
    assert requests.get(f"{api}id:99", timeout=20).json()["name"] == "id:99", "no piece has this id"
    assert requests.get(f"{api}id:98", timeout=20).status_code == 404
    assert requests.get(f"{api}id:{10**30}", timeout=20).status_code == 404
