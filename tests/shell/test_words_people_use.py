"""The words people use for a moment, an amount and a finding: the same ones on command line, page and API."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.desk.mixing import put_recipe
from curewatch.records.facts import Observation
from curewatch.records.workshop import Part, RecipeMix
from tests.refreshing import refresh
from tests.shell.web_parts import NOW, Studio, get, served, words_of

BLEND = RecipeMix(
    recipe="river blend", parts=(Part(material="fluid paint", amount=1), Part(material="pouring medium", amount=2))
)


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        studio.read(hours=30)
        studio.pour(hours_ago=26)
        put_recipe(studio.desk, BLEND, NOW)
        yield studio


def found(studio: Studio) -> list[Observation]:
    with studio.store.read() as tx:
        return tx.observations()


def sent(studio: Studio, path: str, values: object) -> Any:
    answer = studio.browser.post(f"{studio.url}/api/v1{path}", json=values, timeout=60)
    assert answer.status_code == 201, answer.text
    return answer.json()


def test_a_finding_a_moment_and_a_weight_are_said_alike_on_the_page_and_in_the_api(studio: Studio) -> None:
    studio.post("/piece/Curlew/found", {"what": "sticky", "when": "typed", "when_typed": "19 nov, 11:00"},
                on="/piece/Curlew")  # fmt: skip
    sent(studio, "/pieces/Curlew/observations", {"kind": "finger", "finger": "sticky", "at": "thursday 12:00"})
    studio.post("/piece/Curlew/found", {"what": "weighing", "grams": "1.2kg", "when": "now"}, on="/piece/Curlew")
    sent(studio, "/pieces/Curlew/observations", {"kind": "weighing", "grams": "1.2kg", "at": "1 h ago"})
    sent(studio, "/pieces/Curlew/observations", {"kind": "surface", "surface_c": "64 °F"})
    one, two, later, weighed, surface = sorted(found(studio), key=lambda one: (one.at, one.id))
    assert (one.finger, one.at) == ("tacky", datetime(2026, 11, 19, 11, tzinfo=UTC))
    assert (two.finger, two.at) == ("tacky", datetime(2026, 11, 19, 12, tzinfo=UTC))
    assert {(each.grams, each.resolution_g) for each in (later, weighed)} == {(1200.0, 100.0)}
    assert later.at == NOW - timedelta(hours=1)
    assert surface.surface_c == pytest.approx(160 / 9)


def test_the_page_has_plain_words_for_the_films_of_a_curve_and_for_the_recipe_nobody_named(studio: Studio) -> None:
    refresh(studio.desk, NOW)
    said = words_of(studio.page("/piece/Curlew"))
    assert "where 10 to 90 % of films like this lie" in said
    assert "members" not in said
    assert "Leave it empty for house mix , an ordinary mix." in words_of(studio.page("/pour"))


def test_a_reading_and_a_pour_in_other_units(studio: Studio) -> None:
    sent(studio, "/readings", {"room": "Shed", "temp_c": "66F", "rh_pct": "51 %", "at": "yesterday 18:30"})
    newest = get(studio, "/rooms/Shed/readings?since=2026-11-19T18:00:00Z")
    assert [(one["temp_c"], one["rh_pct"]) for one in newest if one["source"] == "typed"] == [
        (pytest.approx(170 / 9), 51)
    ]
    pour = {"name": "Eel", "room": "Shed", "wet_thickness_mm": "1/16 in", "width_cm": "12 1/2 in", "height_cm": 40}
    sent(studio, "/pours", pour | {"air_m_s": "fan", "tilt_deg": "3mm/m"})
    eel = get(studio, "/pieces/Eel")
    assert (eel["wet_thickness_mm"], eel["width_cm"], eel["air_m_s"]) == (pytest.approx(1.5875), 31.75, 1.0)
    refused = studio.browser.post(f"{studio.url}/api/v1/pours", json=pour | {"name": "Ide", "width_cm": "9 cubits"})
    assert refused.status_code == 422
    assert "width_cm: Value error, whose unit is none of" in refused.json()["detail"]
    refused = studio.browser.post(f"{studio.url}/api/v1/pours", json=pour | {"name": "Ide", "at": "friday noonish"})
    assert (refused.status_code, refused.json()["given"]) == (422, "friday noonish")


def test_paint_by_the_scale_is_a_thickness_where_the_recipe_is_known(studio: Studio) -> None:
    """240 g of it over 30 x 40 cm, of which 24 ml ran off, by the density that the parts come out at."""
    density = get(studio, "/recipes/river%20blend")["density_kg_l"]
    thick_mm = (240 / density - 24) * 1e-6 / (0.3 * 0.4) * 1e3
    size = {"room": "Shed", "width_cm": 30, "height_cm": 40, "ran_off_ml": 24}
    sent(studio, "/pours", size | {"name": "Eel", "poured_g": 240, "recipe": "river blend"})
    form = {"name": "Ide", "count": "2", "when": "now", "room": "Shed", "thickness": "mass", "paint": "480",
            "ran_off": "24", "size": "30x40cm", "recipe": "“river blend”"}  # fmt: skip
    answer = studio.post("/pour", form)
    assert "Logged: Ide 1, Ide 2." in words_of(answer.text)
    for name in ("Eel", "Ide 1", "Ide 2"):
        piece = get(studio, f"/pieces/{name}")
        assert (piece["wet_thickness_mm"], piece["thickness_source"]) == (pytest.approx(thick_mm, rel=1e-3), "volume")
        assert piece["recipe"] == "river blend", "quotation marks are no part of a recipe's name"
    with studio.store.read() as tx:
        assert [(one.poured_g, one.poured_m3) for one in tx.paints()] == [(240, None)] * 3
    refused = studio.post("/pour", form | {"name": "Rudd", "recipe": "never told"})
    assert "a recipe whose parts are told" in words_of(refused.text)


def test_the_command_line_speaks_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))

    def told(*line: str) -> Any:
        assert main([*line, "--json"]) == 0, capsys.readouterr().err
        return json.loads(capsys.readouterr().out)

    told("recipe", "river blend", "--part", "fluid paint=1", "--part", "pouring medium=2")
    paint = ("--paint", "240g", "--recipe", '"river blend"', "--size", "12 1/2 x 16 in")
    poured = told("pour", "Eel", "--room", "Shed", *paint, "--at", "yesterday 9:00")
    cup = told("mix", '"river blend"', "--size", "12 1/2 x 16 in", "--wet-thickness", "1mm", "--run-off", "0%",
               "--edge", "0mm")  # fmt: skip
    assert poured["wet_thickness_mm"] == pytest.approx(240 / cup["density_kg_l"] / (0.3175 * 0.4064) * 1e-3, rel=1e-3)
    told("pour", "Ide", "--room", "Shed", "--layer", "thin")
    house = told("mix", "house mix", "--size", "30x40cm", "--wet-thickness", "1mm", "--run-off", "0%", "--edge", "0mm")
    assert (house["volume_ml"], house["portions"], house["density_kg_l"]) == (120, [], None)
    assert main(["mix", "house mix", "--size", "30x40cm", "--wet-thickness", "1mm", "--run-off", "0%"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "house mix: mix 134 ml for 1 piece" in said, "with 14 ml on its sides"
    assert "its parts were never told, so how much of each is not known" in said
    assert main(["pour", "Rudd", "--room", "Shed", "--paint", "240g", "--size", "30x40cm"]) == 2
    assert "--recipe: got 'house mix', expected a recipe whose parts are told" in capsys.readouterr().err
