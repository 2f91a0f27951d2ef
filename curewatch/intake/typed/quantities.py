"""Typed quantities, supports, sizes and weighings → SI numbers (temperature in °C, humidity in %): pure functions of
text."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal

from curewatch.intake.typed.numbers import MAX_TYPED, Convert, Quantity, read_amount, tidy, times
from curewatch.language import Message, Speed, Temperature, Value, phrase
from curewatch.records import WET_THICKNESS_RANGE_M, Support
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import SURFACE_C_RANGE
from curewatch.settings import AIR_SPEED_RANGE_M_S, AIR_SPEEDS_M_S

LAYERS_M: Mapping[str, float] = {"thin": 0.6e-3, "medium": 1.2e-3, "thick": 2.4e-3}
"""What a word stands for [m]: calibration. A common pour is 1-1.8 mm; the spread of a layer (model section 6) makes
each word's 10-90 % reach to about its neighbours'."""


def _exact(value: float) -> Decimal:
    return Decimal(repr(value))


LENGTHS_M: Mapping[str, Convert] = {
    **dict.fromkeys(("um", "micron", "microns"), times("1e-6")),
    "mm": times("1e-3"),
    "cm": times("1e-2"),
    "m": times("1"),
    **dict.fromkeys(("in", "inch", "inches", '"'), times("0.0254")),
    **dict.fromkeys(("mil", "mils"), times("0.0000254")),
}
VOLUMES_M3: Mapping[str, Convert] = {
    "ml": times("1e-6"),
    "cl": times("1e-5"),
    **dict.fromkeys(("l", "litre", "litres", "liter", "liters"), times("1e-3")),
    **dict.fromkeys(("fl oz", "floz", "fl.oz.", "fl. oz."), times("0.0000295735295625")),
}
MASSES_KG: Mapping[str, Convert] = {
    "g": times("1e-3"),
    "kg": times("1"),
    "oz": times("0.028349523125"),
    **dict.fromkeys(("lb", "lbs"), times("0.45359237")),
}
TEMPERATURES_C: Mapping[str, Convert] = {
    **dict.fromkeys(("c", "°c", "deg c", "degrees c", "celsius"), times("1")),
    **dict.fromkeys(("f", "°f", "deg f", "degrees f", "fahrenheit"), lambda value: (value - 32) * 5 / 9),
    **dict.fromkeys(("k", "kelvin"), lambda value: value - Decimal("273.15")),
}
SPEEDS_M_S: Mapping[str, Convert] = {
    "m/s": times("1"),
    **dict.fromkeys(("km/h", "kmh"), lambda value: value / Decimal("3.6")),
    "ft/min": times("0.00508"),
}
PERCENTS: Mapping[str, Convert] = dict.fromkeys(("%", "%rh", "% rh", "rh", "%r.h.", "% r.h.", "percent"), times("1"))
HEAT_THROUGH_BACK: Mapping[str, Convert] = dict.fromkeys(("w/m2k", "w/m²k", "w/(m2k)", "w/(m²k)"), times("1"))
BACKS = (Support.CANVAS, Support.BOARD)
"""Those whose heat the model's tables speak of."""


def between(low: Value, high: Value) -> Message:
    return phrase("between {low} and {high}", low=low, high=high)


