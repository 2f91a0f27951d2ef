"""What people type for thickness, size, volume, mass, air: every unit, both decimal marks, and every doubt."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import NamedTuple

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from curewatch.records import WET_THICKNESS_RANGE_M, Support
from curewatch.records.errors import Field, InputError, quoted
from tests.core import typed_parsers as typed

PARSERS: list[Callable[[str], object]] = [
    typed.parse_thickness,
    typed.parse_length,
    typed.parse_size,
    typed.parse_volume,
    typed.parse_mass,
    typed.parse_temperature,
    typed.parse_humidity,
    typed.parse_air,
    typed.parse_back,
    typed.parse_fraction,
    typed.parse_duration,
]


class Unit(NamedTuple):
    parse: Callable[[str], float]
    name: str
    low: str
    """The range's ends as typed in this unit, rounded inwards."""
    high: str
    factor: Fraction
    offset: Fraction = Fraction(0)


INCH, POUND, US_FL_OZ = Fraction(254, 10_000), Fraction("0.45359237"), Fraction(231, 128) * Fraction(254, 10_000) ** 3
"""Exact: NIST SP 811 appendix B.6 (inch, pound) and B.8 (a US gallon is 231 cubic inches, 128 fluid ounces)."""

UNITS = [
    *(Unit(typed.parse_thickness, name, "20", "10000", Fraction(1, 10**6)) for name in ("µm", "μm", "um")),
    Unit(typed.parse_thickness, "mm", "0.02", "10", Fraction(1, 1000)),
    Unit(typed.parse_thickness, "cm", "0.002", "1", Fraction(1, 100)),
    Unit(typed.parse_thickness, "m", "0.00002", "0.01", Fraction(1)),
    *(Unit(typed.parse_thickness, name, "0.0008", "0.3937", INCH) for name in ("in", "inch", '"')),
    Unit(typed.parse_thickness, "mil", "0.8", "393.7", INCH / 1000),
    Unit(typed.parse_length, "cm", "2", "500", Fraction(1, 100)),
    Unit(typed.parse_length, "in", "0.8", "196", INCH),
    Unit(typed.parse_volume, "ml", "1", "50000", Fraction(1, 10**6)),
    Unit(typed.parse_volume, "cl", "0.1", "5000", Fraction(1, 10**5)),
    *(Unit(typed.parse_volume, name, "0.001", "50", Fraction(1, 1000)) for name in ("l", "L")),
    Unit(typed.parse_volume, "fl oz", "0.04", "1690", US_FL_OZ),
    Unit(typed.parse_mass, "g", "0.1", "100000", Fraction(1, 1000)),
    Unit(typed.parse_mass, "kg", "0.0001", "100", Fraction(1)),
    Unit(typed.parse_mass, "oz", "0.01", "3527", POUND / 16),
    Unit(typed.parse_mass, "lb", "0.001", "220", POUND),
    *(Unit(typed.parse_temperature, name, "-40", "60", Fraction(1)) for name in ("°C", "C", "celsius", "℃")),
    *(
        Unit(typed.parse_temperature, name, "-40", "140", Fraction(5, 9), Fraction(-160, 9))
        for name in ("°F", "F", "℉")
    ),
    Unit(typed.parse_temperature, "K", "233.15", "333.15", Fraction(1), Fraction("-273.15")),
    *(Unit(typed.parse_humidity, name, "1", "100", Fraction(1)) for name in ("%", "%RH")),
    Unit(typed.parse_air, "m/s", "0.05", "5", Fraction(1)),
    Unit(typed.parse_air, "km/h", "0.18", "18", Fraction(10, 36)),
    Unit(typed.parse_air, "ft/min", "9.9", "984", 12 * INCH / 60),
    Unit(typed.parse_back, "W/m²K", "0", "1000", Fraction(1)),
    Unit(typed.parse_fraction, "%", "0", "100", Fraction(1, 100)),
]


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: f"{unit.parse.__name__} {unit.name}")
@given(data=st.data())
def test_what_is_typed_comes_back_in_si(unit: Unit, data: st.DataObject) -> None:
    """Five decimals, so that a comma is never followed by the three digits that could be thousands."""
    value = data.draw(st.decimals(Decimal(unit.low), Decimal(unit.high), places=5))
    gap = data.draw(st.sampled_from(["", " ", "\u00a0", "\u202f", "  "]))
    expected = float(Fraction(value) * unit.factor + unit.offset)
    for number in (f"{value}", f"{value}".replace(".", ","), f"{value}".replace("-", "\u2212")):
        assert unit.parse(f" {number}{gap}{unit.name} ") == pytest.approx(expected, rel=1e-14, abs=1e-13)


