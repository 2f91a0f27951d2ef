"""`curewatch pour --times`: a series of alike pieces from one mix, all or none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from curewatch.cli import main
from curewatch.store import Store

LINE = ("pour", "Tide", "--room", "Shed", "--wet-thickness", "1mm")


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    return tmp_path


def names(studio: Path) -> list[str]:
    with Store.open(studio / "studio.sqlite") as store, store.read() as tx:
        assert len(tx.pours()) == len(tx.stays()) == len(tx.pieces())
        return [piece.name for piece in tx.pieces()]


def test_a_series_of_three(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*LINE, "--times", "3", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert [one["name"] for one in found["pieces"]] == names(studio) == ["Tide 1", "Tide 2", "Tide 3"]
    assert found["notes"] == ["room 'Shed' is new"]


def test_one_name_that_is_taken_and_none_is_logged(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["pour", "Tide 2", *LINE[2:]]) == 0
    assert main([*LINE, "--times", "3"]) == 2
    assert "Tide 2" in capsys.readouterr().err
    assert names(studio) == ["Tide 2"]


@pytest.mark.parametrize("times", ["0", "101", "x", "1.5", "-2"])
def test_a_number_that_is_none_is_refused(capsys: pytest.CaptureFixture[str], times: str) -> None:
    assert main([*LINE, "--times", times]) == 2
    assert repr(times) in capsys.readouterr().err
