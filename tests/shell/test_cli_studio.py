"""Logging and looking by command: a pour in each way, readings, the board, a piece, and the check."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from tests.shell.parts import free_port

COMMAND = str(Path(sys.executable).with_name("curewatch"))
GAUGE = ("--wet-thickness", "1.2mm")


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    config = tmp_path / "studio.toml"
    config.write_text(f'zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\n[web]\nport = {free_port()}\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    return tmp_path


def answer(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    capsys.readouterr()
    assert main([*line, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.count("\n") == 1
    found: dict[str, Any] = json.loads(out)
    assert found["schema"] == 2
    assert found["kind"] == line[0]
    return found


def logged(capsys: pytest.CaptureFixture[str], name: str, *options: str) -> dict[str, Any]:
    return answer(capsys, "pour", name, "--room", "boat shed", *options)


def test_a_reading_and_a_pour_make_dates(capsys: pytest.CaptureFixture[str]) -> None:
    air = answer(capsys, "reading", "--room", "boat shed", "--temperature", "68F", "--humidity", "50%")
    assert air["temp_c"] == pytest.approx(20.0)
    assert air["notes"] == ["room 'boat shed' is new"]
    piece = logged(capsys, "Heron", *GAUGE, "--at", "3 h ago", "--silicone", "--place", "rack 2")
    assert (piece["name"], piece["room"], piece["place"], piece["silicone"]) == ("Heron", "boat shed", "rack 2", True)
    assert (piece["wet_thickness_mm"], piece["thickness_source"]) == (1.2, "gauge")
    dates = piece["milestones"]["touch_dry"]
    assert piece["poured_at"] < dates["early_at"] < dates["worth_checking_at"] < dates["safe_at"]
    assert answer(capsys, "piece", "Heron")["milestones"] == piece["milestones"]


@pytest.mark.parametrize(
    ("options", "millimetres", "source"),
    [
        # 240 ml less 48 ml on 40 x 40 cm; the rule of 1 US fl oz on 25 square inches gives 1.83 mm (common practice)
        (("--poured", "240ml", "--ran-off", "48ml", "--size", "40x40cm"), 1.2, "volume"),
        (("--poured", "1 fl oz", "--size", "5x5in"), 1.833, "volume"),
        (("--layer", "medium"), 1.2, "layer"),
        (("--wet-thickness", "80 mil"), 2.032, "gauge"),
    ],
)
def test_the_ways_to_a_thickness(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], millimetres: float, source: str
) -> None:
    piece = logged(capsys, "Reed", *options)
    assert piece["wet_thickness_mm"] == pytest.approx(millimetres, rel=1e-3)  # by hand, to four digits
    assert piece["thickness_source"] == source
    assert piece["reason"] == "no temperature and humidity of boat shed yet"


def test_the_board_lists_by_next_date_in_eighty_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board"]) == 0
    assert "No pieces yet" in capsys.readouterr().out
    for name, wet in (("A very long name for a small tile of slate", "2.5mm"), ("Reed", "0.5mm"), ("Heron", "1.2mm")):
        logged(capsys, name, "--wet-thickness", wet, "--at", "1 h ago")
    answer(capsys, "reading", "--room", "boat shed", "--temperature", "20C", "--humidity", "50%")
    board = answer(capsys, "board")
    assert [line["name"] for line in board["pieces"]][:2] == ["Reed", "Heron"]
    assert board["zone"] == "Europe/Lisbon"
    assert board["rooms"][0]["age_s"] < 60
    assert main(["board"]) == 0
    page = capsys.readouterr().out
    assert max(map(len, page.splitlines())) <= 80
    assert page.index("Reed") < page.index("Heron") < page.index("A very long")
    assert "\x1b" not in page
    assert "No alarms." in page


def test_colour_says_nothing_that_words_do_not(studio: Path) -> None:
    """On a terminal the headings are bold; with NO_COLOR (no-color.org) the same words come plain."""
    pages = []
    for extra in ({}, {"NO_COLOR": "1"}):
        master, slave = pty.openpty()
        done = subprocess.run(
            [COMMAND, "board"], stdout=slave, env=os.environ | {"TERM": "xterm", "COLUMNS": "80"} | extra, timeout=60
        )
        os.close(slave)
        pages.append(os.read(master, 65536).decode())
        os.close(master)
        assert done.returncode == 0
    assert "\x1b[1m" in pages[0]
    assert "\x1b" not in pages[1]
    plain = pages[0].replace("\x1b[1m", "").replace("\x1b[0m", "")
    assert plain.splitlines()[1:] == pages[1].splitlines()[1:], "all but the minute in the first line"


def test_the_check_says_what_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    logged(capsys, "Heron", *GAUGE)
    findings = {found["name"]: found for found in answer(capsys, "check")["findings"]}
    assert {"settings", "clock", "store", "daemon", "broker", "webhook"} <= set(findings)
    assert findings["store"]["verdict"] == "ok"
    assert "1 piece," in findings["store"]["sentence"]
    assert findings["daemon"]["verdict"] == "warn"


def test_a_test_notice_without_a_channel_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    found = answer(capsys, "check", "--send-test")["findings"][-1]
    assert found["name"] == "test notice"
    assert found["verdict"] == "warn"
