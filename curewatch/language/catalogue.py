"""The sentences in other languages: one gettext file a language (`locale/es.po`), read when it is first wanted."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from io import BytesIO
from typing import Any

ENGLISH = "en"


@dataclass(frozen=True)
class Catalogue:
    """One language's sentences by the English ones; English itself needs none."""

    texts: Mapping[str, str] = field(default_factory=dict)
    forms: Mapping[tuple[str, str], tuple[str, ...]] = field(default_factory=dict)
    """By singular and plural, one a form of the language."""
    form_of: Callable[[int], int] = lambda n: int(n != 1)
    """Which form a number takes."""

    def text(self, english: str) -> str:
        return self.texts.get(english) or english

    def plural(self, singular: str, plural: str, n: int) -> str:
        known = self.forms.get((singular, plural), ())
        at = self.form_of(n)
        return (known[at] if at < len(known) else "") or (singular if n == 1 else plural)


def languages() -> tuple[str, ...]:
    """Those that there are, English first."""
    there = _folder().iterdir() if _folder().is_dir() else ()
    return (ENGLISH, *sorted(one.name.removesuffix(".po") for one in there if one.name.endswith(".po")))


@cache
def catalogue(language: str) -> Catalogue:
    """Of a language (`es`, `es_MX` is Spanish too); English where there is none."""
    known = next((name for name in (language, language.partition("_")[0]) if name in languages()), ENGLISH)
    return Catalogue() if known == ENGLISH else _read(known)


def _folder() -> Any:
    return files("curewatch.language") / "locale"


def _read(language: str) -> Catalogue:
    from gettext import c2py  # what gettext itself reads plural forms with

    from babel.messages.pofile import read_po

    found = read_po(BytesIO((_folder() / f"{language}.po").read_bytes()), locale=language)
    texts: dict[str, str] = {}
    forms: dict[tuple[str, str], tuple[str, ...]] = {}
    for one in found:
        if one.fuzzy or not one.id:
            continue
        if isinstance(one.id, tuple | list):
            forms[one.id[0], one.id[1]] = tuple(one.string or ())
        else:
            texts[one.id] = str(one.string)
    return Catalogue(texts, forms, c2py(found.plural_expr))