@pytest.mark.parametrize(
    ("parse", "text", "nist"),
    [
        (typed.parse_length, "10 in", 2.54e-1),
        (typed.parse_thickness, "10 mil", 2.54e-4),
        (typed.parse_volume, "10 fl oz", 2.957_353e-4),
        (typed.parse_mass, "10 oz", 2.834_952e-1),
        (typed.parse_mass, "1 lb", 4.535_924e-1),
        (typed.parse_air, "1 km/h", 2.777_778e-1),
        (typed.parse_air, "10 ft/min", 5.08e-2),
    ],
)
def test_factors_are_those_of_nist(parse: Callable[[str], float], text: str, nist: float) -> None:
    """NIST SP 811 (2008) appendix B.8, which gives seven figures: hence the tolerance of half the last one."""
    assert parse(text) == pytest.approx(nist, rel=5e-7)


@pytest.mark.parametrize(
    ("parse", "text", "value"),
    [
        (typed.parse_thickness, "1,2mm", 0.0012),
        (typed.parse_thickness, "20 um", WET_THICKNESS_RANGE_M[0]),
        (typed.parse_thickness, "10mm", WET_THICKNESS_RANGE_M[1]),
        (typed.parse_thickness, "1.2e-3 m", 0.0012),
        (typed.parse_thickness, "+.5mm", 0.0005),
        (typed.parse_thickness, "1,200mm", 0.0012),  # 1200 mm of paint is not possible, so no doubt
        (typed.parse_size, "40x50cm", (0.4, 0.5)),
        (typed.parse_size, "16 x 20 in", (0.4064, 0.508)),
        (typed.parse_size, "40cm x 0.5m", (0.4, 0.5)),
        (typed.parse_size, "40,5 × 50 cm", (0.405, 0.5)),
        (typed.parse_size, '16"X20"', (0.4064, 0.508)),
        (typed.parse_length, "12 1/2 in", 0.3175),
        (typed.parse_length, "12-1/2 in", 0.3175),
        (typed.parse_length, "12½\u2033", 0.3175),
        (typed.parse_size, '8 1/2" x 11 in', (0.2159, 0.2794)),
        (typed.parse_size, "12 1/2 x 16 in", (0.3175, 0.4064)),
        (typed.parse_shape, "round 12 1/2 in", (0.3175, 0.3175, True)),
        (typed.parse_thickness, "1/16 in", 0.0015875),
        (typed.parse_mass, "1,250 kg", 1.25),
        (typed.parse_temperature, "70 degrees F", 190 / 9),
        (typed.parse_temperature, "-40F", -40.0),
        (typed.parse_temperature, "294,15 K", 21.0),
        (typed.parse_temperature, "21ºC", 21.0),
        (typed.parse_temperature, "-0C", 0.0),
        (typed.parse_humidity, "50", 50.0),
        (typed.parse_humidity, "50,5", 50.5),
        (typed.parse_humidity, "1.5", 1.5),
        (typed.parse_air, "still", 0.1),
        (typed.parse_air, " Draughty", 0.3),
        (typed.parse_air, "FAN", 1.0),
        (typed.parse_air, "0.05m/s", 0.05),
        (typed.parse_back, "canvas", Support.CANVAS),
        (typed.parse_back, "Board", Support.BOARD),
        (typed.parse_back, "0", 0.0),
        (typed.parse_back, "12,5", 12.5),
        (typed.parse_fraction, "0.30", 0.3),
        (typed.parse_fraction, ",3", 0.3),
        (typed.parse_fraction, "30%", 0.3),
        (typed.parse_fraction, "100%", 1.0),
        (typed.parse_fraction, "0", 0.0),
    ],
)
def test_is_understood(parse: Callable[[str], object], text: str, value: object) -> None:
    assert parse(text) == value
    assert not str(parse(text)).startswith("-0.0")


