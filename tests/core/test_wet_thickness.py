"""Exactly one way to a thickness."""

from __future__ import annotations

import pytest

from curewatch.intake.typed.wet_thickness import Thickness, thickness_of
from curewatch.records import ThicknessSource
from curewatch.records.errors import InputError


def of(**typed: str) -> Thickness:
    return thickness_of(*(typed.get(name) for name in ("wet_thickness", "poured", "ran_off", "size", "layer")))


def test_a_comb_gauge() -> None:
    assert of(wet_thickness="1.2mm") == Thickness(1.2e-3, ThicknessSource.GAUGE)
    assert of(wet_thickness="1.2mm", size="40x50cm").size_m == (0.4, 0.5)


def test_volume_over_area_less_what_ran_off() -> None:
    found = of(poured="300ml", ran_off="60ml", size="40x50cm")
    assert found.metres == pytest.approx(1.2e-3)
    assert (found.source, found.drained) == (ThicknessSource.VOLUME, True)


def test_a_fluid_ounce_on_25_square_inches_is_1_83_mm() -> None:
    """Common practice's rule for a bound (model section 7); exact to its three digits."""
    found = of(poured="1 fl oz", size="5x5in")
    assert found.metres == pytest.approx(1.83e-3, rel=2e-3)
    assert not found.drained


def test_nothing_ran_off_may_be_said() -> None:
    assert of(poured="300ml", ran_off="0ml", size="40x50cm") == Thickness(
        of(poured="300ml", size="40x50cm").metres, ThicknessSource.VOLUME, (0.4, 0.5), drained=True
    )


def test_words_are_in_order() -> None:
    found = [of(layer=word) for word in ("thin", "Medium", "thick")]
    assert [t.source for t in found] == [ThicknessSource.LAYER] * 3
    assert found[0].metres < found[1].metres < found[2].metres


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({}, "wet_thickness: missing, expected one way to a thickness"),
        ({"size": "40x50cm"}, "wet_thickness: missing"),
        ({"ran_off": "10ml", "size": "40x50cm"}, "poured: missing"),
        ({"poured": "250ml"}, "size: missing"),
        ({"wet_thickness": "1mm", "layer": "thin"}, "layer: got 'thin', beside wet_thickness"),
        ({"wet_thickness": "1mm", "poured": "1l", "size": "40x50cm"}, "poured: got '1l', beside wet_thickness"),
        ({"poured": "1l", "size": "40x50cm", "layer": "thin"}, "layer: got 'thin', beside poured"),
        ({"wet_thickness": "1mm", "ran_off": "10ml"}, "ran_off: got '10ml', which alone tells no thickness"),
        ({"layer": "fat"}, "layer: got 'fat', expected thin, medium or thick"),
        ({"layer": ""}, "layer: say thin, medium or thick"),
        ({"poured": "100ml", "ran_off": "100ml", "size": "40x50cm"}, "ran_off: got '100ml', expected less than"),
        ({"poured": "10l", "size": "40x50cm"}, "poured: got '10l', which over 40 x 50 cm makes 50 mm"),
        ({"poured": "1ml", "size": "40x50cm"}, "makes 0.005 mm: say a wet film between 20 µm and 10 mm"),
        ({"poured": "250ml", "ran_off": "-1ml", "size": "40x50cm"}, "ran_off: got '-1ml'"),
        ({"poured": "8 oz", "size": "40x50cm"}, "poured: got '8 oz'"),
        ({"poured": "250ml", "size": "40cm"}, "size: got '40cm'"),
    ],
)
def test_anything_else_is_asked_back(typed: dict[str, str], says: str) -> None:
    with pytest.raises(InputError) as caught:
        of(**typed)
    assert says in str(caught.value)
    assert ("missing" in str(caught.value)) == (caught.value.given is None)
