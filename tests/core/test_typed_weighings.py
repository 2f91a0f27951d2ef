"""A weighing as typed: mass, and the scale's step by the last digit."""

from __future__ import annotations

import pytest

from curewatch.intake.typed.quantities import parse_weighing
from curewatch.records.errors import InputError


@pytest.mark.parametrize(
    ("typed", "grams", "step"),
    [
        ("512", 512, 1),
        ("512.5", 512.5, 0.1),
        ("512.50 g", 512.5, 0.01),
        ("1.25kg", 1250, 10),
        ("1.2kg", 1200, 100),
        ("1.200 kg", 1200, 1),
        ("1 1/2 lb", 680.388555, 226.796185),
        ("18 oz", 510.291414, 28.349523),
    ],
)
def test_the_last_digit_is_the_scales_step(typed: str, grams: float, step: float) -> None:
    found = parse_weighing(typed)
    assert (found.grams, found.resolution_g) == (pytest.approx(grams), pytest.approx(step))


def test_a_step_that_is_said_counts() -> None:
    assert parse_weighing("512", "5g").resolution_g == 5


@pytest.mark.parametrize("typed", ["heavy", "-5", "0", "1e9"])
def test_no_mass_is_quoted(typed: str) -> None:
    with pytest.raises(InputError, match="grams"):
        parse_weighing(typed)
