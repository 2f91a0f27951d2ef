"""`curewatch record`, `why` and `compare` on a real store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    for hours, temp in ((120, 20), (90, 24), (60, 16), (30, 20), (1, 20)):
        line = ["reading", "--room", "Loft", "--temperature", f"{temp}C", "--humidity", "50%", "--at", f"{hours} h ago"]
        assert main(line) == 0
    mix = ["recipe", "river blend", "--part", "fluid paint=1", "--part", "water=0.4", "--part", "pouring medium=1"]
    assert main(mix) == 0
    heron = ["pour", "Heron", "--room", "Loft", "--wet-thickness", "1.2mm", "--recipe", "river blend"]
    assert main([*heron, "--at", "120 h ago"]) == 0
    assert main(["pour", "Reed", "--room", "Loft", "--layer", "thick", "--silicone", "--at", "60 h ago"]) == 0
    assert main(["done", "Heron", "skins", "--at", "20 h ago"]) == 0
    capsys.readouterr()


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main([*line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_the_record_tells_dates_air_and_steps_and_what_is_estimated(capsys: pytest.CaptureFixture[str]) -> None:
    found = printed(capsys, "record", "Heron")
    air = found["air_so_far"]
    # by hand: straight lines from 20 to 24, 16, 20 and 20 °C over 30, 30, 30 and 29 h
    assert air["temp_c"]["mean"] == pytest.approx((22 * 30 + 20 * 30 + 18 * 30 + 20 * 29) / 119, abs=0.02)
    # told to one decimal
    assert (air["temp_c"]["min"], air["temp_c"]["max"]) == pytest.approx((16, 24), abs=0.05)
    assert air["unread_h"] == pytest.approx(119, abs=0.05)
    assert [air[f"{kind}_h"] for kind in ("cold", "damp", "hot", "dry")] == [0, 0, 0, 0]
    assert [step["step"] for step in found["steps"]] == ["skins"]
    assert set(found["estimated"]) == {"set", "touch_dry", "handle", "varnish_ready"}
    assert found["recipe_stated"] is True
    assert "estimates" in found["honesty"]
    assert main(["record", "Heron"]) == 0
    page = capsys.readouterr().out
    assert "(est.)" in page
    assert "never out of range" in " ".join(page.split())
    assert max(map(len, page.splitlines())) <= 80


def test_why_knows_the_mix(capsys: pytest.CaptureFixture[str]) -> None:
    found = printed(capsys, "why", "Heron", "cracked")["findings"]
    (water,) = [one for one in found if "water in the mix" in one["mechanism"]]
    assert (water["verdict"], water["figure"]) == ("likely", "40 % water on the paint")
    assert main(["why", "Reed", "fish eyes"]) == 0
    assert "silicone" in capsys.readouterr().out


def test_two_pieces_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    both = printed(capsys, "compare", "Heron", "Reed")["pieces"]
    assert [one["name"] for one in both] == ["Heron", "Reed"]
    assert main(["compare", "Heron", "Reed"]) == 0
    page = capsys.readouterr().out
    assert "from a word" in page
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("record", "Hero"), "'Heron'"),
        (("why", "Heron", "ugly"), "fish-eyes"),
        (("compare", "Heron", "Bittern"), "Bittern"),
        (("compare", "Heron"), "OTHER"),
    ],
)
def test_what_is_not_known_is_refused(capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str) -> None:
    assert main(list(line)) == 2
    assert says in capsys.readouterr().err
