"""The house stands as DEVELOPERS.md draws it: who may import whom, how long a file may be, what lies on top.

The rules are read out of the document, so it cannot say one thing and the code do another. The second half
lets the checker loose on small trees that break each rule.
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest

from tests.house import ALONE, FILE, FLOORS, PURE_ROOMS, ROOMS, House, read_house, violations
from tests.import_graph import places_of_names, read_code

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
        assert len((ROOT / name).read_text(encoding="utf-8").splitlines()) > house.limits[FILE], name


def test_a_name_said_to_mean_one_thing_in_several_rooms_is_in_several(house: House) -> None:
    places = places_of_names(read_code(ROOT).files)
    single = {name for name in house.one_concept if len(places.get(name, ())) < 2}
    assert single == set(), f"DEVELOPERS.md, One name, one thing: take out {single}"
    assert all(house.one_concept.values())


def test_nothing_else_lies_at_the_top() -> None:
    """As git would commit it; a clone may belong to someone else than the root who checks it."""
    git = ["git", "-C", str(ROOT), "-c", f"safe.directory={ROOT}"]
    listed = subprocess.check_output([*git, "ls-files", "-coz", "--exclude-standard"], text=True)
    top = {name.split("/")[0] for name in listed.split("\0") if name}
    assert {name for name in top if not name.startswith(".")} - TOP_LEVEL == set()


# Does the checker catch anything? Each tree below breaks one rule.


def any_size(house: House) -> House:
    """The house without the rule that a short file needs two importers, which no tree of one file can keep."""
    return house._replace(limits={**house.limits, ALONE: 0})


def written(root: Path, sources: Mapping[str, str]) -> Path:
    for name, source in sources.items():
        file = root / "curewatch" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(source)
    return root


BROKEN = [
    (
        "studio/forecasting/forecast.py",
        "from curewatch.store import Store",
        "curewatch.store.Store, which is not for studio",
    ),
    ("studio/forecasting/forecast.py", "from ...store import Store", "curewatch.store.Store"),
    ("studio/board.py", "from .. import store", "curewatch.store, which"),
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
    ("desk.py", "\n" * 401, "401 lines, 400 are allowed"),
    ("desk.py", "def f():\n    if x:\n" + 44 * "        x()\n", "desk.py:1 f() has 45 lines, 44 are allowed"),
    ("desk.py", "class A:\n    async def f(self):\n" + 45 * "        x()\n", "desk.py:2 f() has 45 lines"),
]


@pytest.mark.parametrize(("name", "source", "says"), BROKEN)
def test_a_broken_rule_is_found(tmp_path: Path, house: House, name: str, source: str, says: str) -> None:
    written(tmp_path, {name: source})
    (sentence,) = violations(tmp_path, any_size(house))
    assert says in sentence


@pytest.mark.parametrize(
    ("name", "source"),
    [
        (
            "studio/forecasting/forecast.py",
            "import numpy as np\nfrom ...physics import film\nfrom ..air import climate\nimport math",
        ),
        (
            "cli/run.py",
            "from curewatch import __version__, daemon\nimport importlib\nimportlib.import_module(name)",
        ),
        ("store/tables.py", "import sqlalchemy\nimport sqlite3\nfrom curewatch.records import Room"),
        ("clock.py", "import time"),
        ("desk.py", "\n" * 400),
        (
            "cli/run.py",
            "def f(\n"
            + "".join(f"    a{k},\n" for k in range(60))
            + '):\n    """\n'
            + 60 * "    b\n"
            + '    """\n'
            + 44 * "    x()\n",
        ),
        ("store/migrations/versions/v0001.py", "def upgrade():\n" + 60 * "    x()\n"),
    ],
)
def test_what_is_allowed_passes(tmp_path: Path, house: House, name: str, source: str) -> None:
    written(tmp_path, {name: source})
    assert violations(tmp_path, any_size(house)) == []


TABLE = "| floor | room | what lives there | may import |\n|---|---|---|---|\n"
OUTSIDE = """

| from outside | only in |
|---|---|
| `numpy` | `b` |

| what | limit |
|---|---|
| lines of a file | at most 400 |
| lines of a function's body | at most 44 |
| lines of a file with one importer | at least 0 |
| rooms of `studio/` | at most 16 |
| floors of `studio/` | at most 8 |

| name | what it is in every room |
|---|---|
| `air` | the air |
"""


