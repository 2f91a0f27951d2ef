"""Supports and shapes as they are typed."""

from __future__ import annotations

import math

import pytest

from curewatch.physics.supports import BACKINGS
from curewatch.records import Support
from curewatch.records.errors import InputError
from curewatch.studio.wording import SUPPORTS
from tests.core.typed_parsers import parse_shape, parse_support
from tests.studio_scene import drying


@pytest.mark.parametrize("typed", ["raw-panel", "Raw Panel", " raw  panel "])
def test_a_support_goes_by_its_name(typed: str) -> None:
    assert parse_support(typed) is Support.RAW_PANEL


def test_every_support_has_its_physics_and_its_words() -> None:
    assert set(BACKINGS) == set(SUPPORTS) == set(Support)


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("40x50cm", (0.4, 0.5, False)),
        ("round 40cm", (0.4, 0.4, True)),
        ("Round 16 in", (0.4064, 0.4064, True)),
        ("40 cm round", (0.4, 0.4, True)),
        ("ø40cm", (0.4, 0.4, True)),
    ],
)
def test_a_shape_is_two_sides_or_a_diameter(typed: str, expected: tuple[float, float, bool]) -> None:
    assert parse_shape(typed) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("typed", "says"),
    [("round", "round 40cm"), ("round 40", "no unit"), ("round 9km", "none of"), ("round 40x50cm", "diameter"),
     ("square 40cm", "round 40cm"), ("round round 40cm", "diameter"), ("round " + "4" * 500 + "cm", "round 40cm")],
)  # fmt: skip
def test_other_shapes_are_asked_back(typed: str, says: str) -> None:
    with pytest.raises(InputError, match="size") as caught:
        parse_shape(typed)
    assert says in str(caught.value)


@pytest.mark.parametrize("typed", ["velvet", "raw", "5", "x" * 10_000])
def test_other_supports_are_refused_by_name(typed: str) -> None:
    with pytest.raises(InputError, match="raw-panel"):
        parse_support(typed)


def test_a_round_face_is_a_disc() -> None:
    pour = drying().pour.model_copy(update={"width_m": 0.4, "height_m": 0.4, "round": True})
    assert pour.face_m2 == pytest.approx(math.pi * 0.2**2)
    assert pour.model_copy(update={"round": False}).face_m2 == pytest.approx(0.16)
    assert pour.model_copy(update={"width_m": None}).face_m2 is None
