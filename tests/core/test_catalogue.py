"""Every sentence that people read has words in every language that there is, with the same values in them."""

from __future__ import annotations

import re
import runpy
from pathlib import Path
from typing import Any

import pytest

from curewatch.language.catalogue import languages

MESSAGES = runpy.run_path(str(Path(__file__).resolve().parents[2] / "deploy" / "_messages.py"))
OTHERS = [name for name in languages() if name != "en"]


@pytest.fixture(scope="module")
def sentences() -> Any:
    return MESSAGES["extracted"]()


def fields(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


def test_spanish_is_there() -> None:
    assert "es" in OTHERS


@pytest.mark.parametrize("name", OTHERS)
def test_every_sentence_has_its_words(name: str, sentences: Any) -> None:
    catalogue = MESSAGES["of_language"](name)
    assert MESSAGES["lacking"](catalogue, sentences) == []


@pytest.mark.parametrize("name", OTHERS)
def test_the_words_hold_the_same_values_and_begin_alike(name: str) -> None:
    for one in MESSAGES["of_language"](name):
        if not one.id:
            continue
        given = one.id if isinstance(one.id, tuple) else (one.id,)
        said = one.string if isinstance(one.string, tuple) else (one.string,)
        wanted = set().union(*map(fields, given))
        for text in said:
            assert fields(text) <= wanted, one.id
            assert text[:1].isspace() == given[0][:1].isspace(), one.id
        assert set().union(*map(fields, said)) == wanted, one.id