def test_a_file_with_a_row_of_its_own_is_a_room_of_its_own(tmp_path: Path) -> None:
    low, middle = "| 1 | `a/errors.py` | x | – |\n", "| 2 | `b/`, `c.py` | x | `a/errors` |\n"
    house = read_house(f"{TABLE}{low}{middle}| 3 | `a/` | x | everything below |{OUTSIDE}")
    assert house.may_import["c"] == {"c", "a/errors"}
    written(tmp_path, {"c.py": "from curewatch.a.errors import E\nfrom curewatch.a import errors, desk"})
    assert violations(tmp_path, house) == ["curewatch/c.py:2 imports curewatch.a.desk, which is not for c"]


@pytest.mark.parametrize("may", ["`b`", "`cellar`", "everything", "`a`, and more"])
def test_a_table_that_looks_up_or_makes_no_sense_is_refused(may: str) -> None:
    with pytest.raises(ValueError, match="a may import"):
        read_house(f"{TABLE}| 1 | `a` | x | {may} |\n| 2 | `b` | x | – |{OUTSIDE}")


def test_a_document_without_the_table_is_refused() -> None:
    with pytest.raises(ValueError, match="no table headed"):
        read_house("# House\n")


def test_a_long_file_needs_its_reason(tmp_path: Path, house: House) -> None:
    written(tmp_path, {"desk.py": "\n" * 401})
    document = f"{TABLE}| 1 | `desk` | x | – |{OUTSIDE}\n### Longer than 400 lines\n- `curewatch/desk.py`: "
    assert violations(tmp_path, read_house(document + "one table of constants\n\n## Next\n")) == []
    assert len(violations(tmp_path, read_house(document + "\n- `other`: why\n"))) == 1


FILLER = "\n" * 60
SHORT = [
    # a short file that nothing imports, one that only its neighbour does, and one imported twice by the same file
    ({"desk/pours.py": "x = 1\n"}, "curewatch/desk/pours.py: 1 lines, imported by nothing only"),
    ({"desk/pours.py": "", "desk/desk.py": f"from curewatch.desk import pours{FILLER}"}, "by curewatch.desk.desk only"),
    (
        {
            "desk/pours.py": "",
            "desk/desk.py": "from curewatch.desk.pours import a\nfrom .pours import b\nfrom . import pours" + FILLER,
        },
        "imported by curewatch.desk.desk only",
    ),
    # a test that imports it is no second importer; an empty reason is none; and 59 lines are short
    ({"desk/pours.py": "# By itself:   \n"}, "imported by nothing only"),
    ({"desk/pours.py": "\n# By itself: the reason comes too late\n"}, "imported by nothing only"),
    ({"desk/pours.py": "\n" * 59}, "59 lines"),
]


@pytest.mark.parametrize(("sources", "says"), SHORT)
def test_a_short_file_with_one_importer_is_found(
    tmp_path: Path, house: House, sources: dict[str, str], says: str
) -> None:
    (sentence,) = violations(written(tmp_path, sources), house)
    assert says in sentence


TWICE = {
    "desk/a.py": "from curewatch.desk import pours" + FILLER,
    "desk/b.py": "def f():\n    from curewatch.desk.pours import x" + FILLER,
}


@pytest.mark.parametrize(
    "sources",
    [
        {**TWICE, "desk/pours.py": "x = 1"},
        {**TWICE, "desk/b.py": "if TYPE_CHECKING:\n    from . import pours" + FILLER, "desk/pours.py": ""},
        {"desk/pours.py": "# By itself: Python looks for this name.\n"},
        {"desk/pours.py": "\n" * 60},
        {"desk/__init__.py": "", "store/migrations/env.py": "", "store/migrations/versions/v0001.py": ""},
    ],
)
def test_a_short_file_with_two_importers_or_a_reason_is_fine(
    tmp_path: Path, house: House, sources: dict[str, str]
) -> None:
    assert violations(written(tmp_path, sources), house) == []


