"""Setting up: the same questions on page and terminal; nothing is written that was not shown, or by just anybody."""

from __future__ import annotations

import html
import io
import json
import re
import shlex
import threading
from dataclasses import replace
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.settings import load_settings
from curewatch.web.access.credentials import hash_of
from curewatch.web.site import Upkeep
from tests.shell.web_parts import PASSWORD, Studio, served

FILE = '# ours\nzone = "Europe/Lisbon"  # by the river\n'


def upkeep(folder: Path, again: list[bool]) -> Upkeep:
    (folder / "curewatch.toml").write_text(FILE)
    return Upkeep(
        folder / "curewatch.toml", str(folder / "studio.sqlite"), False, lambda: None, lambda: None, threading.Event(),
        "", lambda: again.append(True),
    )  # fmt: skip


def shown(studio: Studio, step: str, **answers: str) -> str:
    answer = studio.post(f"/setup/{step}", answers)
    assert answer.status_code == 200, answer.text
    return re.search(r'name="change" value="([^"]+)"', answer.text)[1]  # type: ignore[index]


def test_what_is_written_was_shown_keeps_comments_and_is_taken_up(tmp_path: Path) -> None:
    again: list[bool] = []
    with served(tmp_path, upkeep=upkeep(tmp_path, again)) as studio:
        page = studio.post(
            "/setup/broker", {"host": "127.0.0.1", "port": "1884", "user": "shed", "password": "ebb"}
        ).text
        assert "+[broker]" in page
        assert "ebb" not in page
        assert (tmp_path / "curewatch.toml").read_text() == FILE, "shown is not written"
        named = re.search(r'name="change" value="([^"]+)"', page)[1]  # type: ignore[index]
        studio.post("/setup/write", {"change": named}, on="/setup/zone", allow_redirects=False)
        assert again == [True]
        text = (tmp_path / "curewatch.toml").read_text()
        assert text.startswith(FILE)
        settings = load_settings(tmp_path / "curewatch.toml")
        assert settings.broker is not None
        assert settings.broker.port == 1884
        assert settings.broker.password().get_secret_value() == "ebb"  # type: ignore[union-attr]
        assert (tmp_path / "broker-password").stat().st_mode & 0o777 == 0o600
        assert studio.post("/setup/write", {"change": named}, on="/setup/zone").status_code == 422, "once, and no more"


def test_a_settings_file_is_said_to_be_there_once_it_is(tmp_path: Path) -> None:
    with served(tmp_path, upkeep=upkeep(tmp_path, [])) as studio:
        file = tmp_path / "curewatch.toml"
        for there in (True, False):
            page = studio.page("/setup")
            assert (f"The settings stand in <code>{file}</code>" in page) is there
            assert (f"No settings are written yet: the first go into <code>{file}</code>" in page) is not there
            file.unlink(missing_ok=True)


def test_who_asks_while_another_run_takes_over_is_sent_to_this_address_again_and_to_no_other(tmp_path: Path) -> None:
    kept = upkeep(tmp_path, [])
    with served(tmp_path, upkeep=kept) as studio:
        kept.leaving.set()
        for asked, again in (
            ("/room/Boat%20shed?span=week", "/room/Boat%20shed?span=week"),
            ("//elsewhere.example/a", "/elsewhere.example/a"),
        ):
            line = HTTPConnection("127.0.0.1", studio.web.port, timeout=20)
            line.request("GET", asked)
            answer = line.getresponse()
            line.close()
            assert (answer.status, answer.headers["location"]) == (307, again)


def test_the_page_that_becomes_encrypted_goes_on_there_by_itself(tmp_path: Path) -> None:
    """No form may: a browser holds its end at another scheme for a breach of the page's policy, and stays there."""
    with served(tmp_path, upkeep=upkeep(tmp_path, [])) as studio:
        named = shown(studio, "phone", password=PASSWORD, https="yes", address="192.168.1.20")
        answer = studio.post("/setup/write", {"change": named}, on="/setup/zone", allow_redirects=False)
        there = f"https://127.0.0.1:{studio.web.port}/setup/phone"
        assert (answer.status_code, answer.headers["refresh"]) == (200, f"3;url={there}?done=yes")
        assert f'<a href="{there}">' in answer.text
        assert load_settings(tmp_path / "curewatch.toml").web.certificate == tmp_path / "page-certificate.pem"


def test_the_page_of_a_service_says_what_root_types_and_any_other_how_to_make_it_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The machine's service may not write its settings: a form that ends in a refusal would stop a painter."""
    begins = "sudo /opt/curewatch/bin/curewatch service install"
    kept = upkeep(tmp_path, [])
    with served(tmp_path, upkeep=replace(kept, service=begins)) as studio:
        assert f"type <code>{begins}</code>" in studio.page("/setup")
        assert "Show the change" in studio.page("/setup/broker")
    monkeypatch.setattr(Upkeep, "may_write", False)
    with served(tmp_path, upkeep=kept) as studio:
        page = studio.page("/setup")
        assert "its settings are root&#39;s" in page or "its settings are root's" in page
        assert begins not in page
        step = studio.page("/setup/sensor?topic=shed/%2B/air&id=it's&temperature=/air/temp")
        assert "Show the change" not in step
        typed = shlex.split(html.unescape(re.search("<code>(sudo [^<]+)</code>", step)[1]))  # type: ignore[index]
        assert typed[:4] == ["sudo", "curewatch", "setup", "sensor"]
        assert typed[4:] == [
            "--answer", "id=it's", "--answer", "topic=shed/+/air", "--answer", "temperature=/air/temp",
        ]  # fmt: skip


