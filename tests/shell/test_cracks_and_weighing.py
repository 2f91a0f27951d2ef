"""Odds of cracks, and the word that only a scale can tell: command, page and API say the same of one piece and pour."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch import estimate
from curewatch.cli import main
from curewatch.desk.commands.observing import feel
from curewatch.desk.commands.pours import measured
from curewatch.records.facts import Finger
from curewatch.studio import wording
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, copied, get, served, words_of

HERON, REED = "Heron", "Reed"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shed at 21 °C with a thin and a thick piece."""
    folder = tmp_path_factory.mktemp("prepared")
    with served(folder) as studio:
        studio.read(hours=30)
        studio.pour(HERON, hours_ago=4, wet_mm=1.2)
        studio.pour(REED, hours_ago=4, wet_mm=2.5)
        refresh(studio.desk, NOW)
    return folder


@pytest.fixture
def studio(prepared: Path, tmp_path: Path) -> Iterator[Studio]:
    with copied(prepared, tmp_path) as studio:
        yield studio


def said_by_command(capsys: pytest.CaptureFixture[str], *line: str) -> str:
    capsys.readouterr()
    assert main(list(line)) == 0
    return re.sub(r"\s+", " ", capsys.readouterr().out)


def at_the_studio(studio: Studio, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Commands then speak of this studio, by its clock."""
    config = folder / "studio.toml"
    config.write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 8\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))
    monkeypatch.setenv("CUREWATCH_STORE", str(folder / "studio.sqlite"))
    monkeypatch.setattr("curewatch.clock.SystemClock.now", lambda _: studio.clock.now())


def test_one_pour_has_the_same_odds_by_command_api_and_function(
    studio: Studio, capsys: pytest.CaptureFixture[str]
) -> None:
    typed = ("--wet-thickness", "2mm", "--temperature", "21C", "--humidity", "50%", "--tilt", "0.5deg")
    asked: dict[str, Any] = {"wet_thickness_mm": 2.0, "temp_c": 21.0, "rh_pct": 50.0, "tilt_deg": 0.5}
    by_function = estimate(**asked)
    by_command = json.loads(said_by_command(capsys, "estimate", *typed, "--json"))
    by_api = get(studio, "/estimate?" + "&".join(f"{name}={value}" for name, value in asked.items()))
    assert by_command["crack_odds"] == by_api["crack_odds"] == by_function.crack_odds
    assert by_command["weigh"] == by_api["weigh"] == by_function.weigh == str(wording.WEIGH)
    said = said_by_command(capsys, "estimate", *typed)
    assert f"Cracks: {wording.cracks(by_function.crack_odds)}, {wording.CRACKS_BY}." in said
    assert "no promise" in said
    assert str(wording.WEIGH) in said
    thin = said_by_command(capsys, "estimate", "--wet-thickness", "0.3mm", *typed[2:6])
    assert "fewer than 1 in 100 such films" in thin
    assert str(wording.WEIGH) not in thin, "ready in a week or two, give or take days: that can be planned on"


def test_a_piece_tells_its_odds_until_it_is_dry_through(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at_the_studio(studio, monkeypatch, tmp_path)
    thin, thick = (get(studio, f"/pieces/{name}") for name in (HERON, REED))
    assert thin["crack_odds"] < 0.1 < 0.2 < thick["crack_odds"]
    told = f"{wording.cracks(thick['crack_odds'])}, {wording.CRACKS_BY}"
    assert f"Cracks {told}" in words_of(studio.page(f"/piece/{REED}"))
    assert f"Cracks {told}" in said_by_command(capsys, "piece", REED)
    assert json.loads(said_by_command(capsys, "piece", REED, "--json"))["crack_odds"] == thick["crack_odds"]
    assert thick["weigh"] == str(wording.WEIGH)
    assert str(wording.WEIGH) in words_of(studio.page(f"/piece/{REED}"))
    assert str(wording.WEIGH) in said_by_command(capsys, "piece", REED)
    (why,) = [
        one for one in get(studio, f"/pieces/{REED}/why?trouble=cracked") if "its own shrinking" in one["mechanism"]
    ]
    assert why["figure"].startswith(str(wording.cracks(thick["crack_odds"])))
    assert why["verdict"] != "unlikely"
    later = studio.clock.move(timedelta(hours=30))
    feel(studio.desk, HERON, Finger.DRY_THROUGH, later, later)
    refresh(studio.desk, later)
    assert get(studio, f"/pieces/{HERON}")["crack_odds"] is None
    assert "Cracks none to come: it is dry through" in " ".join(said_by_command(capsys, "piece", HERON).split())


def test_a_tilt_that_was_measured_counts(studio: Studio) -> None:
    before = get(studio, f"/pieces/{HERON}")
    measured(studio.desk, HERON, 0.01, NOW - timedelta(hours=3, minutes=55), NOW)
    refresh(studio.desk, NOW)
    after = get(studio, f"/pieces/{HERON}")
    assert after["crack_odds"] > 1.5 * before["crack_odds"]
    assert after["milestones"] == before["milestones"], "it moves no date"


def test_a_plan_tells_the_odds_of_each_way_to_pour_and_where_only_a_scale_can_tell(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    at_the_studio(studio, monkeypatch, tmp_path)
    line = ("plan", "--due", "2027-02-10", "--for", "varnish-ready", "--wet-thickness", "1.5mm")
    plan = json.loads(said_by_command(capsys, *line, "--json"))
    odds = {one["room_is"]: one["crack_odds"] for one in plan["latest"]}
    assert odds["with a fan on it"] > 2 * odds["as it usually is"] > 0
    assert plan["weigh"] == str(wording.WEIGH)
    by_command = said_by_command(capsys, *line)
    page = words_of(studio.page("/plan?due=2027-02-10&for=varnish_ready&pieces=1&room=Shed&thickness=gauge&gauge=1.5"))
    for said in (by_command, page):
        assert str(wording.WEIGH) in said
        assert str(wording.CRACKS_BY) in said
        assert f"{odds['with a fan on it']:.0%}".removesuffix("%") in said
    handle = json.loads(said_by_command(capsys, *line[:3], "--for", "handle", *line[5:], "--json"))
    assert handle["weigh"] is None