_LENGTH_NAMES = "µm, mm, cm, m, in, mil"
WET_FILM = Quantity(
    what=phrase("a wet film"),
    units=LENGTHS_M,
    unit_names=_LENGTH_NAMES,
    low=_exact(WET_THICKNESS_RANGE_M[0]),
    high=_exact(WET_THICKNESS_RANGE_M[1]),
    span=phrase("between 20 µm and 10 mm"),
    examples=phrase("1.2mm or 80 mil"),
)
SIDE = Quantity(
    what=phrase("a length"),
    units=LENGTHS_M,
    unit_names=_LENGTH_NAMES,
    low=Decimal("0.02"),
    high=Decimal("5"),
    span=phrase("between 2 cm and 5 m"),
    examples=phrase("25cm, 10 in or 12 1/2 in"),
)
SIZE = replace(SIDE, what=phrase("width x height, each"), examples=phrase("40x50cm, 16 x 20 in or 40cm x 0.5m"))
VOLUME = Quantity(
    what=phrase("a volume"),
    units=VOLUMES_M3,
    unit_names="ml, cl, l, fl oz (US)",
    low=Decimal("1e-6"),
    high=Decimal("0.05"),
    span=phrase("between 1 ml and 50 l"),
    examples=phrase("250ml or 8 fl oz"),
)
MASS = Quantity(
    what=phrase("a mass"),
    units=MASSES_KG,
    unit_names="g, kg, oz, lb",
    low=Decimal("0.0001"),
    high=Decimal("100"),
    span=phrase("between 0.1 g and 100 kg"),
    examples=phrase("850g or 30 oz"),
)
ROOM_TEMPERATURE = Quantity(
    what=phrase("a room temperature"),
    units=TEMPERATURES_C,
    unit_names="°C, °F, K",
    low=Decimal(-40),
    high=Decimal(60),
    span=between(Temperature(-40), Temperature(60)),
    examples=phrase("21C or 70F"),
)
SURFACE_TEMPERATURE = Quantity(
    what=phrase("a film's temperature"),
    units=TEMPERATURES_C,
    unit_names="°C, °F, K",
    low=_exact(SURFACE_C_RANGE[0]),
    high=_exact(SURFACE_C_RANGE[1]),
    span=between(*map(Temperature, SURFACE_C_RANGE)),
    examples=phrase("17.5C or 63F"),
)
HUMIDITY = Quantity(
    what=phrase("a relative humidity"),
    units=PERCENTS,
    unit_names="%, %RH",
    low=Decimal(1),
    high=Decimal(100),
    span=phrase("between 1 % and 100 %"),
    examples="50%",
    bare_unit="%",
)
AIR = Quantity(
    what=phrase("an air speed"),
    units=SPEEDS_M_S,
    unit_names="m/s, km/h, ft/min",
    low=_exact(AIR_SPEED_RANGE_M_S[0]),
    high=_exact(AIR_SPEED_RANGE_M_S[1]),
    span=phrase(
        "between {low} (no room is stiller) and {high}",
        low=Speed(AIR_SPEED_RANGE_M_S[0]),
        high=Speed(AIR_SPEED_RANGE_M_S[1]),
    ),
    examples="0.1m/s",
    words=", ".join(AIR_SPEEDS_M_S),
)
BACK = Quantity(
    what=phrase("a heat transfer coefficient of the back"),
    units=HEAT_THROUGH_BACK,
    unit_names="W/m2K",
    low=Decimal(0),
    high=Decimal(1000),
    span=phrase("between 0 (insulated) and 1000 W/m2K"),
    examples="5",
    bare_unit="w/m2k",
    words=", ".join(BACKS),
)


def parse_size(text: str, *, field: Field) -> tuple[float, float]:
    """Width and height of a piece [m, m]: `40x50cm`, `16 x 20 in`, `40cm x 0.5m`.

    One unit at the end serves both sides. A unit on the first side alone does not: it is asked back.
    """
    sides = re.split(r" ?(?:x|by|\*) ?", tidy(text)) if len(text) <= MAX_TYPED else []
    amounts = [read_amount(side) for side in sides]
    if len(amounts) != 2 or amounts[0] is None or amounts[1] is None:
        raise InputError(field, text, SIZE.allowed)
    first, second = amounts[0], amounts[1]
    if not first.unit:
        first = replace(first, unit=second.unit)
    return SIZE.judge(first, text, field), SIZE.judge(second, text, field)


def parse_humidity(text: str, *, field: Field) -> float:
    """Relative humidity of a room [%]. Bare numbers are percent, but one of 1 or less may be a fraction."""
    amount = read_amount(text)
    if amount is not None and not amount.unit and Decimal("0.01") <= amount.value <= 1:
        percent = f"{(amount.value * 100).normalize():f}%"
        allowed = phrase("{percent}, or another percentage between 1 % and 100 % with its sign", percent=percent)
        raise InputError(field, text, allowed, phrase("which may be a fraction or a percentage"))
    return HUMIDITY.parse(text, field)


