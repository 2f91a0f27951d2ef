"""The wrongs of the mutation bench: each fits where it should, changes nothing else, and leaves words alone."""

from __future__ import annotations

import ast

import pytest

from tests.bench.bench_mutants import read_equivalent
from tests.bench.mutators import mutants


@pytest.mark.parametrize(
    ("source", "after"),
    [
        ("x = a < b\n", {"x = (a <= b)", "x = (a >= b)"}),
        ("x = a is None\n", {"x = (a is not None)"}),
        ("x = a + b  # °C\n", {"x = (a - b)  # °C"}),
        ("x = '°', -a\n", {"x = '°', (a)"}),
        ("x = a and b\n", {"x = (a or b)"}),
        ("x = True\n", {"x = False"}),
        ("x = 3\n", {"x = 4", "x = (2)"}),
        ("def f():\n    return a\n", {"def f():\n    return None"}),
        ("def f():\n    g(a)\n", {"def f():\n    pass"}),
        ("if a:\n    b = c\n", {"if (not (a)):\n    b = c"}),
        ("x = a if b else c\n", {"x = (a if not b else c)"}),
        ("x += a\n", {"x -= a"}),
        ("for a in b:\n    continue\n", {"for a in b:\n    pass"}),
    ],
)
def test_a_wrong_replaces_its_place_and_no_other_character(source: str, after: set[str]) -> None:
    made = {one.applied(source) for one in mutants(source)}
    assert made == {text + "\n" for text in after}
    for text in made:
        ast.parse(text)


@pytest.mark.parametrize(
    "source",
    [
        '"""What it does: 3 > 2."""\n',
        "x: int | None\n",
        "def f(a: A | B) -> C | D: ...\n",
        "x = 'a' + f'{b}'\n",
        "x = f'{a + 1}'\n",
        "raise ValueError(f'{a}', 3)\n",
        "@cache(maxsize=3)\nclass A: ...\n",
    ],
)
def test_words_annotations_and_decorators_are_left_alone(source: str) -> None:
    assert mutants(source) == []


def test_a_wrong_knows_its_kind_line_and_what_is_around_it() -> None:
    (one,) = mutants("class A:\n    def f(self):\n        x = -self.y\n")
    assert (one.kind, one.line, one.before, one.inside) == ("sign", 3, "-self.y", ("A", "f"))


def test_an_equivalent_mutant_is_listed_with_its_reason() -> None:
    text = "# what\n\ncurewatch/a.py sign: -x -> (x)\n    it is squared\ncurewatch/b.py number: 0 -> 1\n    unread\n"
    assert read_equivalent(text) == {
        "curewatch/a.py sign: -x -> (x)": "it is squared",
        "curewatch/b.py number: 0 -> 1": "unread",
    }
