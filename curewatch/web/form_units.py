"""The units that stand beside the fields of forms: whoever reads, types them too."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from curewatch.language import Reader
from curewatch.language.reader import Measures, Temperatures

_BARE = re.compile(r"[+\-−]?([0-9]+([.,][0-9]+)?|([0-9]+[ -]?)?([0-9]+/[0-9]+|[½¼¾⅛⅜⅝⅞]))")


def with_unit(text: str, unit: str) -> str:
    """A bare number in the unit that stands beside its field; anything else as it was typed.

    >>> with_unit("18,5", "C"), with_unit("64 F", "C"), with_unit("12 1/2", "oz")
    ('18,5C', '64 F', '12 1/2oz')
    """
    return f"{text}{unit}" if _BARE.fullmatch(text) else text


@dataclass(frozen=True)
class FormUnits:
    """The units that stand beside the fields of a form, and what is typed into them for example."""

    measures: Measures
    thickness: str
    volume: str
    mass: str
    temperature: Temperatures
    examples: Mapping[str, str]

    @classmethod
    def of(cls, reader: Reader) -> FormUnits:
        warm = {"C": {"room": "19.5", "film": "17.5"}, "F": {"room": "65", "film": "63"}}[reader.temperatures]
        by, examples = BESIDE[reader.measures]
        told = {name: text.replace(".", reader.decimal) for name, text in (examples | warm).items()}
        return cls(reader.measures, *by, reader.temperatures, told)


BESIDE: Mapping[Measures, tuple[tuple[str, str, str], dict[str, str]]] = {
    "metric": (
        ("mm", "ml", "g"),
        {"gauge": "1.2", "poured": "250", "ran_off": "40", "paint": "240", "grams": "512", "size": "40x50cm",
         "round": "40cm"},
    ),
    "us": (
        ("mil", "fl oz", "oz"),
        {"gauge": "50", "poured": "8", "ran_off": "1.5", "paint": "8", "grams": "18", "size": "16x20in",
         "round": "16in"},
    ),
}  # fmt: skip
"""By how lengths and weights are told: the units of a film, a volume and a weight; and what is typed for example."""


def measures_of(form: Mapping[str, str]) -> Measures:
    """Those that stood beside the fields when the form was shown, whoever reads now."""
    return "us" if form.get("measures") == "us" else "metric"


def beside(form: Mapping[str, str]) -> tuple[str, str, str]:
    """The units of a film, a volume and a weight in such a form."""
    return BESIDE[measures_of(form)][0]
