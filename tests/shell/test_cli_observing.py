"""Observing, learning and planning by command: what is printed, as text and JSON, and what is refused."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main

Run = Callable[..., tuple[int, str, str]]
PLAN = ("plan", "--room", "Boat shed", "--wet-thickness", "1.5mm", "--size", "30x30cm", "--due")


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    config = tmp_path / "c.toml"
    config.write_text('zone = "UTC"\n[forecast]\nmembers = 8\ndays = 40\n')
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    monkeypatch.setenv("CUREWATCH_CONFIG", str(config))

    def typed(*words: str) -> tuple[int, str, str]:
        code = main(words)
        said = capsys.readouterr()
        return code, said.out, said.err

    room = ("--room", "Boat shed")
    assert typed("reading", *room, "--temperature", "21C", "--humidity", "50%", "--at", "3 days ago")[0] == 0
    assert (
        typed("pour", "Low tide", *room, "--wet-thickness", "1.5mm", "--size", "30x30cm", "--at", "2 days ago")[0] == 0
    )
    return typed


def spoken(run: Run, *words: str) -> dict[str, Any]:
    code, out, err = run(*words, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    assert found["schema"] == 2
    return found


def test_a_finger_test_is_logged_told_of_and_taken_back(run: Run) -> None:
    code, out, _ = run("feel", "Low tide", "tacky", "--at", "20 h ago")
    assert code == 0
    assert out.startswith("Logged Low tide: still tacky at ")
    known = spoken(run, "learned")["beliefs"]
    assert [one["about"] for one in known] == ["recipe", "place"]
    assert known[0]["observations"] == {"finger": 1}
    assert "1 finger test on 1 piece" in run("learned")[1]
    assert run("feel", "Low tide", "--undo")[1].startswith("Taken back of Low tide: still tacky")
    assert "Nothing yet" in run("learned")[1]


@pytest.mark.parametrize(
    ("kind", "first", "second"),
    [("feel", "tacky", "touch-dry"), ("weigh", "540g", "530g"), ("surface", "18C", "19C")],
)
def test_undo_with_a_time_takes_back_that_of_this_minute_and_no_other(
    run: Run, kind: str, first: str, second: str
) -> None:
    logged = spoken(run, kind, "Low tide", first, "--at", "20 h ago")["observation"]
    later = spoken(run, kind, "Low tide", second, "--at", "10 h ago")["observation"]
    code, out, err = run(kind, "Low tide", "--undo", "--at", "15 h ago")
    assert (code, out) == (2, "")
    moments = (datetime.fromisoformat(one["at"]) for one in (logged, later))
    assert ", ".join(f"{at.day} {at:%b %Y %H:%M}" for at in moments) in err
    assert spoken(run, kind, "Low tide", "--undo", "--at", logged["at"][:16])["id"] == logged["id"]
    assert run(kind, "Low tide", "--undo", "--at", logged["at"][:16])[0] == 2
    assert spoken(run, kind, "Low tide", "--undo")["id"] == later["id"]


def test_weighings_and_a_surface_temperature_in_json(run: Run) -> None:
    bare = spoken(run, "weigh", "Low tide", "412.5", "--at", "49 h ago")["observation"]
    assert (bare["grams"], bare["resolution_g"]) == (412.5, 0.1)
    assert spoken(run, "weigh", "Low tide", "540g", "--at", "47 h ago")["observation"]["resolution_g"] == 1
    assert spoken(run, "surface", "Low tide", "18C", "--at", "40 h ago")["observation"]["surface_c"] == 18
    assert {"weighing", "surface"} <= set(spoken(run, "learned")["beliefs"][0]["observations"])


def test_what_was_learned_is_let_go(run: Run) -> None:
    run("feel", "Low tide", "tacky", "--at", "20 h ago")
    assert "as it was assumed" in run("learned", "--forget", "house mix")[1]
    assert [one["about"] for one in spoken(run, "learned")["beliefs"]] == ["place"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("feel", "Low tide", "damp"), "got 'damp', expected one of tacky, touch-dry, dry-through"),
        (("feel", "Low tide"), "or --undo alone"),
        (("feel", "Low tide", "tacky", "--undo"), "--undo alone"),
        (("feel", "Nobody", "tacky"), "a piece here: 'Low tide'"),
        (("feel", "Low tide", "tacky", "--at", "3 days ago"), "a moment after the pour"),
        (("weigh", "Low tide", "heavy"), "MASS"),
        (("surface", "Low tide", "17.5"), "TEMP"),
        (("surface", "Low tide", "900C"), "TEMP: got '900C', expected a film's temperature between -30 °C and 60 °C"),
        (("surface", "Low tide", "--", "-35C"), "a film's temperature between -30 °C and 60 °C"),
        (("learned", "--forget", "house mix"), "something was learned about"),
        ((*PLAN, "2001-01-01"), "a moment that is yet to come"),
        (("plan", "--room", "Loft", "--layer", "thin", "--due", "2101-01-01"), "'Boat shed'"),
        ((*PLAN, "2101-01-01", "--support", "velvet"), "velvet"),
        ((*PLAN, "2101-01-01", "--for", "set"), "handle or varnish-ready"),
    ],
)
def test_what_is_wrong_is_quoted_with_what_would_do(run: Run, words: tuple[str, ...], says: str) -> None:
    code, out, err = run(*words)
    assert code != 0
    assert out == ""
    assert says in err


def test_a_plan_names_the_latest_moments_and_the_taken_places(run: Run) -> None:
    from datetime import UTC, timedelta

    from curewatch.clock import SystemClock

    now = SystemClock().now().astimezone(UTC)
    found = spoken(run, *PLAN, f"{now + timedelta(days=9):%Y-%m-%d}", "--pieces", "2")
    assert found["latest"][0]["room_is"] == "as it usually is"
    assert found["latest"][0]["safe_at"] < found["latest"][0]["even_at"] < found["due"]
    assert [one["piece"] for one in found["places_taken"]] == ["Low tide"]
    text = run(*PLAN, f"{now + timedelta(hours=3):%Y-%m-%d %H:%M}")[1]
    flat = " ".join(text.split())
    assert all(said in flat for said in ("with a fan on it: Risk: ", "skin over a soft core", "its lead off", "heater"))
    assert "Too late as the room usually is: poured now, it is in time in under 2 % of cases" in flat
    assert max(map(len, text.splitlines())) <= 80


def test_a_plan_knows_supports_and_discs(run: Run) -> None:
    """Bare wood soaks up water; a volume on a disc makes the film of its area."""
    round_ = ("plan", "--room", "Boat shed", "--size", "round 30cm", "--due", _in_days(9))
    canvas = spoken(run, *round_, "--wet-thickness", "1.5mm")["latest"][0]
    wood = spoken(run, *round_, "--wet-thickness", "1.5mm", "--support", "raw-panel")["latest"][0]
    assert wood["even_at"] > canvas["even_at"]
    assert wood["safe_at"] > canvas["safe_at"]
    disc = spoken(run, *round_, "--poured", f"{math.pi * 15**2 * 0.15:.3f}ml", "--ran-off", "0ml")["latest"][0]
    square = spoken(run, *PLAN, _in_days(9), "--support", "raw-panel")["latest"][0]
    assert square["safe_at"] > canvas["safe_at"]
    assert disc["even_at"][:10] == canvas["even_at"][:10]


def _in_days(days: float) -> str:
    from datetime import UTC, timedelta

    from curewatch.clock import SystemClock

    return f"{SystemClock().now().astimezone(UTC) + timedelta(days=days):%Y-%m-%d %H:%M}"


def test_a_plan_without_a_room_takes_the_only_one_then_the_one_with_most_wet_pieces_and_says_so(run: Run) -> None:
    words = ("plan", "--layer", "thin", "--due", _in_days(2))
    run("gone", "Low tide")
    run("pour", "Flood", "--room", "Boat shed", "--layer", "thick")
    assert spoken(run, *words)["room_assumed"] == "Boat shed is the only room"
    run("reading", "--room", "Loft", "--temperature", "18C", "--humidity", "60%")
    assert "No room was named; most wet pieces lie in Boat shed." in run(*words)[1]
    run("pour", "Eel", "--room", "Loft", "--layer", "thin")
    code, out, err = run(*words)
    assert (code, out) == (2, "")
    assert "--room: nothing was typed, expected one of Boat shed, Loft" in err
    assert spoken(run, *words, "--room", "Loft")["room_assumed"] is None


def test_a_piece_says_what_a_change_would_do(run: Run) -> None:
    run("pour", "Flood", "--room", "Boat shed", "--wet-thickness", "2.5mm", "--size", "30x30cm")
    text = run("piece", "Flood")[1]
    assert "3 °C warmer: set" in text
    assert "Risk: water leaves" in text
    advice = spoken(run, "piece", "Flood")["advice"]
    assert advice[0]["hours"]["handle"] < -1


def test_a_finger_in_the_middle_is_kept_as_that(run: Run) -> None:
    """An edge is assumed: it is thinner and dries first, so that the same word there tells less of the piece."""
    assert spoken(run, "feel", "Low tide", "tacky", "--at", "20 h ago")["observation"]["spot"] == "edge"
    assert spoken(run, "feel", "Low tide", "tacky", "--at", "19 h ago", "--middle")["observation"]["spot"] == "middle"
