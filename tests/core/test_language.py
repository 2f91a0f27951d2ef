"""Sentences hold values; each reader reads the same values in their own language, units, clock and order of dates."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from curewatch import language
from curewatch.intake.typed.numbers import Quantity
from curewatch.intake.typed.quantities import SIDE, VOLUME, WET_FILM, parse_weighing
from curewatch.language import (
    Capital,
    Difference,
    Length,
    Listed,
    Mass,
    Percent,
    Reader,
    Size,
    Span,
    Temperature,
    TemperatureRange,
    Thickness,
    Volume,
    When,
    Words,
    catalogue,
    joined,
    phrase,
    phrase_n,
    reader_for,
)
from curewatch.language.catalogue import Catalogue
from curewatch.records.errors import Field

AT = datetime(2026, 12, 4, 16, 40, tzinfo=UTC)
METRIC = Reader()
AMERICAN = Reader(temperatures="F", measures="us", clock=12, order="month", zone=ZoneInfo("America/New_York"))
WORDS: TypeAdapter[Words] = TypeAdapter(Words)


@pytest.mark.parametrize(
    ("value", "metric", "american"),
    [
        (Temperature(18.9, 1), "18.9 °C", "66.0 °F"),
        (Temperature(-0.2), "0 °C", "32 °F"),
        (Difference(2.1, 1), "2.1 °C", "3.8 °F"),
        (Difference(3), "3 °C", "5 °F"),
        (TemperatureRange(18, 24), "18 to 24 °C", "64 to 75 °F"),
        (Length(0.3175), "31.8 cm", "12 1/2 in"),
        (Size(0.4064, 0.508), "40.6 x 50.8 cm", "16 x 20 in"),
        (Size(0.4, 0.5), "40 x 50 cm", "15 3/4 x 19 11/16 in"),
        (Thickness(1.2e-3), "1.2 mm", "47 mil"),
        (Mass(510.291), "510.3 g", "18 oz"),
        (Mass(12_345), "12345 g", "435.5 oz"),
        (Volume(236.588), "237 ml", "8 fl oz"),
        (Percent(49.6), "50 %", "50 %"),
        (When(AT), "Fri 4 Dec 2026 16:40", "Fri Dec 4, 2026, 11:40 am"),
        (When(AT, AT, "date"), "today 16:40", "today 11:40 am"),
        (When(AT, AT - timedelta(days=30)), "Fri 4 Dec 16:40", "Fri Dec 4, 11:40 am"),
        (Span(timedelta(hours=52)), "2 d 4 h", "2 d 4 h"),
        (Listed(("Heron", "Reed", "Eel", "Otter", "Crane")), "Heron, Reed, Eel and 2 more", None),
    ],
)
def test_a_value_is_said_in_the_readers_units(value: language.Value, metric: str, american: str | None) -> None:
    assert (METRIC.read(value), AMERICAN.read(value)) == (metric, american or metric)


def test_a_sentence_goes_through_json_as_sentence_and_values() -> None:
    said = joined(
        phrase("{room}: {temp}, since {at}", room="Shed {x}", temp=Temperature(7.5, 1), at=When(AT)),
        Capital(phrase_n("{n} piece, {air}", "{n} pieces, {air}", 2, air=phrase("still"))),
        None,
    )
    back = WORDS.validate_json(WORDS.dump_json(said))
    assert back == said
    assert METRIC.read(back) == "Shed {x}: 7.5 °C, since Fri 4 Dec 2026 16:40 2 pieces, still."
    assert WORDS.validate_json('"Told in °C before: 7.5 °C"') == "Told in °C before: 7.5 °C"


@given(st.floats(-60, 90), st.floats(-30, 30), st.integers(0, 2))
def test_fahrenheit_says_the_same_as_celsius(celsius: float, kelvin: float, digits: int) -> None:
    """To the roundings of both: half of a last digit each, of which one of °C is 1.8 of °F."""
    said = [Temperature(celsius, digits), Difference(kelvin, digits)]
    (t_c, d_c), (t_f, d_f) = ([_number(reader.read(one)) for one in said] for reader in (METRIC, AMERICAN))
    slack = (0.5 * 1.8 + 0.5) * 10**-digits + 1e-9
    assert abs(t_c * 9 / 5 + 32 - t_f) <= slack
    assert abs(d_c * 9 / 5 - d_f) <= slack


def _number(text: str) -> float:
    return float(text.split()[0])


@given(st.floats(0.02, 5))
def test_inches_say_the_same_as_centimetres(metres: float) -> None:
    centimetres = _number(METRIC.length(metres))
    inches = float(sum(map(Fraction, AMERICAN.length(metres).removesuffix(" in").split())))
    assert abs(inches * 2.54 - centimetres) <= 2.54 / 32 + 0.05 + 1e-9  # half a sixteenth, half a millimetre


@pytest.mark.parametrize(
    ("locale", "reads"),
    [
        ("en-US", ("en", "F", "us", 12, "month")),
        ("en_GB.UTF-8", ("en", "C", "metric", 24, "day")),
        ("es_ES", ("es", "C", "metric", 24, "day")),
        ("sv-SE", ("sv", "C", "metric", 24, "year")),
        ("es", ("es", "C", "metric", 24, "day")),
        ("C", ("en", "C", "metric", 24, "day")),
        ("", ("en", "C", "metric", 24, "day")),
        ("xx-QQ; q=nonsense", ("en", "C", "metric", 24, "day")),
    ],
)
def test_a_locale_says_how_somebody_reads(locale: str, reads: tuple[object, ...]) -> None:
    found = reader_for(locale)
    assert (found.language, found.temperatures, found.measures, found.clock, found.order) == reads or locale[:2] == "xx"


def test_units_may_be_of_another_country_than_the_language() -> None:
    found = reader_for("en_US", units="en_GB", times="sv_SE")
    assert (found.temperatures, found.measures, found.clock, found.order) == ("C", "metric", 24, "year")


def test_another_language_has_its_own_sentences_plurals_days_and_decimal_sign(monkeypatch: pytest.MonkeyPatch) -> None:
    texts = {"{room}: {temp} on {at}": "{at}, {room}: {temp}"}
    plurals = {("{n} piece", "{n} pieces"): ("{n} pieza", "{n} piezas")}
    spanish = Catalogue(texts, plurals)
    monkeypatch.setattr(
        language.reader, "catalogue", lambda name: spanish if name == "es" else catalogue.catalogue(name)
    )
    reader = reader_for("es_ES")
    said = phrase("{room}: {temp} on {at}", room="Nave", temp=Temperature(7.5, 1), at=When(AT, AT, "day"))
    assert reader.read(said) == "vie 4 dic, Nave: 7,5 °C"
    assert [reader.read(phrase_n("{n} piece", "{n} pieces", n)) for n in (1, 2)] == ["1 pieza", "2 piezas"]
    assert reader.read(phrase("not yet translated")) == "not yet translated"


@pytest.mark.parametrize("typed", ["12 1/2 in", "16 in", "3/32 in", "9 3/4 in", "12.3 in", "7.25 in", "10 1/16 in"])
def test_a_length_that_was_typed_in_inches_comes_back_as_it_was_typed(typed: str) -> None:
    metres = 3 / 32 * 0.0254 if typed == "3/32 in" else SIDE.parse(typed, Field.SIZE)  # too short for a side
    said = Reader(measures="us").length(metres)
    assert said == {"7.25 in": "7 1/4 in"}.get(typed, typed)
    assert Reader().length(metres).endswith(("cm", "mm")), "in the other unit to others"


@pytest.mark.parametrize(("typed", "parse"), [("80 mil", WET_FILM), ("47.5 mil", WET_FILM), ("8 mil", WET_FILM)])
def test_a_film_that_was_typed_in_mil_comes_back_so(typed: str, parse: Quantity) -> None:
    assert Reader(measures="us").thickness(parse.parse(typed, Field.WET_THICKNESS)) == typed


@pytest.mark.parametrize("typed", ["18 oz", "9.5 oz", "30.25 oz"])
def test_a_weight_that_was_typed_in_ounces_comes_back_so(typed: str) -> None:
    assert Reader(measures="us").mass(parse_weighing(typed).grams) == typed


@pytest.mark.parametrize("typed", ["8 fl oz", "12.5 fl oz", "0.75 fl oz"])
def test_an_amount_that_was_typed_in_fluid_ounces_comes_back_so(typed: str) -> None:
    assert Reader(measures="us").volume(VOLUME.parse(typed, Field.POURED) * 1e6) == typed


def test_whole_centimetres_are_sixteenths_to_a_reader_of_inches() -> None:
    """40 cm are 15.748 in, which nobody types."""
    assert Reader(measures="us").size(0.4, 0.5) == "15 3/4 x 19 11/16 in"