WET = "a wet film between 20 µm and 10 mm, such as 1.2mm or 80 mil"


@pytest.mark.parametrize(
    ("parse", "text", "message"),
    [
        (typed.parse_thickness, "9m", f"wet_thickness: got '9m', expected {WET}"),
        (typed.parse_thickness, "1.2", f"wet_thickness: got '1.2', which has no unit: say {WET}"),
        (typed.parse_thickness, "21C", "whose unit is none of µm, mm, cm, m, in, mil"),
        (typed.parse_thickness, "1,200 µm", "the comma may mark thousands or decimals: say 1200um or 1.200um"),
        (typed.parse_thickness, "1,200.5 µm", "where thousands and decimals cannot be told apart"),
        (typed.parse_thickness, "1.200,5 µm", "where thousands and decimals cannot be told apart"),
        (typed.parse_thickness, "1 200 µm", "where thousands and decimals cannot be told apart"),
        (typed.parse_thickness, "1'200 µm", "where thousands and decimals cannot be told apart"),
        (typed.parse_thickness, "nan", "got 'nan', expected"),
        (typed.parse_thickness, "inf mm", "got 'inf mm', expected"),
        (typed.parse_thickness, "1e400mm", "got '1e400mm', expected"),
        (typed.parse_thickness, "1e-999mm", "got '1e-999mm', expected"),
        (typed.parse_thickness, "1e99999mm", "got '1e99999mm', "),
        (typed.parse_thickness, "0mm", "got '0mm', expected"),
        (typed.parse_thickness, "\u22121 mm", "got '−1 mm', expected"),
        (typed.parse_thickness, "5²mm", "got '5²mm', "),
        (typed.parse_thickness, "1½ mm", "got '1½ mm', where a fraction goes with inches, ounces and pounds"),
        (typed.parse_length, "12 3/2 in", "got '12 3/2 in', expected a length"),
        (typed.parse_length, "12 1/0 in", "got '12 1/0 in', "),
        (typed.parse_thickness, "١.٢mm", "expected a wet film"),
        (typed.parse_thickness, "1.2mm\x1b[2J", r"got '1.2mm\x1b[2J', "),
        (typed.parse_length, "6m", "side: got '6m', expected a length between 2 cm and 5 m"),
        (typed.parse_size, "40cm", "expected width x height, each between 2 cm and 5 m, such as 40x50cm"),
        (typed.parse_size, "40x50", "which has no unit"),
        (typed.parse_size, "40cm x 50", "which has no unit"),
        (typed.parse_size, "40x50x60cm", "expected width x height"),
        (typed.parse_size, "40x9000cm", "expected width x height"),
        (typed.parse_size, "9000x40cm", "expected width x height"),
        (typed.parse_volume, "8 oz", "whose unit is none of ml, cl, l, fl oz (US)"),
        (typed.parse_volume, "51 l", "expected a volume between 1 ml and 50 l"),
        (typed.parse_volume, "250", "which has no unit"),
        (typed.parse_mass, "1,250 g", "say 1250g or 1.250g"),
        (typed.parse_temperature, "21", "which has no unit: say a room temperature"),
        (typed.parse_temperature, "-400 °C", "between -40 °C and 60 °C, such as 21C or 70F"),
        (typed.parse_temperature, "61C", "between -40 °C and 60 °C"),
        (typed.parse_temperature, "50%", "whose unit is none of °C, °F, K"),
        (typed.parse_humidity, "0.5", "which may be a fraction or a percentage: say 50%, or another percentage"),
        (typed.parse_humidity, "0,455", "say 45.5%, or another percentage"),
        (typed.parse_humidity, "1", "which may be a fraction or a percentage: say 100%"),
        (typed.parse_humidity, "0%", "between 1 % and 100 %"),
        (typed.parse_humidity, "150%RH", "between 1 % and 100 %"),
        (typed.parse_humidity, "21C", "whose unit is none of %, %RH"),
        (typed.parse_air, "0.04m/s", "still, draughty, fan, or an air speed between 0.05 m/s"),
        (typed.parse_air, "gale", "expected still, draughty, fan, or an air speed"),
        (typed.parse_air, "0.1", "which has no unit"),
        (typed.parse_back, "-5", "expected canvas, board, or a heat transfer coefficient"),
        (typed.parse_back, "wood", "expected canvas, board, or a heat transfer coefficient"),
        (typed.parse_fraction, "30", "which looks like a percentage without its sign"),
        (typed.parse_fraction, "1", "which looks like a percentage without its sign"),
        (typed.parse_fraction, "101%", "a fraction between 0 and 1 (0% and 100%)"),
        (typed.parse_fraction, "-0.1", "a fraction between 0 and 1"),
    ],
)
def test_is_asked_back(parse: Callable[[str], object], text: str, message: str) -> None:
    with pytest.raises(InputError) as caught:
        parse(text)
    assert message in str(caught.value)
    assert caught.value.given == text
    assert str(caught.value.allowed) in str(caught.value)


