"""Pours onto other things than canvas, round ones, tilted ones, and what of them ran off."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.store import Store

POUR = ("--room", "Shed", "--wet-thickness", "1.5mm", "--size", "30x40cm", "--recipe", "river blend", "--at", "1 h ago")


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 3\ndays = 10\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    for hours in (30, 1):
        reading = ["reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", f"{hours} h ago"]
        assert main(reading) == 0
    assert main(["recipe", "river blend", "--part", "fluid paint=1", "--part", "pouring medium=2"]) == 0
    capsys.readouterr()
    return tmp_path


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main([*line, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def test_what_soaks_up_water_sets_first_and_each_surface_says_what_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    packed = {}
    for support in ("panel", "canvas", "raw-panel"):
        made = printed(capsys, "pour", f"On {support}", *POUR, "--support", support)
        assert made["back"] == support
        packed[support] = made["milestones"]["set"]["worth_checking_at"]
    assert packed["raw-panel"] < packed["canvas"] < packed["panel"]
    for support in ("cradled panel", "canvas panel", "hardboard", "paper"):
        made = printed(capsys, "pour", f"On {support}", *POUR, "--support", support)
        assert made["back"] == support.replace(" ", "-")
        packed[support] = made["milestones"]["set"]["worth_checking_at"]
    assert packed["paper"] < packed["hardboard"] < packed["canvas panel"] < packed["panel"] < packed["cradled panel"]
    assert main(["piece", "On hardboard"]) == 0
    assert "Surface   unsealed hardboard, which soaks up water slowly" in capsys.readouterr().out
    assert main(["piece", "On raw-panel"]) == 0
    assert "Surface   raw panel, which soaks up water" in capsys.readouterr().out


def test_an_estimate_knows_them_too_and_stays_sealed_by_its_back_alone(capsys: pytest.CaptureFixture[str]) -> None:
    line = ("estimate", "--wet-thickness", "1.5mm", "--temperature", "21C", "--humidity", "50%", "--members", "1")
    plain, panel, raw = (
        printed(capsys, *line, *more) for more in ((), ("--support", "panel"), ("--support", "raw-panel"))
    )
    assert plain["milestones"] == panel["milestones"]  # sealed, and as clear of the table as the model's canvas
    assert raw["inputs"]["soaks_up_mm"] == pytest.approx(0.3)
    assert raw["milestones"]["set"]["worth_checking_h"] < 0.9 * plain["milestones"]["set"]["worth_checking_h"]
    assert main([*line, "--support", "panel", "--back", "5"]) == 2
    assert "--support" in capsys.readouterr().err


def test_a_round_piece_takes_its_disc_of_paint(capsys: pytest.CaptureFixture[str]) -> None:
    made = printed(
        capsys, "pour", "Moon", "--room", "Shed", "--poured", "150ml", "--size", "round 40cm", "--at", "1 h ago"
    )
    assert made["wet_thickness_mm"] == pytest.approx(150e-6 / (3.14159265 * 0.04) * 1e3)
    assert made["round"] is True
    by_size = printed(capsys, "mix", "river blend", "--size", "round 40cm", "--wet-thickness", "1.2mm")
    by_round = printed(capsys, "mix", "river blend", "--round", "40cm", "--wet-thickness", "1.2mm")
    assert by_size == by_round


def test_a_tilt_told_with_the_pour_or_later_lets_why_tell(capsys: pytest.CaptureFixture[str]) -> None:
    printed(capsys, "pour", "Steep", *POUR, "--tilt", "2deg")
    printed(capsys, "pour", "Even", *POUR)
    assert main(["level", "Even", "--tilt", "0.1mm/m", "--at", "30 min ago"]) == 0
    assert "Level enough" in capsys.readouterr().out

    def not_level(name: str) -> dict[str, Any]:
        found = printed(capsys, "why", name, "drifted")["findings"]
        return next(one for one in found if "not level" in one["mechanism"])

    assert not_level("Steep")["verdict"] == "likely"
    assert not_level("Even")["verdict"] == "unlikely"
    shimmed = printed(capsys, "level", "Steep", "--tilt", "0deg", "--at", "50 min ago")
    assert shimmed["drift_mm"] > 0
    assert [one["tilt_deg"] for one in printed(capsys, "record", "Steep")["tilts"]] == [2.0, 0.0]


def test_a_mix_and_a_limit_that_are_said_count_for_a_piece_too(capsys: pytest.CaptureFixture[str]) -> None:
    printed(capsys, "pour", "Reed", *POUR)
    line = ("level", "Reed", "--tilt", "3mm/m", "--at", "30 min ago")
    usual = printed(capsys, *line)
    assert usual["tilt_for_limit_deg"] == usual["tilt_for_5mm_deg"]
    thick = printed(capsys, *line, "--viscosity", "2Pa·s", "--limit", "1cm")
    # where a mix flows at all its speed is inverse to its viscosity: half as far, as the usual one has it for 2 cm
    assert thick["drift_mm"] == pytest.approx(usual["drift_mm"] / 2, rel=1e-6)
    assert thick["limit_mm"] == 10
    as_far = printed(capsys, *line, "--limit", "2cm")["tilt_for_limit_deg"]
    # both are halved to the last bit, and told to seven digits
    assert thick["tilt_for_limit_deg"] == pytest.approx(as_far, rel=1e-6)
    assert as_far > usual["tilt_for_limit_deg"]
    assert main([*line, "--limit", "1cm"]) == 0
    assert "10 mm takes" in capsys.readouterr().out


def test_what_ran_off_is_learned_from_scale_and_cup_and_carried_to_the_next_mix(
    capsys: pytest.CaptureFixture[str], studio: Path
) -> None:
    asked = ("mix", "river blend", "--size", "30x40cm", "--wet-thickness", "1.2mm")
    first = printed(capsys, *asked)
    assert (first["run_off"]["share"], first["run_off"]["source"]) == (0.25, "assumed")
    printed(capsys, "pour", "One", *POUR, "--paint", "300g")
    assert main(["weigh", "One", "400g", "--at", "70 min ago"]) == 0
    assert main(["weigh", "One", "580g", "--at", "59 min ago"]) == 0
    capsys.readouterr()
    told = printed(capsys, *asked)["run_off"]
    assert (told["source"], told["pours"], told["of_this_size"]) == ("pours", 1, True)
    assert 0.25 < told["share"] < 0.4  # 120 g of 300 g ran off; one pour moves the belief most of the way
    poured = (
        "--poured",
        "240ml",
        "--ran-off",
        "96ml",
        "--size",
        "30x40cm",
        "--recipe",
        "river blend",
        "--room",
        "Shed",
    )
    printed(capsys, "pour", "Two", *poured, "--at", "1 h ago")
    again = printed(capsys, *asked)
    assert again["run_off"]["pours"] == 2
    assert again["run_off"]["high"] - again["run_off"]["low"] < told["high"] - told["low"]
    # both are rounded, to 0.01 ml and to four digits
    assert again["runs_off_ml"] / again["volume_ml"] == pytest.approx(
        again["run_off"]["share"], abs=1e-3
    )  # three digits
    capsys.readouterr()
    assert main(list(asked)) == 0
    assert "learned from 2 pours of this recipe onto about this size" in " ".join(capsys.readouterr().out.split())
    said = printed(capsys, *asked, "--run-off", "10%")["run_off"]
    assert (said["share"], said["source"], said["low"], said["text"]) == (0.1, "said", None, None)


def test_a_series_shares_the_cup(capsys: pytest.CaptureFixture[str], studio: Path) -> None:
    printed(capsys, "pour", "Reed", *POUR, "--paint", "900g", "--times", "3")
    with Store.open(studio / "studio.sqlite") as store, store.read() as tx:
        assert [paint.poured_g for paint in tx.paints()] == [300.0] * 3


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("pour", "X", *POUR, "--support", "velvet"), "velvet"),
        (("pour", "X", *POUR, "--tilt", "50deg"), "50deg"),
        (("pour", "X", *POUR, "--paint", "300ml"), "300ml"),
        (("pour", "X", *POUR[:-4], "--size", "round"), "round"),
        (("level", "Nobody", "--tilt", "1deg"), "Nobody"),
        (("level", "Nobody", "--tilt", "1deg", "--layer", "thin"), "--layer"),
        (("level", "Nobody", "--tilt", "1deg", "--ran-off", "20ml"), "--ran-off"),
        (("level", "Nobody", "--tilt", "1deg", "--side", "20cm"), "--side"),
        (("level", "Nobody", "--tilt", "1deg", "--air", "still"), "--air: got 'still', beside 'Nobody'"),
        (("level", "Nobody", "--tilt", "1deg", "--solids", "0.30"), "--solids"),
        (("level", "Nobody", "--tilt", "1deg", "--glycol", "0.05"), "--glycol"),
        (("level", "Nobody", "--tilt", "1deg", "--limit", "5"), "--limit"),
        (("level", "Nobody", "--tilt", "1deg", "--viscosity", "thick"), "--viscosity"),
        (("level", "--tilt", "1deg", "--at", "1 h ago", "--layer", "thin"), "--at"),
    ],
)
def test_bad_lines_are_refused(capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str) -> None:
    assert main(list(line)) == 2
    err = capsys.readouterr().err
    assert says in err
    assert "Traceback" not in err
