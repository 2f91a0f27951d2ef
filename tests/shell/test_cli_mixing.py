"""`curewatch recipe --part` and `curewatch mix` on a real store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.store import Store

BLEND = ("recipe", "river blend", "--part", "fluid paint=1", "--part", "pouring medium=2", "--part", "water=0.1")


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    return tmp_path


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main([*line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_a_recipe_by_its_parts_is_kept_and_mixed_from(capsys: pytest.CaptureFixture[str], studio: Path) -> None:
    made = printed(capsys, *BLEND)
    assert made["solids"] == pytest.approx((0.35 + 0.60) / 3.1)
    assert made["glycol"] == pytest.approx((0.04 + 0.06) / 3.1)
    with Store.open(studio / "studio.sqlite") as store, store.read() as tx:
        stored, mix = tx.recipe("river blend"), tx.mix_of("river blend")
    assert stored is not None
    assert mix is not None
    assert stored.solids == made["solids"]
    assert [part.amount for part in mix.parts] == [1, 2, 0.1]
    cup = printed(capsys, "mix", "river blend", "--size", "40x50cm", "--pieces", "4", "--wet-thickness", "1.2mm")
    # each portion is told to 0.01 ml, and 0.01 g
    assert sum(p["ml"] for p in cup["portions"]) == pytest.approx(cup["volume_ml"], abs=0.02)
    assert sum(p["g"] for p in cup["portions"]) == pytest.approx(cup["volume_ml"] * cup["density_kg_l"], rel=1e-3)
    assert cup["faces_ml"] == pytest.approx(960)
    assert cup["price"] is None
    assert main(["mix", "river blend", "--round", "30cm", "--wet-thickness", "1.2mm"]) == 0
    assert "fluid paint" in capsys.readouterr().out


def test_told_again_the_new_parts_stand(capsys: pytest.CaptureFixture[str]) -> None:
    printed(capsys, *BLEND)
    printed(capsys, "recipe", "river blend", "--part", "craft paint=1", "--part", "white glue=1", "--by-weight")
    cup = printed(capsys, "mix", "river blend", "--size", "20x20cm", "--wet-thickness", "1mm")
    assert [p["material"] for p in cup["portions"]] == ["craft paint", "white glue"]
    assert cup["portions"][0]["g"] == pytest.approx(cup["portions"][1]["g"], abs=0.02)  # told to 0.01 g each


def test_much_water_is_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    made = printed(capsys, "recipe", "thin wash", "--part", "fluid paint=1", "--part", "water=0.5")
    assert "grows weak" in made["notes"][0]
    assert main(["recipe", "thin wash", "--part", "fluid paint=1", "--part", "water=0.5"]) == 0
    assert "50 % water on the paint" in capsys.readouterr().out


AIR = ("--temperature", "21C", "--humidity", "50%")


def test_a_coalescent_goes_with_its_recipe_all_the_way(
    capsys: pytest.CaptureFixture[str], studio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the bottle to the recipe, the piece's dates, out of the store and into another."""
    parts = ("--part", "fluid paint=1", "--part", "hard-film medium=2", "--part", "retarder=0.3")
    made = printed(capsys, "recipe", "estuary", *parts)
    assert made["coalescent"] == pytest.approx((2 * 0.03 + 0.3 * 0.05) / 3.3)
    assert made["notes"] == []
    much = printed(capsys, "recipe", "estuary", "--part", "hard-film medium=1", "--part", "retarder=0.3")
    assert "may stay soft for months" in much["notes"][0]
    assert main(["recipe", "harbour", "--solids", "30%", "--coalescent", "15%"]) == 0
    assert "30 % solids, 3.0 % glycol, 15.0 % coalescent, by volume" in capsys.readouterr().out
    assert main(["recipe", "harbour", "--solids", "30%", "--coalescent", "20%"]) == 2
    assert "--coalescent: got '20%', expected a fraction between 0 and 0.15" in capsys.readouterr().err
    printed(capsys, "recipe", "plain mix", "--solids", "30%")
    assert main(["reading", "--room", "Shed", *AIR]) == 0
    ready = {}
    for name, recipe in (("Heron", "plain mix"), ("Curlew", "harbour")):
        film = ("--room", "Shed", "--wet-thickness", "0.2mm", "--recipe", recipe)
        assert main(["pour", name, *film]) == 0
        capsys.readouterr()
        piece = printed(capsys, "piece", name)
        assert piece["coalescent"] == (0.15 if recipe == "harbour" else 0.0)
        ready[name] = piece["milestones"]["varnish_ready"]["worth_checking_at"]
    assert ready["Heron"] is not None
    assert ready["Curlew"] is None, "not within the days looked at"
    exported = studio / "export.json"
    assert main(["export"]) == 0
    exported.write_text(capsys.readouterr().out)
    monkeypatch.setenv("CUREWATCH_STORE", str(studio / "other.sqlite"))
    assert main(["import", str(exported)]) == 0
    capsys.readouterr()
    assert printed(capsys, "piece", "Curlew")["coalescent"] == 0.15


def test_own_materials_lie_beside_the_settings(capsys: pytest.CaptureFixture[str], studio: Path) -> None:
    own = '["mica tint"]\nkind = "paint"\nsolids = 0.45\ndensity = 1.4\nprice = 60.0\n'
    (studio / "materials.toml").write_text(own)
    made = printed(capsys, "recipe", "tide", "--part", "mica tint=1", "--part", "water=0.2")
    assert made["solids"] == pytest.approx(0.45 / 1.2)
    cup = printed(
        capsys, "mix", "tide", "--size", "20x20cm", "--wet-thickness", "1mm", "--edge", "0mm", "--run-off", "0%"
    )
    assert cup["price"] == pytest.approx(0.04 / 1.2 * 60, abs=0.005)  # told to the cent
    (studio / "materials.toml").write_text(own.replace("0.45", "4.5"))
    assert main([*BLEND]) == 2
    assert "4.5" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("recipe", "x", "--part", "fluid pain=1"), "'fluid paint'"),
        (("recipe", "x", "--part", "fluid paint"), "MATERIAL=PARTS"),
        (("recipe", "x", "--part", "fluid paint=0"), "'0'"),
        (("recipe", "x", "--part", "fluid paint=1", "--part", "fluid paint=2"), "each material once"),
        (("recipe", "x", "--part", "water=1"), "more than water"),
        (("recipe", "x", "--part", "fluid paint=1", "--part", "water=9"), "3.5 % solids"),
        (("recipe", "x", "--part", "fluid paint=1", "--solids", "0.3"), "--solids"),
        (("recipe", "x"), "--solids"),
        (("recipe", "x", "--solids", "0.3", "--by-weight"), "--by-weight"),
        (("mix", "y", "--size", "40x50cm", "--wet-thickness", "1.2mm"), "parts are told"),
        (("mix", "y", "--wet-thickness", "1.2mm"), "--size"),
        (("mix", "y", "--size", "40x50cm", "--round", "3cm", "--wet-thickness", "1.2mm"), "--size"),
        (("mix", "y", "--size", "40x50cm", "--wet-thickness", "1.2mm", "--pieces", "0"), "'0'"),
        (("mix", "y", "--size", "40x50cm", "--wet-thickness", "1.2mm", "--run-off", "99%"), "'99%'"),
    ],
)
def test_bad_lines_are_refused(capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str) -> None:
    assert main(list(line)) == 2
    assert says in capsys.readouterr().err
