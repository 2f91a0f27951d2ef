"""`curewatch estimate` as it is typed: its numbers, its page, and every way to get it wrong."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main

COMMAND = Path(sys.executable).with_name("curewatch")
AIR = ("--temperature", "21C", "--humidity", "50%")
PLAIN = ("estimate", "--wet-thickness", "1.2mm", *AIR)
MILESTONES = ("set", "touch_dry", "handle", "varnish_ready")


def estimated(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main(["estimate", *arguments, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.count("\n") == 1
    found: dict[str, Any] = json.loads(out)
    return found


def test_the_installed_command_prints_one_object() -> None:
    done = subprocess.run([COMMAND, *PLAIN, "--json"], capture_output=True, text=True, timeout=60, check=True)
    found = json.loads(done.stdout)
    assert done.stderr == ""
    assert (found["schema"], found["kind"], found["members"], found["days"]) == (2, "estimate", 64, 120)
    assert tuple(found["milestones"]) == MILESTONES
    for milestone in found["milestones"].values():
        assert set(milestone) == {"early_h", "worth_checking_h", "safe_h", "reason"}
        assert 0 < milestone["early_h"] < milestone["worth_checking_h"] < milestone["safe_h"]
        assert milestone["reason"] is None
    assert found["warnings"] == []
    assert found["inputs"] == {
        "wet_thickness_mm": 1.2, "thickness_source": "gauge", "solids": 0.3, "glycol": 0.03,
        "coalescent": 0.0, "model": "standard", "side_cm": 25.0,
        "air_m_s": 0.1, "back_w_m2k": 5.0, "soaks_up_mm": 0.0, "back_loss_m_s": 0.0, "temp_c": 21.0, "rh_pct": 50.0,
        "room": None, "room_rows": None,
    }  # fmt: skip


def test_odds_of_cracking_say_that_the_air_was_taken_as_steady(capsys: pytest.CaptureFixture[str]) -> None:
    """A room's swings crack more films: the odds of the same pour, logged, are others."""
    assert main([*PLAIN, "--members", "1"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "no promise. The air is taken to stay as it is: in a room, which changes, `pour` may find more." in text


def test_the_other_model_of_the_film_is_there_for_comparing_alone(capsys: pytest.CaptureFixture[str]) -> None:
    """Nobody meets it by accident: no help names it, and where it was asked for the text says so."""
    assert main([*PLAIN, "--members", "1", "--coalescent", "2%", "--model", "front"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "3 % glycol and 2 % coalescent by volume" in text
    assert "By the model with a receding front, which no forecast uses." in text
    assert main([*PLAIN, "--model", "frontal"]) == 2
    assert "--model: got 'frontal', expected standard or front" in capsys.readouterr().err
    assert main(["estimate", "--help"]) == 0
    assert "--model" not in capsys.readouterr().out


MODEL_TABLE = [
    # model section 4, "Expected at 21 °C, 50 %": wet mm, air, packed h, touch-dry h, handle h, varnish-ready d
    ("0.5mm", "still", 5.245, 6.836, 7.433, 8.029),
    ("1.5mm", "still", 15.74, 21.10, 28.06, 35.92),
    ("3mm", "still", 31.48, 44.34, 76.18, 117.3),
    ("1.5mm", "fan", 6.675, 9.302, 17.78, 27.06),
]


@pytest.mark.parametrize(("wet", "air", "packed", "touch", "handle", "ready_d"), MODEL_TABLE)
def test_the_central_film_is_the_models_table(
    capsys: pytest.CaptureFixture[str], wet: str, air: str, packed: float, touch: float, handle: float, ready_d: float
) -> None:
    """Within the 1 % that the table gives itself."""
    found = estimated(capsys, "--wet-thickness", wet, *AIR, "--air", air, "--members", "1")
    times = [found["milestones"][name] for name in MILESTONES]
    assert [t["worth_checking_h"] for t in times] == pytest.approx([packed, touch, handle, 24 * ready_d], rel=0.01)
    assert all(t["early_h"] == t["worth_checking_h"] == t["safe_h"] for t in times)


@pytest.mark.parametrize(
    ("options", "film_c"),
    [
        # model section 2's table, h_back 5, L_p 0.3 m, a_w 1; the pour's glycol lowers a_w by a hundredth: 0.1 K
        (("--temperature", "10C", "--humidity", "50%"), 8.44),
        (("--temperature", "15C", "--humidity", "70%"), 13.81),
        (("--temperature", "21C", "--humidity", "50%"), 18.37),
        (("--temperature", "21C", "--humidity", "50%", "--air", "draughty"), 17.47),
        (("--temperature", "21C", "--humidity", "50%", "--air", "1m/s"), 16.51),
        (("--temperature", "35C", "--humidity", "20%"), 27.64),
    ],
)
def test_the_films_first_minute_is_cooler_than_the_room(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], film_c: float
) -> None:
    found = estimated(
        capsys, "--wet-thickness", "1mm", "--side", "30cm", "--glycol", "0", "--members", "1", "--days", "1", *options
    )
    # the table's own 0.05 K
    assert found["film_temp_c"] == pytest.approx(film_c, abs=0.05)


def test_fahrenheit_inches_and_decimal_commas_mean_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    one = estimated(capsys, "--wet-thickness", "1.27mm", *AIR, "--side", "25.4cm", "--days", "2")
    other = estimated(
        capsys, "--wet-thickness", "50 mil", "--temperature", "69,8 °F", "--humidity", "50", "--side", "10in",
        "--days", "2 days", "--solids", "30%", "--glycol", "3%", "--air", "0,1 m/s", "--back", "5",
    )  # fmt: skip
    assert one["milestones"] == other["milestones"]


@pytest.mark.parametrize(
    ("ways", "mm", "source", "side_cm"),
    [
        (("--poured", "300ml", "--ran-off", "60ml", "--size", "40x50cm"), 1.2, "volume", 40),
        (("--layer", "medium"), 1.2, "layer", 25),
        (("--layer", "medium", "--size", "40x50cm", "--side", "12cm"), 1.2, "layer", 12),
    ],
)
def test_other_ways_to_a_thickness_spread_wider(
    capsys: pytest.CaptureFixture[str], ways: tuple[str, ...], mm: float, source: str, side_cm: float
) -> None:
    gauged = estimated(capsys, "--wet-thickness", f"{mm}mm", "--side", f"{side_cm}cm", *AIR, "--days", "5")
    found = estimated(capsys, *ways, *AIR, "--days", "5")
    inputs = (found["inputs"][key] for key in ("wet_thickness_mm", "thickness_source", "side_cm"))
    assert tuple(inputs) == (mm, source, side_cm)
    one, other = gauged["milestones"]["touch_dry"], found["milestones"]["touch_dry"]
    # a date bends a little with the thickness, so that the middle of a wide spread is not that of a narrow one
    assert other["worth_checking_h"] == pytest.approx(one["worth_checking_h"], rel=0.05)
    assert other["safe_h"] / other["early_h"] > 1.2 * one["safe_h"] / one["early_h"]


@pytest.mark.parametrize(
    ("options", "milestone", "reason"),
    [
        (("--temperature", "4C", "--humidity", "50%"), "handle", "not in this room: too cold"),
        (("--temperature", "4C", "--humidity", "50%"), "varnish_ready", "not in this room: too cold"),
        (("--temperature", "21C", "--humidity", "97%"), "varnish_ready", "not in this room: too damp"),
        (("--temperature", "21C", "--humidity", "50%", "--days", "0.1"), "set", "not within 0.1 days"),
        (("--temperature", "21C", "--humidity", "50%", "--days", "3"), "varnish_ready", "not within 3 days"),
    ],
)
def test_what_is_never_reached_is_null_with_its_reason(
    capsys: pytest.CaptureFixture[str], options: tuple[str, ...], milestone: str, reason: str
) -> None:
    found = estimated(capsys, "--wet-thickness", "1.2mm", "--members", "8", *options)["milestones"][milestone]
    assert [found[p] for p in ("early_h", "worth_checking_h", "safe_h")] == [None] * 3
    assert found["reason"].startswith(reason)


def room_file(folder: Path, rows: list[tuple[str, float, float]], name: str = "loft.csv") -> str:
    path = folder / name
    path.write_text("time_utc,temp_c,rh_pct\n" + "".join(f"{at},{temp},{rh}\n" for at, temp, rh in rows))
    return str(path)


def test_a_room_that_stays_as_it_is_is_that_temperature_and_humidity(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first row is hour zero, and the last is held after the file's end."""
    room = room_file(tmp_path, [("2026-11-02T10:00:00Z", 21, 50), ("2026-11-02T11:00:00Z", 21, 50)])
    from_file = estimated(capsys, "--wet-thickness", "1.2mm", "--room", room, "--members", "1")
    said = estimated(capsys, "--wet-thickness", "1.2mm", *AIR, "--members", "1")
    for name in MILESTONES:  # the two march in other steps, each within 0.2 %
        assert from_file["milestones"][name]["worth_checking_h"] == pytest.approx(
            said["milestones"][name]["worth_checking_h"], rel=4e-3
        )
    assert from_file["film_temp_c"] == said["film_temp_c"]
    assert (from_file["inputs"]["room"], from_file["inputs"]["room_rows"]) == (room, 2)
    assert from_file["inputs"]["temp_c"] is None
    assert [line.split(":")[0] for line in from_file["warnings"]] == ["short"]


def test_the_rooms_changes_count(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days = [("2026-11-02T00:00:00Z", 21, 50), ("2026-11-02T06:00:00Z", 12, 80), ("2026-11-05T00:00:00Z", 12, 80)]
    colder = estimated(capsys, "--wet-thickness", "1.2mm", "--room", room_file(tmp_path, days), "--days", "5")
    steady = estimated(capsys, "--wet-thickness", "1.2mm", *AIR, "--days", "5")
    assert colder["milestones"]["set"]["worth_checking_h"] > 1.5 * steady["milestones"]["set"]["worth_checking_h"]
    assert colder["film_temp_c"] == steady["film_temp_c"]


def test_the_page_fits_80_columns_and_holds_no_escape_codes_when_piped(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*PLAIN]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    assert "\x1b" not in out
    for said in ("set", "touch-dry", "dry to handle", "ready to varnish", "worth checking", "safe to assume", "±20 %"):
        assert said in out
    assert "In its first minute the film is at 18.3 °C." in out
    assert "Liquid left in the film" in out
    assert "100 ┤●" in out


def test_the_page_says_why_and_warns(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    room = room_file(tmp_path, [("2026-11-02T10:00:00Z", 8, 50)], name="[red]loft[bold].csv")
    assert main(["estimate", "--layer", "thin", "--room", room, "--members", "8"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "handle: in 9 of 10 such films never in this air: too cold" in out
    for warning in ("cold: the film comes down to 6.", "rough: a thickness from a word, here 0.6 mm"):
        assert warning in out
    assert "in the air of '[red]loft[bold].csv'" in out


def test_the_central_film_alone_has_one_column(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*PLAIN, "--members", "1"]) == 0
    out = capsys.readouterr().out
    assert "central film" in out
    assert "safe to assume" not in out


WET = "--wet-thickness"
BAD: list[tuple[tuple[str, ...], str, str]] = [
    # what is typed, what is quoted of it, what is said
    ((WET, "9m", *AIR), "9m", "a wet film between 20 µm and 10 mm"),
    ((WET, "1.2", *AIR), "1.2", "which has no unit"),
    ((WET, "", *AIR), "", "type a thickness, for example 1.2 mm"),
    ((WET, "nan", *AIR), "nan", "a wet film"),
    ((WET, "inf mm", *AIR), "inf mm", "a wet film"),
    ((WET, "-1mm", *AIR), "-1mm", "a wet film"),
    ((WET, "1e400mm", *AIR), "1e400mm", "a wet film"),
    ((WET, "1.2mm\x1b[2J", *AIR), "1.2mm\x1b[2J", "whose unit is none of"),
    ((WET, "9" * 100_000 + "mm", *AIR), "9" * 100_000 + "mm", "a wet film"),
    ((WET, "[red]1mm[/red]", *AIR), "[red]1mm[/red]", "a wet film"),
    ((WET, "1.2mm", "--temperature", "-400C", "--humidity", "50%"), "-400C", "between -40 °C and 60 °C"),
    ((WET, "1.2mm", "--temperature", "21", "--humidity", "50%"), "21", "which has no unit"),
    ((WET, "1.2mm", "--temperature", "50%", "--humidity", "21C"), "50%", "whose unit is none of °C, °F, K"),
    ((WET, "21C", "--temperature", "1.2mm", "--humidity", "50%"), "21C", "whose unit is none of µm"),
    ((WET, "1.2mm", "--temperature", "21C", "--humidity", "150%"), "150%", "between 1 % and 100 %"),
    ((WET, "1.2mm", "--temperature", "21C", "--humidity", "0.5"), "0.5", "a fraction or a percentage"),
    ((WET, "1.2mm", "--temperature", "21C", "--humidity", "NaN%"), "NaN%", "a relative humidity"),
    ((WET, "1.2mm", *AIR, "--solids", "30"), "30", "a percentage without its sign"),
    ((WET, "1.2mm", *AIR, "--solids", "0.9"), "0.9", "between 0.05 and 0.7"),
    ((WET, "1.2mm", *AIR, "--glycol", "50%"), "50%", "between 0 and 0.15"),
    ((WET, "1.2mm", *AIR, "--side", "25"), "25", "which has no unit"),
    ((WET, "1.2mm", *AIR, "--side", "9km"), "9km", "whose unit is none of"),
    ((WET, "1.2mm", *AIR, "--air", "gale"), "gale", "still, draughty, fan"),
    ((WET, "1.2mm", *AIR, "--air", "0"), "0", "which has no unit"),
    ((WET, "1.2mm", *AIR, "--back", "wood"), "wood", "canvas, board"),
    ((WET, "1.2mm", *AIR, "--back", "-5"), "-5", "between 0"),
    ((WET, "1.2mm", *AIR, "--members", "0"), "0", "a whole number between 1 and 1024"),
    ((WET, "1.2mm", *AIR, "--members", "1025"), "1025", "a whole number between 1 and 1024"),
    ((WET, "1.2mm", *AIR, "--members", "6.4"), "6.4", "a whole number between 1 and 1024"),
    ((WET, "1.2mm", *AIR, "--members", "٣"), "٣", "a whole number between 1 and 1024"),
    ((WET, "1.2mm", *AIR, "--days", "0"), "0", "above 0 and up to 730"),
    ((WET, "1.2mm", *AIR, "--days", "731"), "731", "above 0 and up to 730"),
    ((WET, "1.2mm", *AIR, "--days", "nan"), "nan", "above 0 and up to 730"),
    ((WET, "1.2mm", "--layer", "thin", *AIR), "thin", "only one way to a thickness"),
    ((WET, "1.2mm", "--poured", "250ml", "--size", "40x50cm", *AIR), "250ml", "only one way to a thickness"),
    (("--layer", "fat", *AIR), "fat", "thin, medium or thick"),
    (("--poured", "250ml", "--ran-off", "300ml", "--size", "40x50cm", *AIR), "300ml", "less than was poured"),
    ((WET, "1.2mm", "--room", "nowhere.csv"), "nowhere.csv", "No such file"),
    ((WET, "1.2mm", "--room", ""), "", "No such file"),
    ((WET, "1.2mm", "--room", "loft.csv", "--temperature", "21C"), "21C", "beside --room"),
    ((WET, "1.2mm", "--room", "loft.csv", "--humidity", "50%"), "50%", "beside --room"),
]
MISSING: list[tuple[tuple[str, ...], str, str]] = [
    ((), "--wet-thickness", "one way to a thickness"),
    (AIR, "--wet-thickness", "one way to a thickness"),
    ((WET, "1.2mm"), "--temperature", "21C"),
    ((WET, "1.2mm", "--temperature", "21C"), "--humidity", "50%"),
    (("--poured", "250ml", *AIR), "--size", "width x height"),
]


@pytest.mark.parametrize(("typed", "quoted_", "says"), BAD)
def test_bad_input_is_quoted_with_what_is_allowed(
    capsys: pytest.CaptureFixture[str], typed: tuple[str, ...], quoted_: str, says: str
) -> None:
    assert main(["estimate", *typed]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("curewatch: --")
    assert repr(quoted_)[1:-1][:50] in err
    assert says in err
    assert err.removesuffix("\n").isprintable(), "one line, nothing that a terminal would obey"
    assert "Traceback" not in err

    assert main(["estimate", *typed, "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    told = json.loads(err)
    assert told["schema"] == 2
    assert told["error"]["given"] == quoted_
    assert told["error"]["field"] in typed
    assert says in told["error"]["message"]


@pytest.mark.parametrize(("typed", "field", "says"), MISSING)
def test_what_is_missing_is_named(
    capsys: pytest.CaptureFixture[str], typed: tuple[str, ...], field: str, says: str
) -> None:
    assert main(["estimate", *typed]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith(f"curewatch: {field}: missing, expected ")
    assert says in err


@pytest.mark.parametrize(
    ("content", "given_"),
    [
        ("", None),
        ("time_utc,temp_c,rh_pct\n", None),
        ("a,b\n1,2\n", "a,b"),
        ("time_utc,temp_c,rh_pct\n2026-11-02T10:00:00Z,21\n", "2026-11-02T10:00:00Z,21"),
        ("time_utc,temp_c,rh_pct\n2026-11-02T10:00:00Z,nan,50\n", "nan"),
        ("time_utc,temp_c,rh_pct\n2026-11-02T10:00:00Z,21,150\n", "150"),
        ("time_utc,temp_c,rh_pct\n2026-11-02T10:00:00Z,21,50\n2026-11-01T10:00:00Z,21,50\n", "2026-11-01T10:00:00Z"),
    ],
)
def test_a_broken_record_is_quoted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str, given_: str | None
) -> None:
    path = tmp_path / "loft.csv"
    path.write_text(content)
    assert main(["estimate", WET, "1.2mm", "--room", str(path), "--json"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    error = json.loads(err)["error"]
    assert (error["field"], error["given"]) == ("--room", given_ or str(path))
