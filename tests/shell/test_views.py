"""One vocabulary: the same studio at the same moment, asked by command, by API and from Python, answers alike."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from curewatch import estimate, level
from curewatch.cli import main
from curewatch.desk.commands import aftercare, observing
from curewatch.desk.mixing import put_recipe
from curewatch.records import ThicknessSource
from curewatch.records.facts import Finger
from curewatch.records.workshop import Part, RecipeMix
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get

Typed = Callable[..., dict[str, Any]]


@pytest.fixture
def typed(studio: Studio, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Typed:
    """What a command prints of this studio with --json, but for what says which command it was."""
    config = tmp_path / "typed.toml"
    config.write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 32\n')
    monkeypatch.setattr("curewatch.cli.session.SystemClock", lambda: studio.clock)
    place = ("--store", str(studio.store.location), "--config", str(config))

    def run(*words: str) -> dict[str, Any]:
        capsys.readouterr()
        assert main([*place, *words, "--json"]) == 0
        found: dict[str, Any] = json.loads(capsys.readouterr().out)
        assert (found.pop("schema"), found.pop("kind")) == (2, words[0])
        return found

    return run


@pytest.fixture
def lived_in(studio: Studio) -> Studio:
    """A cold night, a harmed piece, a finger test, a step, and a recipe whose parts were told."""
    desk = studio.desk
    studio.clock.move(timedelta(hours=6))
    studio.read(temp_c=4, hours=4)
    now = studio.clock.now()
    observing.feel(desk, "Curlew", Finger.TACKY, now, now)
    aftercare.done(desk, "Curlew", "skins", now, now, anyway=True)
    told = RecipeMix(recipe="tide", parts=(Part(material="fluid paint", amount=1), Part(material="water", amount=0.2)))
    put_recipe(desk, told, now)
    refresh(desk, now)
    return studio


def test_the_board_and_the_rooms(lived_in: Studio, typed: Typed) -> None:
    printed = typed("board")
    assert printed == get(lived_in, "/board")
    assert printed["rooms"] == get(lived_in, "/rooms")
    (room,) = printed["rooms"]
    one = get(lived_in, f"/rooms/{room['name']}")
    assert {name: one[name] for name in room} == room
    assert printed["alarms"] == one["alarms"] != []


def test_a_piece_with_advice(lived_in: Studio, typed: Typed) -> None:
    printed = typed("piece", "Curlew")
    assert printed.pop("advice") == get(lived_in, "/pieces/Curlew/advice") != []
    assert printed == get(lived_in, "/pieces/Curlew")


def test_its_record_and_its_steps(lived_in: Studio, typed: Typed) -> None:
    printed = typed("record", "Curlew")
    assert printed == get(lived_in, "/pieces/Curlew/record")
    assert "estimates" in printed["honesty"]
    assert typed("compare", "Curlew", "Curlew") == get(lived_in, "/compare?one=Curlew&other=Curlew")
    steps = typed("steps", "Curlew")
    assert steps == get(lived_in, "/pieces/Curlew/steps")
    assert steps["history"] == printed["steps"] != []
    found = typed("why", "Curlew", "cracked")["findings"]
    assert found == get(lived_in, "/pieces/Curlew/why?trouble=cracked") != []


def test_alarms_and_notices(lived_in: Studio, typed: Typed) -> None:
    typed("mute", "Shed", "damp", "--for", "2h")
    printed = typed("alarms", "--history")
    assert {name: printed[name] for name in ("active", "muted", "harm", "history")} == {
        "active": get(lived_in, "/alarms"),
        "muted": get(lived_in, "/alarms/muted"),
        "harm": get(lived_in, "/harm"),
        "history": get(lived_in, "/alarms/history"),
    }
    assert printed | {"history": []} == get(lived_in, "/alarms/now")
    assert typed("notices")["notices"] == get(lived_in, "/notices?limit=20") != []


def test_a_plan(lived_in: Studio, typed: Typed) -> None:
    due = "2026-12-20T18:00:00+00:00"
    printed = typed("plan", "--room", "Shed", "--due", due, "--wet-thickness", "1.5mm", "--pieces", "2")
    asked = {"room": "Shed", "due": due, "wet_thickness_mm": 1.5, "pieces": 2}
    assert printed == lived_in.get("/api/v1/plan", params=asked).json()
    assert printed["room_assumed"] is None


def test_a_mix_and_a_recipe(lived_in: Studio, typed: Typed) -> None:
    printed = typed("mix", "tide", "--size", "30x40cm", "--wet-thickness", "1.2mm", "--edge", "2cm")
    size = "width_cm=30&height_cm=40&edge_cm=2"
    assert printed == get(lived_in, f"/recipes/tide/mix?wet_thickness_mm=1.2&{size}")
    made = typed("recipe", "tide", "--part", "fluid paint=1", "--part", "water=0.3")
    assert made == get(lived_in, "/recipes/tide")


def test_how_level_a_piece_lies(lived_in: Studio, typed: Typed) -> None:
    printed = typed("level", "Curlew", "--tilt", "0.5deg")
    assert printed == get(lived_in, "/pieces/Curlew/level")
    assert printed["tilts"][-1]["tilt_deg"] == 0.5
    assert printed["drift_mm"] > printed["limit_mm"]


FILM = {"wet_thickness_mm": 1.2, "temp_c": 11, "rh_pct": 50}
SAID = ("--wet-thickness", "1.2mm", "--temperature", "11C", "--humidity", "50%", "--support", "canvas")


def test_an_estimate_and_a_drift_from_a_notebook_too(studio: Studio, typed: Typed) -> None:
    found = estimate(wet_thickness_mm=1.2, temp_c=11, rh_pct=50)
    plain = found.model_dump(mode="json")
    assert plain == studio.get("/api/v1/estimate", params=FILM).json() == typed("estimate", *SAID)
    drift = level(wet_thickness_mm=1.2, temp_c=11, rh_pct=50, tilt_deg=0.5)
    asked = FILM | {"tilt_deg": 0.5}
    assert drift.model_dump(mode="json") == studio.get("/api/v1/level", params=asked).json()
    assert drift.model_dump(mode="json") == typed("level", "--tilt", "0.5deg", *SAID)


def test_a_notebook_compares_rooms() -> None:
    """As one would: a loop over rooms, a table of hours."""
    safe = [estimate(wet_thickness_mm=1.5, temp_c=t, rh_pct=50).milestones["handle"].safe_h for t in (15, 20, 25)]
    hours = [h for h in safe if h is not None]
    assert hours == sorted(hours, reverse=True)
    assert len(hours) == 3
    one = estimate(wet_thickness_mm=1.5, temp_c=20, rh_pct=50, members=1, thickness_source="layer", back="raw-panel")
    reached = one.milestones["handle"]
    assert reached.early_h == reached.safe_h
    assert one.inputs.thickness_source is ThicknessSource.LAYER
    assert any(warning.startswith("rough") for warning in one.warnings)
    with pytest.raises(ValidationError, match="temp_c"):
        estimate(wet_thickness_mm=1.5, temp_c=99, rh_pct=50)
    with pytest.raises(ValidationError, match="frozen"):
        setattr(one, "days", 3)  # noqa: B010 what mypy would not let a test try


def test_the_package_itself_stays_light() -> None:
    assert NOW  # the rest is in test_cli: --help loads nothing heavy
    with pytest.raises(ImportError):
        from curewatch import guess  # type: ignore[attr-defined]  # noqa: F401
