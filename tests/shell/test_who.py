"""Who poured and who found: from a link's name, a token's, or --by, to the record, the history and the export."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.cli import main
from curewatch.desk import Desk
from curewatch.desk.transfer.exporting import write_tables
from curewatch.desk.transfer.importing import import_facts
from curewatch.store import Store
from curewatch.web.access.credentials import hash_of
from tests.shell.moved_studio import everything, from_json, from_tables
from tests.shell.web_parts import NOW, PASSWORD, Studio, served, words_of


@pytest.fixture
def locked(tmp_path: Path) -> Iterator[Studio]:
    path = tmp_path / "page-password"
    path.write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=path) as studio:
        studio.post("/login", {"password": PASSWORD})
        studio.read(hours=30)
        studio.pour(hours_ago=26)
        yield studio


def given_out(studio: Studio, name: str, kind: str) -> str:
    """What the page shows once of a new link or token."""
    page = studio.post("/ways-in", {"name": name, "kind": kind, "password": PASSWORD}).text
    found = re.search(r"<code>(.*?)</code>", page)
    assert found, page
    return found[1]


def test_what_comes_by_a_link_or_a_token_bears_its_name_everywhere(locked: Studio, tmp_path: Path) -> None:
    word, token = given_out(locked, "Ada", "record"), given_out(locked, "class tablet", "record")
    admin, locked.browser = locked.browser, requests.Session()
    assert locked.get(f"/class/{word}").status_code == 200
    assert locked.get("/ways-in").status_code == 403, "she may log, and no more"
    locked.post("/pour", {"name": "Eel", "count": "1", "when": "1 h ago", "room": "Shed", "thickness": "thin"})
    locked.post("/piece/Curlew/found", {"what": "touch-dry", "when": "now"}, on="/piece/Curlew")
    locked.post("/piece/Curlew/done", {"step": "drips", "when": "20 h ago"}, on="/piece/Curlew")
    locked.post(
        "/reading", {"room": "Loft", "room_typed": "Loft", "temperature": "20", "humidity": "50", "when": "now"}
    )
    bearer = {"authorization": f"Bearer {token}"}
    for at, by in (("2 h ago", {}), ("3 h ago", {"by": "Bo"})):
        sent = {"kind": "weighing", "grams": 900, "at": at} | by
        answer = requests.post(f"{locked.url}/api/v1/pieces/Curlew/observations", json=sent, headers=bearer, timeout=60)
        assert answer.status_code == 201, answer.text
    assert "Poured 20 Nov 2026, 08:00, by Ada" in words_of(locked.page("/record/Eel"))
    said = words_of(locked.page("/record/Curlew"))
    assert "finger test: touch-dry, by Ada" in said
    assert "weighing: 900 g, to 1 g, by class tablet" in said
    assert "weighing: 900 g, to 1 g, by Bo" in said
    assert "clear the drips from the edges, by Ada" in said
    assert "by " not in words_of(locked.page("/record/Curlew")).split("Poured")[1][:30], "nobody is named there"
    lately = words_of(locked.page("/lately"))
    assert "Reading of Loft: 20.0 °C, 50 %, by Ada" in lately
    assert "Curlew: touch-dry, by Ada" in lately
    assert "finger test, by Ada" in words_of(locked.page("/piece/Curlew"))
    api = requests.get(f"{locked.url}/api/v1/rooms/Loft/readings", headers=bearer, timeout=60).json()
    assert [one["by"] for one in api] == ["Ada"]
    locked.browser.close()
    locked.browser = admin
    exported = everything(locked.desk)
    assert {one["logged_by"] for one in exported["observations"]} == {"Ada", "class tablet", "Bo"}
    tables = BytesIO()
    write_tables(locked.desk, NOW, tables)
    for number, facts in enumerate((from_json(exported), from_tables(tables.getvalue()))):
        with Store.open(tmp_path / f"other-{number}.sqlite") as other:
            desk = Desk(other, locked.desk.settings)
            import_facts(desk, facts)
            assert everything(desk) == exported


def test_by_the_password_alone_a_name_is_asked_for_once_and_kept_on_the_device(tmp_path: Path) -> None:
    path = tmp_path / "page-password"
    path.write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=path) as studio:
        assert 'name="who"' in studio.get("/login").text
        refused = studio.post("/login", {"password": PASSWORD, "who": "a\tb"})
        assert "Your name: got" in words_of(refused.text)
        studio.post("/login", {"password": PASSWORD, "who": " Zoë "})
        studio.read(hours=30)
        form = {"name": "Eel", "count": "1", "when": "1 h ago", "room": "Shed", "thickness": "thin"}
        studio.post("/pour", form)
        assert "by Zoë" in words_of(studio.page("/record/Eel"))
        studio.post("/logout", {}, on="/ways-in")
        assert 'name="who"' not in studio.get("/login").text, "nor asked again"
        studio.post("/login", {"password": PASSWORD})
        answer = studio.post("/piece/Eel/found", {"what": "tacky", "when": "now"}, on="/piece/Eel")
        assert answer.status_code == 200, words_of(answer.text)
        assert "still tacky, by Zoë" in words_of(studio.page("/record/Eel"))
        assert 'value="Zoë"' in studio.page("/ways-in")
        studio.post("/ways-in/name", {"who": "Bo"}, on="/ways-in")
        studio.post("/pour", form | {"name": "Tern"})
        assert "by Bo" in words_of(studio.page("/record/Tern"))
        studio.post("/ways-in/name", {"who": ""}, on="/ways-in")
        studio.post("/pour", form | {"name": "Smew"})
        assert ", by " not in words_of(studio.page("/record/Smew")).split("Poured")[1][:60]
        word = given_out(studio, "Ada", "record")
        own, studio.browser = studio.browser, requests.Session()
        studio.browser.cookies.set("curewatch_name", "Mallory%0Awas%20here")
        assert studio.get(f"/class/{word}").status_code == 200
        studio.post("/pour", form | {"name": "Knot"})
        assert "by Ada" in words_of(studio.page("/record/Knot")), "a link's name comes first"
        studio.browser.close()
        studio.browser = own


def test_the_command_line_names_whoever_is_said_or_set(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "UTC"\nby = "Ada"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))

    def told(*line: str) -> Any:
        assert main([*line, "--json"]) == 0, capsys.readouterr().err
        return json.loads(capsys.readouterr().out)

    told("reading", "--room", "Loft", "--temperature", "20C", "--humidity", "50%", "--at", "30 h ago")
    assert told("pour", "Eel", "--room", "Loft", "--layer", "thin", "--at", "30 h ago")["poured_by"] == "Ada"
    assert told("feel", "Eel", "dry to the touch", "--by", "Bo")["observation"]["by"] == "Bo"
    assert told("done", "Eel", "drips", "--at", "29 h ago")["by"] == "Ada"
    for line, says in (
        (("piece", "Eel"), "(30 h ago), by Ada"),
        (("record", "Eel"), "finger test: touch-dry, by Bo"),
        (("steps", "Eel"), ", by Ada"),
        (("undo", "Eel"), "drips is open again"),
        (("undo", "Eel"), "Eel: touch-dry, by Bo"),
    ):
        assert main(list(line)) == 0
        assert says in " ".join(capsys.readouterr().out.split())
    assert main(["feel", "Eel", "tacky", "--by", "a\nb"]) == 2
    assert "--by: got" in capsys.readouterr().err
