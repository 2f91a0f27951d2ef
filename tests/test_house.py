"""The house stands as DEVELOPERS.md draws it: who may import whom, how long a file may be, what lies on top.

The rules are read out of the document, so it cannot say one thing and the code do another. The second half
lets the checker loose on small trees that break each rule.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.house import LONGEST_FILE, PURE_ROOMS, House, read_house, violations

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "curewatch", "config", "tests", "deploy"}


@pytest.fixture(scope="module")
def house() -> House:
    return read_house((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def test_the_code_stands_as_the_table_says(house: House) -> None:
    assert violations(ROOT, house) == []


def test_every_row_of_the_table_is_built(house: House) -> None:
    inside = ROOT / "curewatch"
    absent = {
        room
        for room in house.may_import
        if not (inside / f"{room}.py").exists() and not any((inside / room).glob("*.py"))
    }
    assert absent == set()


def test_the_pure_rooms_and_every_only_in_are_rooms_of_the_table(house: House) -> None:
    named = {room for where in house.only_in.values() for room in where}
    assert {*PURE_ROOMS, *named} <= set(house.may_import)


def test_a_file_allowed_to_be_long_is_there_is_long_and_says_why(house: House) -> None:
    for name, reason in house.may_be_long.items():
        assert reason, f"{name} needs a reason"
        assert len((ROOT / name).read_text(encoding="utf-8").splitlines()) > LONGEST_FILE, name


def test_nothing_else_lies_at_the_top() -> None:
    """As git would commit it; a clone may belong to someone else than the root who checks it."""
    git = ["git", "-C", str(ROOT), "-c", f"safe.directory={ROOT}"]
    listed = subprocess.check_output([*git, "ls-files", "-coz", "--exclude-standard"], text=True)
    top = {name.split("/")[0] for name in listed.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} - TOP_LEVEL == set()


# Does the checker catch anything? Each tree below breaks one rule.

BROKEN = [
    (
        "studio/forecasting/forecast.py",
        "from curewatch.store import Store",
        "curewatch.store.Store, which is not for studio",
    ),
    ("studio/forecasting/forecast.py", "from ..store import Store", "curewatch.store.Store"),
    ("studio/forecasting/forecast.py", "from .. import store", "curewatch.store, which"),
    ("studio/deep/er.py", "from ...store.tables import pieces", "curewatch.store.tables.pieces"),
    ("studio/__init__.py", "from .. import desk", "curewatch.desk"),
    ("studio/forecasting/forecast.py", "from curewatch import records, desk", "curewatch.desk"),
    (
        "studio/forecasting/forecast.py",
        "def f():\n    from curewatch import desk",
        "studio/forecasting/forecast.py:2 imports curewatch.desk",
    ),
    ("studio/forecasting/forecast.py", "if TYPE_CHECKING:\n    import curewatch.desk as d", "forecast.py:2"),
    ("physics/air.py", "from curewatch.records import Reading", "not for physics"),
    ("records.py", "from curewatch import clock", "not for records"),
    ("clock.py", "import curewatch.records", "not for clock"),
    ("store/store.py", "from curewatch.studio import board", "not for store"),
    ("desk.py", "from curewatch.notify import Outbox", "not for desk"),
    ("desk/pours.py", "from curewatch.notify import Outbox", "not for desk"),
    ("notify/outbox.py", "from curewatch.intake.typed import parse", "not for notify"),
    ("daemon.py", "from curewatch.cli import main", "not for daemon"),
    ("__init__.py", "from curewatch.records import Room", "imports curewatch.records.Room"),
    ("desk.py", "import importlib\nimportlib.import_module('curewatch.cli.run')", "desk.py:2"),
    ("desk.py", "from importlib import import_module\nimport_module(name)", "computed name"),
    ("physics/air.py", "import pathlib", "physics is pure"),
    ("studio/alarms/lifecycle.py", "import logging", "studio is pure"),
    ("studio/alarms/lifecycle.py", "def f():\n    import os.path", "studio is pure"),
    ("studio/alarms/lifecycle.py", "from urllib.request import urlopen", "studio is pure"),
    ("studio/alarms/lifecycle.py", "import requests", "studio is pure"),
    ("studio/alarms/lifecycle.py", "print('damp')", "calls print()"),
    ("studio/alarms/lifecycle.py", "import time", "for clock only"),
    ("desk.py", "from time import monotonic", "for clock only"),
    ("desk.py", "from sqlalchemy import select", "for store only"),
    ("cli/board.py", "def board():\n    import sqlite3", "for store only"),
    ("attic/ghosts.py", "", "no room of the table"),
    ("desk.py", "\n" * (LONGEST_FILE + 1), "401 lines, 400 are allowed"),
]


@pytest.mark.parametrize(("name", "source", "says"), BROKEN)
def test_a_broken_rule_is_found(tmp_path: Path, house: House, name: str, source: str, says: str) -> None:
    file = tmp_path / "curewatch" / name
    file.parent.mkdir(parents=True)
    file.write_text(source)
    (sentence,) = violations(tmp_path, house)
    assert says in sentence


@pytest.mark.parametrize(
    ("name", "source"),
    [
        (
            "studio/forecasting/forecast.py",
            "import numpy as np\nfrom ..physics import film\nfrom . import climate\nimport math",
        ),
        (
            "cli/run.py",
            "from curewatch import __version__, daemon\nimport importlib\nimportlib.import_module(name)",
        ),
        ("store/tables.py", "import sqlalchemy\nimport sqlite3\nfrom curewatch.records import Room"),
        ("clock.py", "import time"),
        ("desk.py", "\n" * LONGEST_FILE),
    ],
)
def test_what_is_allowed_passes(tmp_path: Path, house: House, name: str, source: str) -> None:
    file = tmp_path / "curewatch" / name
    file.parent.mkdir(parents=True)
    file.write_text(source)
    assert violations(tmp_path, house) == []


TABLE = "| floor | room | what lives there | may import |\n|---|---|---|---|\n"
OUTSIDE = "\n\n| from outside | only in |\n|---|---|\n| `numpy` | `b` |\n"


def test_a_file_with_a_row_of_its_own_is_a_room_of_its_own(tmp_path: Path) -> None:
    low, middle = "| 1 | `a/errors.py` | x | – |\n", "| 2 | `b/`, `c.py` | x | `a/errors` |\n"
    house = read_house(f"{TABLE}{low}{middle}| 3 | `a/` | x | everything below |{OUTSIDE}")
    assert house.may_import["c"] == {"c", "a/errors"}
    (tmp_path / "curewatch").mkdir()
    (tmp_path / "curewatch/c.py").write_text("from curewatch.a.errors import E\nfrom curewatch.a import errors, desk")
    assert violations(tmp_path, house) == ["curewatch/c.py:2 imports curewatch.a.desk, which is not for c"]


@pytest.mark.parametrize("may", ["`b`", "`cellar`", "everything", "`a`, and more"])
def test_a_table_that_looks_up_or_makes_no_sense_is_refused(may: str) -> None:
    with pytest.raises(ValueError, match="a may import"):
        read_house(f"{TABLE}| 1 | `a` | x | {may} |\n| 2 | `b` | x | – |{OUTSIDE}")


def test_a_document_without_the_table_is_refused() -> None:
    with pytest.raises(ValueError, match="no table headed"):
        read_house("# House\n")


def test_a_long_file_needs_its_reason(tmp_path: Path, house: House) -> None:
    (tmp_path / "curewatch").mkdir()
    (tmp_path / "curewatch/desk.py").write_text("\n" * (LONGEST_FILE + 1))
    document = f"{TABLE}| 1 | `desk` | x | – |{OUTSIDE}\n### Longer than 400 lines\n- `curewatch/desk.py`: "
    assert violations(tmp_path, read_house(document + "one table of constants\n\n## Next\n")) == []
    assert len(violations(tmp_path, read_house(document + "\n- `other`: why\n"))) == 1
