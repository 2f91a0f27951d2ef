"""`curewatch trial outlook` as it is typed."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from curewatch.cli import main
from tests.core.test_outlook import room


def written(path: Path, days: int) -> str:
    """A record of a room, an hour a row."""
    record = room(days)
    rows = [
        f"{datetime.fromtimestamp(3600.0 * i, UTC):%Y-%m-%dT%H:%M:%SZ},{t:.2f},{h:.2f}"
        for i, (t, h) in enumerate(zip(record.temp_c, record.rh_pct, strict=True))
    ]
    path.write_text("\n".join(["time_utc,temp_c,rh_pct", *rows]) + "\n", encoding="utf-8")
    return str(path)


def test_it_prints_a_table_for_each_quantity(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "outlook", written(tmp_path / "loft.csv", 18)]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.count("\nloft ") == 10
    assert "By room: loft " in out
    assert "of persistence" in out
    assert "lay in the 10-90 % band" in out


def test_as_json_it_is_one_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [written(tmp_path / f"{name}.csv", 18) for name in ("loft", "shed")]
    assert main(["trial", "outlook", *files, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["schema"], found["kind"], len(found["scores"])) == (2, "trial_outlook", 20)
    assert {"room", "quantity", "hours_ahead", "pairs", "mae", "baselines", "coverage", "ratio_to_best"} == set(
        found["scores"][0]
    )
    assert set(found["summary"]) == {
        "ratio_to_best", "worst_ratio_to_best", "ratio_by_room", "ratio_to_each", "coverage",
    }  # fmt: skip
    assert set(found["summary"]["ratio_by_room"]) == {"loft", "shed"}


def test_without_files_it_is_tried_in_simulated_rooms_of_every_kind(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "outlook", "--every", "50"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for kind in ("heated", "unheated", "damp hall", "sunny"):
        assert f"\n{kind} 101 " in out
    assert "Of the means of days three to seven " in out


def test_by_its_old_name_it_does_the_same_with_a_word_of_warning(capsys: pytest.CaptureFixture[str]) -> None:
    for name, warned in (("trial", ""), ("backtest", "curewatch: `backtest` is called `trial` now; ")):
        assert main([name, "outlook", "--every", "nothing"]) == 2
        assert capsys.readouterr().err.partition("the old name")[0].startswith(warned or "curewatch: --every")


def test_every_so_many_moments_there_are_fewer_pairs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, pairs = written(tmp_path / "loft.csv", 19), []
    for every in ("1", "5"):
        assert main(["trial", "outlook", file, "--every", every, "--json"]) == 0
        pairs.append(json.loads(capsys.readouterr().out)["scores"][0]["pairs"])
    assert pairs[0] > 3 * pairs[1] > 0


@pytest.mark.parametrize("wrong", ["0", "51", "-3", "1.5", "often", "9" * 9])
def test_every_names_what_it_takes(wrong: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "outlook", written(tmp_path / "loft.csv", 18), "--every", wrong]) == 2
    assert f"--every: got '{wrong}', expected a whole number from 1 to 50" in capsys.readouterr().err


def test_a_short_record_is_refused_with_its_length(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "outlook", written(tmp_path / "loft.csv", 10)]) == 2
    assert "18 days" in capsys.readouterr().err