def parse_air(text: str, *, field: Field) -> float:
    """Air speed over a piece [m/s]: still, draughty, fan, or a speed with its unit."""
    word = AIR_SPEEDS_M_S.get(tidy(text)) if len(text) <= MAX_TYPED else None
    return AIR.parse(text, field) if word is None else word


def parse_back(text: str, *, field: Field) -> Support | float:
    """What lies behind the film: canvas or board, or the heat transfer through the back [W/m²K]."""
    word = tidy(text) if len(text) <= MAX_TYPED else ""
    if word in BACKS:
        return Support(word)
    return BACK.parse(text, field)


def parse_fraction(text: str, *, field: Field, low: float = 0.0, high: float = 1.0) -> float:
    """A volume fraction [1] within `low` and `high`: `0.30`, or `30%`.

    A bare number is a fraction; from 1 up it is asked back, for it looks like a percentage.
    """
    fraction = Quantity(
        what=phrase("a fraction"),
        units={"": times("1"), **dict.fromkeys(("%", "percent"), times("0.01"))},
        unit_names="%, or none",
        low=_exact(low),
        high=_exact(high),
        span=phrase(
            "between {low} and {high} ({low_pct}% and {high_pct}%)",
            low=f"{low:g}",
            high=f"{high:g}",
            low_pct=f"{low * 100:g}",
            high_pct=f"{high * 100:g}",
        ),
        examples=phrase("{one} or {other}", one=f"{(low + high) / 2:.2g}", other=f"{(low + high) / 2 * 100:.2g}%"),
        bare_unit="",
    )
    amount = read_amount(text)
    if amount is not None and not amount.unit and 1 <= amount.value <= 100:
        raise InputError(field, text, fraction.allowed, phrase("which looks like a percentage without its sign"))
    return fraction.parse(text, field)


_ROUND = re.compile(r"(?:round|ø|⌀) ?(?P<after>.*)|(?P<before>.*?) ?round")


def parse_support(text: str, *, field: Field) -> Support:
    """A support by its name; `raw panel` is as good as `raw-panel`."""
    word = tidy(text).replace(" ", "-") if len(text) <= MAX_TYPED else ""
    if word not in Support.__members__.values():
        raise InputError(field, text, ", ".join(Support))
    return Support(word)


def parse_shape(text: str, *, field: Field) -> tuple[float, float, bool]:
    """Width and height [m, m], and whether the piece is round: what `parse_size` takes, or `round 40cm`, `ø 16 in`.

    A round piece has its diameter for both.
    """
    found = _ROUND.fullmatch(tidy(text)) if len(text) <= MAX_TYPED else None
    if found is None:
        try:
            return (*parse_size(text, field=field), False)
        except InputError as error:
            raise InputError(
                field, text, phrase("{allowed}, or round 40cm", allowed=error.allowed), error.why
            ) from None
    across = found["after"] if found["after"] is not None else found["before"]
    try:
        diameter = SIDE.parse(across, field)
    except InputError as error:
        allowed = phrase(
            "the diameter of a round piece {span}, such as round 40cm; or {allowed}",
            span=SIDE.span,
            allowed=SIZE.allowed,
        )
        raise InputError(field, text, allowed, error.why) from None
    return diameter, diameter, True


@dataclass(frozen=True)
class Weighed:
    grams: float
    resolution_g: float


def parse_weighing(text: str, resolution: str | None = None) -> Weighed:
    """`512` is grams, to 1 g; `512.5 g` to 0.1 g; `1.2kg` to 100 g; other units as MASS has them. Raises InputError."""
    grams, step = _grams(text, Field.GRAMS)
    if resolution is not None:
        step, _ = _grams(resolution, Field.RESOLUTION)
    if not 0 < step <= 1000:
        raise InputError(Field.RESOLUTION, resolution or text, phrase("a scale's step between 0.1 g and 1 kg"))
    return Weighed(grams, step)


def _grams(text: str, field: Field) -> tuple[float, float]:
    """What it weighs, and what the last digit stands for [g, g]."""
    weighed = replace(MASS, bare_unit="g")
    amount = read_amount(text)
    kg = weighed.parse(text, field)
    assert amount is not None  # else it was refused
    step = MASSES_KG[amount.unit or "g"](amount.step)
    return round(1e3 * kg, 6), round(1e3 * float(step), 6)
