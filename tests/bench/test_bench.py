"""The harness of the benchmarks, run for real over a folder of small modules."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.bench.bench_model import unsure

HARNESS = Path(__file__).with_name("__main__.py")
GOOD = 'def lines():\n    yield dict(name="{0}", value=2.0, unit="s", baseline=8.0, ratio=4)\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(HARNESS, tmp_path)
    (tmp_path / "bench_air.py").write_text(GOOD.format("air"))
    (tmp_path / "bench_film.py").write_text(GOOD.format("film") + GOOD.format("film").split("\n", 1)[1])
    (tmp_path / "bench_month.py").write_text("LONG = True\n" + GOOD.format("month"))
    return tmp_path


def run(folder: Path, *arguments: str) -> tuple[int, list[dict[str, object]], str]:
    done = subprocess.run([sys.executable, folder, *arguments], capture_output=True, text=True, timeout=60)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr


def test_short_ones_run_and_every_line_is_one_json_object(folder: Path) -> None:
    code, lines, stderr = run(folder)
    assert code == 0
    assert [line["name"] for line in lines] == ["air", "film", "film"]
    assert lines[0] == {"name": "air", "value": 2.0, "unit": "s", "baseline": 8.0, "ratio": 4}
    assert "month takes long" in stderr


def test_every_line_of_an_ordinary_pour_can_be_printed() -> None:
    """Odds in words are text in it, not a sentence that is still to be read."""
    lines = list(unsure())
    assert json.loads(json.dumps(lines)) == lines
    assert any("such films crack" in str(line.get("cracks")) for line in lines)


@pytest.mark.parametrize("arguments", [("--all", "month"), ("month",), ("bench_month",), ("bench_month.py",)])
def test_a_name_chooses_a_module_even_a_long_one(folder: Path, arguments: tuple[str, ...]) -> None:
    code, lines, _ = run(folder, *arguments)
    assert (code, [line["name"] for line in lines]) == (0, ["month"])


def test_all_runs_the_long_ones_too(folder: Path) -> None:
    code, lines, _ = run(folder, "--all")
    assert (code, lines[-1]["name"]) == (0, "month")


def test_an_unknown_name_is_bad_input_and_says_what_there_is(folder: Path) -> None:
    code, lines, stderr = run(folder, "flim")
    assert (code, lines) == (2, [])
    assert "'flim'" in stderr
    assert "air, film, month" in stderr


@pytest.mark.parametrize(
    ("source", "says"),
    [
        ("import nothing_of_that_name\n", "ModuleNotFoundError"),
        ("def lines():\n    raise RuntimeError('the fan fell off')\n    yield\n", "the fan fell off"),
        (GOOD.format("nan").replace("2.0", "float('nan')"), "'value' must be a finite number, got nan"),
        (GOOD.format("bare").replace(", ratio=4", ""), "needs 'ratio'"),
        (GOOD.format("bare").replace('"s"', "None"), "text 'unit'"),
    ],
)
def test_a_broken_one_fails_the_run_and_the_others_go_on(folder: Path, source: str, says: str) -> None:
    (folder / "bench_broken.py").write_text(source)
    code, lines, _ = run(folder)
    assert code == 1
    (error,) = (line for line in lines if "error" in line)
    assert error["name"] == "broken"
    assert says in str(error["error"])
    assert [line["name"] for line in lines if "error" not in line] == ["air", "film", "film"]


def test_a_measurement_without_a_baseline_says_null(folder: Path) -> None:
    source = GOOD.format("bare").replace("8.0", "None").replace("ratio=4", "ratio=None")
    (folder / "bench_bare.py").write_text(source)
    code, lines, _ = run(folder, "bare")
    assert (code, lines[0]["baseline"], lines[0]["ratio"]) == (0, None, None)


def test_most_is_the_size_of_what_a_module_draws(folder: Path) -> None:
    drawing = 'def lines(most=7):\n    yield dict(name="draws", value=most, unit="1", baseline=None, ratio=None)\n'
    (folder / "bench_draws.py").write_text(drawing)
    assert [line["value"] for line in run(folder, "draws")[1]] == [7]
    code, lines, _ = run(folder, "--most", "3", "draws", "air")
    assert (code, [line["value"] for line in lines]) == (0, [3, 2.0])
