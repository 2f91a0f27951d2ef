"""`curewatch import-readings` and `export`: what goes in comes out, and goes in again."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main


@pytest.fixture(autouse=True)
def studio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("CUREWATCH_STORE", str(tmp_path / "studio.sqlite"))
    (tmp_path / "studio.toml").write_text('zone = "Europe/Lisbon"\n[forecast]\nmembers = 4\n')
    monkeypatch.setenv("CUREWATCH_CONFIG", str(tmp_path / "studio.toml"))
    return tmp_path


def printed(capsys: pytest.CaptureFixture[str], *line: str) -> dict[str, Any]:
    assert main(list(line)) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


def exported(capsys: pytest.CaptureFixture[str], room: str) -> str:
    assert main(["export", "--readings-of", room]) == 0
    return capsys.readouterr().out


def test_a_rooms_readings_go_out_and_in_again_unchanged(
    studio: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With gaps, halves of pairs, typed readings and odd digits; the second store ends up with the first one's rows."""
    chance = random.Random(7)
    rows = ["Time;Temp F;RH"]
    for minute in range(0, 40 * 24 * 60, 35):
        if 9_000 < minute < 14_000:
            continue
        day, rest = divmod(minute, 1440)
        temp = "" if chance.random() < 0.1 else f"{chance.uniform(40, 90):.3f}".replace(".", ",")
        rh = "" if chance.random() < 0.1 else f"{chance.uniform(20, 95):.2f}".replace(".", ",")
        rows.append(f"2026-{8 + day // 30:02}-{1 + day % 30:02} {rest // 60:02}:{rest % 60:02};{temp};{rh}")
    (studio / "logger.csv").write_text("\n".join(rows))
    line = ("import-readings", str(studio / "logger.csv"), "--room", "Shed", "--time", "Time", "--temperature",
            "Temp F", "--humidity", "RH", "--unit", "F", "--json")  # fmt: skip
    first = printed(capsys, *line)
    assert first["new"] == first["rows"] > 1000
    assert first["empty"] > 0
    assert printed(capsys, *line)["new"] == 0  # what is stored already stays
    assert main(["reading", "--room", "Shed", "--temperature", "19.7C", "--humidity", "52.5%"]) == 0
    capsys.readouterr()
    out = exported(capsys, "Shed")
    assert len(out.splitlines()) == first["new"] + 2

    monkeypatch.setenv("CUREWATCH_STORE", str(studio / "second.sqlite"))
    (studio / "out.csv").write_text(out)
    again = printed(capsys, "import-readings", str(studio / "out.csv"), "--room", "Shed", "--json")
    assert again["new"] == first["new"] + 1
    assert exported(capsys, "Shed") == out


def test_a_sensor_whose_name_is_a_formula_runs_in_no_spreadsheet(
    studio: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """OWASP, CSV Injection; and it comes back as it was."""
    (studio / "odd.csv").write_text("time_utc,temp_c,rh_pct,source\n2026-08-01T10:00:00Z,20,50,=1+1\n")
    line = ("import-readings", str(studio / "odd.csv"), "--room", "Shed", "--json")
    assert printed(capsys, *line)["new"] == 1
    out = exported(capsys, "Shed")
    assert out.splitlines()[1].endswith(",'=1+1")
    (studio / "odd.csv").write_text(out)
    assert printed(capsys, *line)["new"] == 0


def test_times_are_the_studios_own_unless_said_otherwise(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (studio / "a.csv").write_text("time,t,h\n2026-07-01 12:00,20,50\n")
    line = (
        "import-readings",
        str(studio / "a.csv"),
        "--time",
        "time",
        "--temperature",
        "t",
        "--humidity",
        "h",
        "--json",
    )
    assert printed(capsys, *line, "--room", "Shed")["first_at"] == "2026-07-01T12:00:00+01:00"
    assert printed(capsys, *line, "--room", "Loft", "--zone", "UTC")["first_at"] == "2026-07-01T13:00:00+01:00"
    assert "2026-07-01T11:00:00+00:00,20.0,50.0,logger" in exported(capsys, "Shed")


def test_readings_of_the_future_are_left_out_and_said(studio: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (studio / "a.csv").write_text("time_utc,temp_c,rh_pct\n2026-07-01,20,50\n2198-07-01,20,50\n")
    found = printed(capsys, "import-readings", str(studio / "a.csv"), "--room", "Shed", "--json")
    assert (found["new"], found["in_the_future"]) == (1, 1)
    assert main(["import-readings", str(studio / "a.csv"), "--room", "Shed"]) == 0
    said = capsys.readouterr().out
    assert "Shed: 0 new readings, 1 Jul 2026 to 1 Jul 2026; 1 were stored already." in said
    assert "in the future, left out: 1" in said


def test_everything_is_in_the_export(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["reading", "--room", "Shed", "--temperature", "20C", "--humidity", "50%", "--at", "2 h ago"]) == 0
    assert main(["recipe", "tide", "--part", "fluid paint=1", "--part", "water=0.2"]) == 0
    assert main(["pour", "Heron", "--room", "Shed", "--layer", "thin", "--recipe", "tide", "--at", "1 h ago"]) == 0
    assert main(["done", "Heron", "level", "--at", "50 min ago"]) == 0
    capsys.readouterr()
    found = printed(capsys, "export")
    assert (found["schema"], found["kind"]) == (1, "export")
    assert [one["name"] for one in found["pieces"]] == ["Heron"]
    assert found["pours"][0]["recipe"] == found["mixes"][0]["recipe"] == "tide"
    assert found["steps"][0]["step"] == "level"
    assert found["readings"]["Shed"][0]["temp_c"] == 20.0
    assert set(found) == {"schema", "kind", "rooms", "recipes", "mixes", "pieces", "stays", "pours", "tilts", "paints",
                          "steps", "observations", "forgettings", "sensor_trusts", "damages", "alarms",
                          "alarm_events", "notices", "readings", "photos", "photo_files", "corrections", "changes",
                          "promises", "means_until"}  # fmt: skip


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (("import-readings", "none.csv", "--room", "Shed"), "none.csv"),
        (("import-readings", "/dev/null", "--room", "Shed"), "time_utc"),
        (("import-readings", "/dev/null", "--room", "Shed", "--unit", "R"), "'R'"),
        (("import-readings", "/dev/null", "--room", "Shed", "--zone", "Mars/Base"), "Mars/Base"),
        (("import-readings", "/dev/null", "--room", "Shed", "--temperature", "", "--humidity", ""), "--humidity"),
        (("import-readings", "/dev/null", "--room", "Shed", "--source", ""), "--source"),
        (("export", "--readings-of", "Attic"), "Attic"),
        (("export", "--readings-of", "Attic", "--json"), "--json"),
    ],
)
def test_bad_lines_are_refused(capsys: pytest.CaptureFixture[str], line: tuple[str, ...], says: str) -> None:
    assert main(list(line)) == 2
    assert says in capsys.readouterr().err