CIRCLES = [
    (
        {"desk/a.py": "from curewatch.desk import b", "desk/b.py": "from curewatch.desk.a import x"},
        "curewatch.desk.a > curewatch.desk.b > curewatch.desk.a",
    ),
    (
        {"desk/a.py": "from . import b", "desk/b.py": "def f():\n    from .a import x"},
        "curewatch.desk.a > curewatch.desk.b > curewatch.desk.a",
    ),
    (
        {
            "desk/a.py": "from . import b",
            "desk/b.py": "from . import c",
            "desk/c.py": "if TYPE_CHECKING:\n    from .a import A",
        },
        "curewatch.desk.a > curewatch.desk.b > curewatch.desk.c > curewatch.desk.a",
    ),
    # a package passes a name on that its own module takes from the package
    (
        {"desk/__init__.py": "from .desk import Desk", "desk/desk.py": "from curewatch.desk import Desk"},
        "curewatch.desk > curewatch.desk.desk > curewatch.desk",
    ),
    # no two files of a circle, but two rooms of the studio
    (
        {
            "studio/air/climate.py": "from curewatch.studio.board import x",
            "studio/board.py": "from curewatch.studio.air import sensors",
            "studio/air/sensors.py": "",
        },
        "rooms of studio/ go in a circle: air > board > air",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("sources", "says"), CIRCLES)
def test_a_circle_of_imports_is_found(tmp_path: Path, house: House, sources: dict[str, str], says: str) -> None:
    (sentence,) = violations(written(tmp_path, sources), any_size(house))
    assert "circle: " in sentence
    assert says in sentence


def test_many_ways_to_the_same_file_are_no_circle(tmp_path: Path, house: House) -> None:
    diamond = {"desk/a.py": "from . import b, c", "desk/b.py": "from . import d", "desk/c.py": "from . import d"}
    assert violations(written(tmp_path, {**diamond, "desk/d.py": ""}), any_size(house)) == []


def tower(storeys: int) -> dict[str, str]:
    """Rooms of the studio on top of each other, packages and single modules in turn."""
    names = [f"r{k}/m{k}" if k % 2 else f"r{k}" for k in range(storeys)]
    dots = [name.replace("/", ".") for name in names]
    below = ["", *(f"from curewatch.studio.{name} import x" for name in dots)]
    return {f"studio/{name}.py": source for name, source in zip(names, below, strict=False)}


def test_a_ninth_floor_of_the_studio_is_found(tmp_path: Path, house: House) -> None:
    assert house.limits[FLOORS] == 8
    assert violations(written(tmp_path, tower(8)), any_size(house)) == []
    (sentence,) = violations(written(tmp_path, tower(9)), any_size(house))
    assert sentence == "studio/ has 9 floors, 8 are allowed"


def test_a_seventeenth_room_of_the_studio_is_found(tmp_path: Path, house: House) -> None:
    assert house.limits[ROOMS] == 16
    many = {f"studio/room_{k}.py": "" for k in range(8)} | {f"studio/wing_{k}/hall_{k}.py": "" for k in range(8)}
    assert violations(written(tmp_path, {**many, "studio/__init__.py": ""}), any_size(house)) == []
    (sentence,) = violations(written(tmp_path, {"studio/one_more.py": ""}), any_size(house))
    assert sentence.startswith("studio/ has 17 rooms, 16 are allowed: one_more, ")


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("desk/places.py", "store/places.py"), True),
        (("desk/places.py", "studio/air/places.py", "studio/places.py"), True),
        # a package is a module too, but a package's main file has the room's own name
        (("desk/places/a.py", "desk/places/__init__.py", "studio/places.py"), True),
        (("desk/__init__.py", "desk/desk.py"), False),
        (("desk/board.py", "studio/board.py"), False),
        (("store/migrations/versions/places.py", "store/migrations/places.py"), False),
    ],
)
def test_a_name_with_two_meanings_is_found(tmp_path: Path, house: House, names: tuple[str, ...], found: bool) -> None:
    one_meaning = house._replace(one_concept={"board": "what is shown first"})
    written(tmp_path, dict.fromkeys(names, ""))
    sentences = violations(tmp_path, any_size(one_meaning))
    assert len(sentences) == found
    assert all("places is a module in curewatch." in sentence for sentence in sentences)


@pytest.mark.parametrize(
    "missing",
    ["lines of a function's body", "lines of a file with one importer", "rooms of `studio/`", "floors of `studio/`"],
)
def test_a_document_without_a_limit_is_refused(missing: str) -> None:
    document = f"{TABLE}| 1 | `desk` | x | – |{OUTSIDE}"
    with pytest.raises(ValueError, match="no limit is given for"):
        read_house(document.replace(missing, "windows"))
