"""A typed number and its unit: decimal comma or point, signs, and the doubt about thousands."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from curewatch.language import Message, phrase
from curewatch.records.errors import Field, InputError

MAX_TYPED = 80
"""No typed quantity or time is longer than this [characters]."""

# One sign for each of the things keyboards and copied text have several of. Not NFKC: that turns 5² into 52.
_LOOKALIKES = str.maketrans(
    {
        "\u00b5": "u",  # micro sign
        "\u03bc": "u",  # Greek small letter mu
        "\u2212": "-",  # minus sign
        "\u00ba": "°",  # masculine ordinal, where ° is hard to reach
        "\u02da": "°",  # ring above
        "\u2103": "°c",
        "\u2109": "°f",
        "\u2033": '"',  # double prime
        "\u201d": '"',  # right double quotation mark
        "\u00d7": "x",  # multiplication sign
        "\u2044": "/",  # fraction slash
        **{
            sign: f" {parts}"
            for sign, parts in zip("½¼¾⅛⅜⅝⅞", ["1/2", "1/4", "3/4", "1/8", "3/8", "5/8", "7/8"], strict=True)
        },
    }
)

_AMOUNT = re.compile(
    r"(?P<sign>[+-]?)(?P<digits>[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)(?P<exponent>e[+-]?[0-9]{1,3})?\s*(?P<unit>.*)"
)
_FRACTION = re.compile(r"(?:(?P<whole>[0-9]{1,6})[ -])?(?P<over>[0-9]{1,4})/(?P<under>[1-9][0-9]{0,3})\s*(?P<unit>.*)")
HALVED = frozenset(
    ("in", "inch", "inches", '"', "oz", "lb", "lbs", "fl oz", "floz", "fl.oz.", "fl. oz.", "part", "parts", "")
)
"""Units that rules and scales divide by halves; and parts in a cup."""
_MAYBE_GROUPED = re.compile(r"[1-9][0-9]{0,2},[0-9]{3}")

Convert = Callable[[Decimal], Decimal]


def times(factor: str) -> Convert:
    """A unit that is `factor` of the unit a quantity is held in. Decimal, so that 20 µm is 20e-6 m to the last bit."""
    exact = Decimal(factor)
    return lambda value: value * exact


def tidy(text: str) -> str:
    """Lower case, one blank between words, one sign for each of its look-alikes."""
    return " ".join(text.translate(_LOOKALIKES).split()).casefold()


@dataclass(frozen=True)
class Amount:
    """A number as typed, with what followed it."""

    value: Decimal
    unit: str
    grouped: Decimal | None = None
    """The value if the comma were a thousands mark (1,200 as 1200), where it could be one."""
    step: Decimal = Decimal(1)
    """What the last digit stands for; of a fraction one of its parts."""
    is_fraction: bool = False


def read_amount(text: str) -> Amount | None:
    """`1,2 mm` → Amount(1.2, "mm"), `12 1/2 in` → Amount(12.5, "in"); None where it does not begin with a number.

    Grouped thousands leave their second mark at the head of the unit, which no unit table knows.
    """
    if len(text) > MAX_TYPED:
        return None
    words = tidy(text)
    if found := _FRACTION.fullmatch(words):
        whole, over, under = int(found["whole"] or 0), int(found["over"]), int(found["under"])
        if over >= under:
            return None
        return Amount(whole + Decimal(over) / under, found["unit"], step=1 / Decimal(under), is_fraction=True)
    found = _AMOUNT.fullmatch(words)
    if found is None:
        return None
    sign, digits, exponent = found["sign"], found["digits"], found["exponent"] or ""
    value = Decimal(sign + digits.replace(",", ".") + exponent)
    grouped = None
    if not exponent and _MAYBE_GROUPED.fullmatch(digits):
        grouped = Decimal(sign + digits.replace(",", ""))
    last = Decimal(f"1e{-len(digits.replace(',', '.').partition('.')[2])}")
    return Amount(value, found["unit"], grouped, last * Decimal(f"1{exponent}"))


def whole_number(text: str, most: int, field: Field) -> int:
    """A count from 1 to `most`. InputError for anything else."""
    digits = text.strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 9 and 1 <= int(digits) <= most):
        raise InputError(field, text, phrase("a whole number between 1 and {most}", most=most))
    return int(digits)


@dataclass(frozen=True)
class Quantity:
    """What one typed quantity may be: its units, its range, and how to say both to a person."""

    what: Message
    """With its article: `a wet film`."""
    units: Mapping[str, Convert]
    unit_names: str
    """The units as listed to a person; `units` also holds their spellings."""
    low: Decimal
    high: Decimal
    span: Message
    """The range as a person would write it: `between 20 µm and 10 mm`."""
    examples: Message | str
    bare_unit: str | None = None
    """The unit of a bare number, where only one is possible."""
    words: str = ""
    """Said before `what` where words are accepted too: `still, draughty, fan`."""

    @property
    def allowed(self) -> Message:
        said = phrase("{what} {span}, such as {examples}", what=self.what, span=self.span, examples=self.examples)
        return phrase("{words}, or {quantity}", words=self.words, quantity=said) if self.words else said

    def parse(self, text: str, field: Field) -> float:
        amount = read_amount(text)
        if amount is None:
            raise InputError(field, text, self.allowed)
        return self.judge(amount, text, field)

    def judge(self, amount: Amount, given: str, field: Field) -> float:
        """`amount` in the unit this quantity is held in; InputError outside the range or in doubt."""
        unit = amount.unit or self.bare_unit
        if unit is None:
            raise InputError(field, given, self.allowed, phrase("which has no unit"))
        convert = self.units.get(unit)
        if convert is None:
            raise InputError(field, given, self.allowed, self._why_not(unit))
        if amount.is_fraction and unit not in HALVED:
            raise InputError(field, given, self.allowed, phrase("where a fraction goes with inches, ounces and pounds"))
        if amount.grouped is not None and self._holds(convert(amount.grouped)):
            plain = phrase(
                "{one} or {other}", one=f"{amount.grouped}{amount.unit}", other=f"{amount.value}{amount.unit}"
            )
            raise InputError(field, given, plain, phrase("where the comma may mark thousands or decimals"))
        value = convert(amount.value)
        if not self._holds(value):
            raise InputError(field, given, self.allowed)
        return float(value) + 0.0  # + 0.0: no negative zero leaves here

    def _holds(self, value: Decimal) -> bool:
        return self.low <= value <= self.high

    def _why_not(self, unit: str) -> Message:
        if unit[0] in ".,'’0123456789":
            return phrase("where thousands and decimals cannot be told apart")
        return phrase("whose unit is none of {units}", units=self.unit_names)