@pytest.mark.parametrize("text", ["", "  "])
def test_where_nothing_was_typed_it_is_said_how_to(text: str) -> None:
    for parse, how in ((typed.parse_thickness, "wet_thickness: type a thickness, for example 1.2 mm"),
                       (typed.parse_mass, "grams: type a weight, for example 512 g")):  # fmt: skip
        with pytest.raises(InputError) as caught:
            parse(text)
        assert (str(caught.value), caught.value.given) == (how, text)


def test_a_fraction_has_the_range_its_caller_gives_it() -> None:
    assert typed.parse_fraction("5%", field=Field.GLYCOL, low=0.0, high=0.15) == 0.05
    with pytest.raises(InputError, match=r"glycol: got '0\.2', expected a fraction between 0 and 0\.15"):
        typed.parse_fraction("0.2", field=Field.GLYCOL, low=0.0, high=0.15)


def test_the_asked_back_spellings_are_understood() -> None:
    with pytest.raises(InputError) as caught:
        typed.parse_mass("1,250 g")
    assert [typed.parse_mass(choice) for choice in str(caught.value.allowed).split(" or ")] == [1.25, 0.00125]


FRAGMENTS = st.sampled_from(
    [*"0123456789.,-+e% \u00a0x×'\"²µ°", "mm", "cm", "in", "fl oz", "C", "F", "K", "RH", "nan", "inf", "1e400"]
)
GARBLE = st.text() | st.lists(FRAGMENTS, max_size=12).map("".join)


@pytest.mark.parametrize("parse", PARSERS, ids=lambda parse: parse.__name__)
@given(text=GARBLE)
@example("9" * 1_000_000)
@example("\ud800")
@example("\0")
@example("1" + " " * 100 + "mm")
def test_nothing_but_bad_input_is_raised(parse: Callable[[str], object], text: str) -> None:
    said = ""
    try:
        parse(text)
    except InputError as error:
        said = str(error)
    assert said.isprintable()
    assert len(said) < 400
    said.encode()


@given(st.text() | st.binary() | st.floats() | st.lists(st.text()))
def test_a_quotation_is_short_and_printable(given_: object) -> None:
    assert len(quoted(given_)) <= 60
    assert quoted(given_).isprintable()


def test_short_text_is_quoted_whole() -> None:
    assert quoted("9m") == "'9m'"
    assert quoted("x" * 58) == repr("x" * 58)
    assert quoted("x" * 59) == f"'{'x' * 57}…'"


def test_bad_input_survives_pickling() -> None:
    error = InputError(Field.AT, "02:30", "a or b", "which happens twice")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
