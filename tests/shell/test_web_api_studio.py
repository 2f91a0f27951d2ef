"""The JSON API of recipes, notices, rooms, alarms and what was logged: it tells and does what commands and pages do."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.cli import main
from curewatch.desk import mixing
from curewatch.desk.snapshot import pieces
from curewatch.records import DeliveryState, Notice
from curewatch.settings import ForecastSettings, load_settings
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get

PARTS = [{"material": "fluid paint", "parts": 1}, {"material": "pouring medium", "parts": 2},
         {"material": "water", "parts": 0.1}]  # fmt: skip


def send(studio: Studio, path: str, values: object, method: str = "POST") -> requests.Response:
    return requests.request(method, f"{studio.url}/api/v1{path}", json=values, timeout=20)


def put(studio: Studio, name: str, values: object) -> requests.Response:
    return send(studio, f"/recipes/{name}", values, "PUT")


def printed(capsys: pytest.CaptureFixture[str], store: Path, *line: str) -> dict[str, Any]:
    assert main(["--store", str(store), *line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_recipe_is_told_by_its_parts_and_mixed_from_as_the_commands_do(
    studio: Studio, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    assert put(studio, "river blend", {"parts": PARTS}).status_code == 200
    parts = [f"--part={one['material']}={one['parts']}" for one in PARTS]
    made = printed(capsys, tmp_path / "other.sqlite", "recipe", "river blend", *parts)
    told = get(studio, "/recipes/river blend")
    assert {"schema": 2, "kind": "recipe", **told} == made
    assert told["parts"] == PARTS
    size = ("--size", "40x50cm", "--pieces", "4", "--wet-thickness", "1.2mm")
    cup = printed(capsys, tmp_path / "other.sqlite", "mix", "river blend", *size)
    mix = get(studio, "/recipes/river blend/mix?width_cm=40&height_cm=50&pieces=4&wet_thickness_mm=1.2")
    assert {"schema": 2, "kind": "mix", **mix} == cup
    said = get(studio, "/recipes/river blend/mix?width_cm=40&height_cm=40&round=1&wet_thickness_mm=1&run_off=0")
    solids = put(studio, "river blend", {"solids": 0.31}).json()["notes"]
    assert solids[-1] == "the parts that were told before are still what is mixed"
    assert get(studio, "/recipes/river blend")["parts"] == PARTS
    assert (said["runs_off_ml"], said["run_off"]["source"]) == (0, "said")
    assert said["faces_ml"] == pytest.approx(125.66, abs=0.01), "pi/4 of 40 cm squared, 1 mm deep"


AIR = ("--temperature", "11C", "--humidity", "50%", "--support", "canvas")
FILM = "wet_thickness_mm=1.2&temp_c=11&rh_pct=50"


def test_an_estimate_and_a_drift_are_those_of_the_commands(studio: Studio, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimate", "--wet-thickness", "1.2mm", *AIR, "--json"]) == 0
    typed = json.loads(capsys.readouterr().out)
    told = get(studio, f"/estimate?{FILM}")
    assert told["warnings"] != [], "it is cold"
    assert {"schema": 2, "kind": "estimate", **told} == typed
    assert main(["level", "--tilt", "0.5deg", "--wet-thickness", "1.2mm", *AIR, "--json"]) == 0
    typed = json.loads(capsys.readouterr().out)
    drift = get(studio, f"/level?{FILM}&tilt_deg=0.5")
    assert {"schema": 2, "kind": "level", **drift} == typed
    for wrong, says in (("temp_c=11", "wet_thickness_mm"), (f"{FILM}&tilt=1", "tilt")):
        answer = studio.get(f"/api/v1/level?{wrong}&tilt_deg=0.5")
        assert (answer.status_code, says in answer.json()["detail"]) == (422, True)


def test_a_recipe_corrected_moves_the_dates_of_its_pieces(studio: Studio) -> None:
    before = get(studio, "/pieces/Curlew")["milestones"]["handle"]["worth_checking_at"]
    assert get(studio, "/recipes/river white")["stated"] is False
    answer = put(studio, "river white", {"solids": 0.45})
    assert answer.json()["notes"] == [
        "river white: 45 % solids, 3.0 % glycol, by volume of the wet paint",
        "before: river white: 30 % solids, 3.0 % glycol, by volume of the wet paint, assumed",
    ]
    assert get(studio, "/recipes/river white").items() >= {"solids": 0.45, "glycol": 0.03, "stated": True}.items()
    assert get(studio, "/pieces/Curlew")["milestones"]["handle"]["worth_checking_at"] < before, "there is less water"


def test_a_coalescent_is_told_and_puts_varnish_off(studio: Studio) -> None:
    asked = f"{FILM.replace('=11&', '=21&')}&solids=0.3"
    usual, slow, front = (
        get(studio, f"/estimate?{asked}{more}") for more in ("", "&coalescent=0.05", "&coalescent=0&model=front")
    )
    assert (slow["inputs"]["coalescent"], slow["inputs"]["model"]) == (0.05, "standard")
    assert slow["milestones"]["varnish_ready"]["worth_checking_h"] is None, "not within 120 days"
    assert any("may keep it from fusing" in warning for warning in slow["warnings"])
    assert front["inputs"]["model"] == "front"
    early, late = (one["milestones"]["handle"]["worth_checking_h"] for one in (usual, front))
    assert early < late, "a front closes a layer over the core"
    told = put(studio, "river white", {"solids": 0.3, "coalescent": 0.15}).json()["notes"]
    assert told[0] == "river white: 30 % solids, 3.0 % glycol, 15.0 % coalescent, by volume of the wet paint"
    assert get(studio, "/recipes/river white")["coalescent"] == 0.15
    assert get(studio, "/pieces/Curlew")["coalescent"] == 0.15
    assert "15.0 % coalescent" in studio.get("/piece/Curlew").text
    assert {m["name"]: m["coalescent"] for m in get(studio, "/materials")}["retarder"] == 0.05


WRONG: list[tuple[object, str]] = [
    ({}, "the solids, such as 0.30, or parts for each material"),
    ({"solids": 0.3, "parts": PARTS}, "beside parts, which tells them already"),
    ({"solids": 0.9}, "less than or equal to 0.7, got 0.9"),
    ({"solids": 0.3, "by_weight": True}, "by_weight"),
    ({"parts": PARTS, "glycol": 0.1}, "glycol"),
    ({"parts": []}, "parts"),
    ({"parts": [{"material": "fluid pant", "parts": 1}]}, "'fluid paint'"),
    ({"parts": [PARTS[0], PARTS[0]]}, "each material once"),
    ({"parts": [{"material": "water", "parts": 1}]}, "more than water"),
    ({"parts": [PARTS[0], {"material": "water", "parts": 9}]}, "3.5 % solids"),
]


def test_a_recipe_that_cannot_be_is_refused_and_the_old_one_stands(studio: Studio) -> None:
    before = get(studio, "/recipes")
    for values, says in WRONG:
        answer = put(studio, "river white", values)
        assert answer.status_code == 422, values
        assert says in answer.json()["detail"], values
    assert get(studio, "/recipes") == before
    size = "width_cm=40&height_cm=50&wet_thickness_mm=1"
    for path, status in (("/recipes/none", 404), (f"/recipes/none/mix?{size}", 404),
                         ("/recipes/river white/mix?wet_thickness_mm=1", 422)):  # fmt: skip
        assert studio.get(f"/api/v1{path}").status_code == status, path
    cup = get(studio, f"/recipes/river white/mix?{size}&run_off=0&edge_cm=0")
    assert (cup["volume_ml"], cup["portions"]) == (200, []), "how much is known, of what is not"
    assert "never told" in cup["notes"][0]


def test_the_shelf_is_that_beside_the_settings_and_a_broken_one_is_said_so(studio: Studio, tmp_path: Path) -> None:
    settings = tmp_path / "studio.toml"
    settings.write_text('zone = "Europe/Lisbon"\n')
    own = tmp_path / "materials.toml"
    own.write_text('["slip varnish"]\nkind = "medium"\nsolids = 0.4\ndensity = 1.05\nprice = 9\n')
    made = load_settings(settings).model_copy(update={"forecast": ForecastSettings(members=8)})
    object.__setattr__(studio.desk, "settings", made)
    found = {one["name"]: one for one in get(studio, "/materials")}
    assert found["slip varnish"].items() >= {"solids": 0.4, "density_kg_l": 1.05, "price": 9}.items()
    assert "fluid paint" in found
    own.write_text('["slip varnish"]\nkind = "medium"\nsolids = 4\ndensity = 1.05\n')
    answer = studio.get("/api/v1/materials")
    assert answer.status_code == 503
    assert "solids" in answer.json()["detail"]


def test_a_volume_over_a_size_makes_the_film_and_teaches_what_runs_off(studio: Studio) -> None:
    pour = {"name": "Snipe", "room": "Shed", "recipe": "river blend", "width_cm": 40, "height_cm": 50,
            "poured_ml": 300, "ran_off_ml": 60, "tilt_deg": 0.25}  # fmt: skip
    assert send(studio, "/pours", pour).status_code == 201
    told = get(studio, "/pieces/Snipe/record")
    assert told["wet_thickness_mm"] == pytest.approx(1.2), "240 ml over a fifth of a square metre"
    assert told["thickness_source"] == "volume"
    assert [one["tilt_deg"] for one in told["tilts"]] == [0.25]
    believed = mixing.run_off(studio.desk, "river blend", 0.2)
    assert (believed.pours, believed.share < 0.25) == (1, True), "a fifth ran off, a quarter was assumed"
    for wrong, says in (
        ({"wet_thickness_mm": None, "poured_ml": None, "ran_off_ml": None}, "wet_thickness_mm or its poured_ml"),
        ({"poured_ml": 3, "ran_off_ml": None}, "makes 0.015 mm"),
        ({"width_cm": None, "height_cm": None}, "poured onto"),
        ({"ran_off_ml": 300}, "part of poured_ml"),
        ({"poured_g": 10}, "poured_g or by poured_ml"),
    ):
        answer = send(studio, "/pours", pour | {"name": "Plover"} | wrong)
        assert answer.status_code == 422, wrong
        assert says in answer.json()["detail"], answer.text
    assert "Plover" not in studio.names()


def test_a_series_is_poured_and_taken_back_as_one(studio: Studio) -> None:
    pour = {"name": "Knot", "room": "Shed", "wet_thickness_mm": 1, "times": 3}
    sent = send(studio, "/pours", pour)
    assert (sent.status_code, sent.json()["piece"]) == (201, "Knot 1")
    assert studio.names() == ["Curlew", "Knot 1", "Knot 2", "Knot 3"]
    assert send(studio, "/pours", pour | {"times": 4}).status_code == 422
    assert send(studio, "/pours", pour | {"name": "K" * 80}).status_code == 422
    assert "Knot 4" not in studio.names(), "all or none"
    assert send(studio, "/undo", sent.json()["undo"]).status_code == 200
    assert studio.names() == ["Curlew"]


def test_what_was_given_up_is_listed_and_sent_again(studio: Studio) -> None:
    with studio.store.write() as tx:
        for key in ("one", "two"):
            tx.add_notice(
                Notice(key=key, kind="test", created_at=NOW, title=key, text="Low tide."), {"webhook": NOW, "mail": NOW}
            )
        for delivery in tx.deliveries(keys=["two"]):
            tx.mark_dead(delivery.id, error="nobody home", at=NOW)
    dead = get(studio, "/notices?dead=1")
    assert [(one["key"], [d["state"] for d in one["deliveries"]]) for one in dead] == [("two", ["dead", "dead"])]
    assert {one["key"] for one in get(studio, "/notices")} >= {"one", "two"}
    told = studio.told
    again = send(studio, "/notices/resend", {"key": "two"}).json()
    assert sorted((one["key"], one["channel"]) for one in again) == [("two", "mail"), ("two", "webhook")]
    assert studio.told == told + 1, "whoever sends is woken"
    with studio.store.read() as tx:
        assert not tx.deliveries(state=DeliveryState.DEAD)
    refused = send(studio, "/notices/resend", {"key": "three"})
    assert (refused.status_code, "three" in refused.json()["detail"]) == (422, True)
    assert send(studio, "/notices/resend", {}).json() == [], "nothing is given up any more"


def test_what_was_learned_is_forgotten(studio: Studio) -> None:
    send(studio, "/pieces/Curlew/observations", {"kind": "finger", "finger": "tacky"})
    assert get(studio, "/learned")[0]["name"] == "river white"
    answer = send(studio, "/learned/forget", {"name": "river white"})
    assert answer.json()["notes"] == ["the recipe 'river white' is as it was assumed to be"]
    known = {one.name for one in pieces.what_was_learned(studio.desk)}
    assert {one["name"] for one in get(studio, "/learned")} == known
    assert "river white" not in known
    assert send(studio, "/learned/forget", {"name": "river white"}).status_code == 422


def test_alarms_that_are_muted_and_what_happened_to_them_are_told(studio: Studio) -> None:
    studio.clock.move(timedelta(hours=2))
    studio.read(temp_c=4, hours=1)
    refresh(studio.desk, studio.clock.now())
    send(studio, "/rooms/Shed/alarms/cold/acknowledge", {})
    send(studio, "/rooms/Shed/alarms/damp/mute", {"hours": 8})
    (muted,) = get(studio, "/alarms/muted?room=Shed")
    assert (muted["alarm"], datetime.fromisoformat(muted["muted_until"])) == (
        "damp", studio.clock.now() + timedelta(hours=8),
    )  # fmt: skip
    with studio.store.read() as tx:
        stored = [(one.kind.value, one.happening.value) for one in tx.alarm_events(limit=50)]
    assert [(one["alarm"], one["happening"]) for one in get(studio, "/alarms/history")] == stored
    assert len(get(studio, "/alarms/history?limit=1")) == 1
    assert studio.get("/api/v1/alarms/muted?room=Nowhere").status_code == 404


def test_a_room_is_told_with_its_sensors_and_how_old_their_word_is(studio: Studio) -> None:
    studio.clock.move(timedelta(minutes=90))
    told = get(studio, "/rooms/Shed")
    (sensor,) = told["sensors"]
    assert (sensor["source"], sensor["age_s"], sensor["temp_c"], sensor["is_late"]) == ("window", 5400, 21, False)
    assert {name: told[name] for name in get(studio, "/rooms")[0]} == get(studio, "/rooms")[0]
    assert told["limits"]["cold_mfft_c"] == studio.desk.settings.alarms.cold_mfft_c
    studio.clock.move(timedelta(hours=24))
    assert get(studio, "/rooms/Shed")["sensors"][0]["is_late"] is True
    assert studio.get("/api/v1/rooms/Nowhere").status_code == 404


def test_what_was_logged_lately_carries_what_takes_it_back(studio: Studio) -> None:
    studio.clock.move(timedelta(minutes=1))  # pours of one moment are a series, and go together
    send(studio, "/pours", {"name": "Snipe", "room": "Shed", "wet_thickness_mm": 1})
    newest = get(studio, "/logged")[0]
    assert "Snipe" in newest["text"]
    assert send(studio, "/undo", newest["undo"]).status_code == 200
    assert studio.names() == ["Curlew"]


def test_a_move_and_a_leaving_of_earlier_are_dated_so(studio: Studio) -> None:
    earlier = (NOW - timedelta(hours=2)).isoformat()
    assert send(studio, "/pieces/Curlew/move", {"room": "Loft", "at": earlier}).status_code == 200
    stays = get(studio, "/pieces/Curlew/record")["stays"]
    assert datetime.fromisoformat(stays[-1]["since"]) == NOW - timedelta(hours=2)
    left = (NOW - timedelta(hours=1)).isoformat()
    assert send(studio, "/pieces/Curlew/gone", {"at": left}).status_code == 200
    record = get(studio, "/pieces/Curlew/record")
    assert datetime.fromisoformat(record["gone_at"]) == NOW - timedelta(hours=1)
