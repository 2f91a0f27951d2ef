"""`curewatch move` and `gone`: a piece on its way, and each of it taken back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main

SHED, LOFT = "Boat shed", "Sail loft"


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """A piece poured two days ago, in one of two rooms that are read alike."""
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\ndays = 40\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    for room in (SHED, LOFT):
        assert main(["reading", "--room", room, "--temperature", "20C", "--humidity", "50%", "--at", "49 h ago"]) == 0
    poured = ["pour", "Heron", "--room", SHED, "--place", "rack 2", "--wet-thickness", "1.5mm", "--at", "48 h ago"]
    assert main(poured) == 0
    capsys.readouterr()


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main([*line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_move_is_told_with_the_dates_that_follow_and_taken_back(capsys: pytest.CaptureFixture[str]) -> None:
    before = printed(capsys, "piece", "Heron")
    assert main(["move", "Heron", "--room", LOFT, "--place", "sill", "--air", "fan", "--at", "40 h ago"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Heron now lies in Sail loft, sill.\n")
    assert "worth checking" in out
    assert max(map(len, out.splitlines())) <= 80
    moved = printed(capsys, "piece", "Heron")
    assert (moved["room"], moved["place"], moved["air_m_s"]) == (LOFT, "sill", 1.0)
    # a fan makes the air over a film faster, so it dries sooner
    handle = [one["milestones"]["handle"]["worth_checking_at"] for one in (before, moved)]
    assert handle[1] < handle[0]
    assert printed(capsys, "move", "Heron", "--room", SHED)["air_m_s"] == 0.1
    back = printed(capsys, "move", "Heron", "--undo")
    assert (back["kind"], back["room"], back["air_m_s"]) == ("undone", LOFT, 1.0)
    assert printed(capsys, "move", "Heron", "--undo")["room"] == SHED, "though it bears a date of longer ago than a day"
    assert main(["move", "Heron", "--undo"]) == 2
    assert "last 24 hours" in capsys.readouterr().err


def test_a_piece_that_has_left_frees_its_name_and_comes_back_while_that_is_free(
    capsys: pytest.CaptureFixture[str],
) -> None:
    before = printed(capsys, "piece", "Heron")["milestones"]
    assert main(["gone", "Heron", "--at", "2 h ago"]) == 0
    assert capsys.readouterr().out == "Heron is marked gone: its name and its place are free.\n"
    assert printed(capsys, "board")["pieces"] == []
    assert main(["gone", "Heron"]) == 2
    capsys.readouterr()
    back = printed(capsys, "gone", "Heron", "--undo")
    assert (back["room"], back["place"]) == (SHED, "rack 2")
    assert back["milestones"].keys() == before.keys()
    assert printed(capsys, "gone", "Heron")["piece"] == "Heron"
    assert main(["pour", "Heron", "--room", LOFT, "--layer", "thin"]) == 0
    capsys.readouterr()
    assert main(["gone", "Heron", "--undo"]) == 2
    assert "no other piece has taken" in capsys.readouterr().err
    assert len(printed(capsys, "board")["pieces"]) == 1


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("move", "Heron"), "--room: missing, expected the room it lies in now, or --undo"),
        (("move", "Herron", "--room", LOFT), "'Heron'"),
        (("move", "Heron", "--room", LOFT, "--air", "gale"), "gale"),
        (("move", "Heron", "--room", LOFT, "--at", "50 h ago"), "after Heron came to where it lies"),
        (("move", "Heron", "--room", LOFT, "--at", "2199-01-01"), "2199"),
        (("move", "Heron", "--room", "x" * 81), "1 to 80 characters"),
        (("move", "Heron", "--room", LOFT, "--undo"), "--undo alone"),
        (("move", "Heron", "--undo"), "a name of which a move was logged in the last 24 hours"),
        (("gone", "Herron"), "'Heron'"),
        (("gone", "Heron", "--at", "50 h ago"), "after Heron came to where it lies"),
        (("gone", "Heron", "--at", "1 h ago", "--undo"), "--undo alone"),
        (("gone", "Heron", "--undo"), "a name of which a leaving was logged in the last 24 hours"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_stored(
    capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str
) -> None:
    assert main(list(line)) == 2
    assert says in capsys.readouterr().err
    found = printed(capsys, "board")
    assert [(one["name"], one["room"]) for one in found["pieces"]] == [("Heron", SHED)]
    assert [room["name"] for room in found["rooms"]] == [SHED, LOFT]