def test_bad_answers_are_quoted_with_what_would_do_and_change_nothing(tmp_path: Path) -> None:
    with served(tmp_path, upkeep=upkeep(tmp_path, [])) as studio:
        for step, answers, said in (
            ("zone", {"zone": "Europe/Lisbn"}, "did you mean &#39;Europe/Lisbon&#39;?"),
            ("broker", {"host": "x", "port": "many"}, "a whole number"),
            ("sensor", {"room": "Loft", "id": "a", "topic": "a/#/b", "reads": "json", "unit": "C"}, "its last level"),
            ("person", {"name": "Ada"}, "somewhere to tell this person"),
            ("heartbeat", {"url": ""}, "missing"),
            ("webhook", {"url": "gopher://x"}, "an http:// or https:// address"),
        ):
            answer = studio.post(f"/setup/{step}", answers)
            assert answer.status_code == 422, step
            assert said in answer.text, (step, answer.text)
        assert (tmp_path / "curewatch.toml").read_text() == FILE


def test_only_who_may_do_everything_sets_up_and_a_locked_page_asks_for_its_password(tmp_path: Path) -> None:
    (tmp_path / "page-password").write_text(hash_of(PASSWORD))
    again: list[bool] = []
    with served(tmp_path, upkeep=upkeep(tmp_path, again), password_file=tmp_path / "page-password") as studio:
        assert studio.get("/setup", allow_redirects=False).status_code == 303
        studio.post("/login", {"password": PASSWORD, "next": "/"})
        link = re.search(
            r"<code>(\S+/class/[\w-]+)</code>",
            studio.post("/ways-in", {"name": "Class", "kind": "class", "password": PASSWORD}).text,
        )[1]  # type: ignore[index]
        named = shown(studio, "heartbeat", url="http://127.0.0.1:9/alive")
        refused = studio.post("/setup/write", {"change": named, "password": "wrong"}, on="/setup/zone")
        assert refused.status_code == 401
        assert (again, (tmp_path / "curewatch.toml").read_text()) == ([], FILE)
        without = studio.browser.post(f"{studio.url}/setup/write", data={"change": named, "password": PASSWORD})
        assert without.status_code == 403, "no token of the form, no change"
        studio.post("/setup/write", {"change": named, "password": PASSWORD}, on="/setup/zone", allow_redirects=False)
        assert again == [True]
        studio.browser.cookies.clear()
        studio.get(link[link.index("/class/") :])
        assert studio.get("/").status_code == 200
        assert studio.get("/setup").status_code == 403


def test_the_terminal_asks_and_writes_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "curewatch.toml").write_text(FILE)
    where = ["--config", str(tmp_path / "curewatch.toml"), "--store", str(tmp_path / "studio.sqlite")]

    def run(*words: str) -> dict[str, Any]:
        code = main([*where, "setup", *words, "--json"])
        out = capsys.readouterr()
        found: dict[str, Any] = json.loads(out.out or out.err)
        assert (code == 0) == ("error" not in found)
        return found

    steps = {one["step"]: one for one in run()["steps"]}
    assert steps["room"]["said"] == "no room yet"
    assert "+[rooms.Loft]" in run("room", "--answer", "room=Loft", "--answer", "air=fan")["difference"]
    answers = ("room=Loft", "id=window", "topic=shed/air", "temperature=/air/temp")
    run("broker", "--answer", "host=127.0.0.1")
    run("sensor", *(word for one in answers for word in ("--answer", one)))
    settings = load_settings(tmp_path / "curewatch.toml")
    assert (settings.sensors[0].temperature, settings.room("Loft").air) == ("/air/temp", 1.0)
    assert (tmp_path / "curewatch.toml").read_text().startswith(FILE)
    assert {one["step"]: one["said"] for one in run()["steps"]}["sensor"] == "waiting for the first reading of window"
    run("zone", "--answer", "temperatures=C")
    assert load_settings(tmp_path / "curewatch.toml").reader.temperatures == "C", "said, so no browser says otherwise"
    run("zone", "--answer", "temperatures=F", "--answer", "measures=us", "--answer", "clock=12")
    reads = load_settings(tmp_path / "curewatch.toml").reader
    assert (reads.temperatures, reads.measures, reads.clock, reads.dates) == ("F", "us", 12, None)
    before = (tmp_path / "curewatch.toml").read_text()
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main([*where, "setup", "zone"]) == 2
    assert "--yes: missing, expected it, or --answer NAME=VALUE" in capsys.readouterr().err
    assert (tmp_path / "curewatch.toml").read_text() == before, "nobody was asked"
    assert main([*where, "setup", "zone", "--yes"]) == 0
    assert "The settings stay as they are." in capsys.readouterr().out
    assert "expected a whole number" in run("broker", "--answer", "host=x", "--answer", "port=y")["error"]["message"]
    assert "webhook" in run("nothing")["error"]["message"]
    assert (tmp_path / "curewatch.toml").read_text() == before
