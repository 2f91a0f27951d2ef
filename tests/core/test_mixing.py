"""Mixing: a mass balance by hand, parts by weight, and paint for a shape."""

from __future__ import annotations

import math

import pytest

from curewatch.desk.mixing import Materials
from curewatch.physics.mixture import Material
from curewatch.records.workshop import Part, RecipeMix
from curewatch.settings import Settings
from curewatch.studio.mixing import EDGE_SHARE, Shape, UnknownMaterial, mixed, need, portions

SHELF = {
    "paint": Material(0.35, 0.04, 0.61, 1150.0, "paint"),
    "medium": Material(0.30, 0.03, 0.67, 1050.0),
    "water": Material(0.0, 0.0, 1.0, 998.0, "water"),
}


def recipe(by_weight: bool = False, **parts: float) -> RecipeMix:
    told = tuple(Part(material=name, amount=amount) for name, amount in parts.items())
    return RecipeMix(recipe="river blend", by_weight=by_weight, parts=told)


@pytest.mark.parametrize("by_weight", [False, True])
def test_the_cup_weighs_what_went_into_it(by_weight: bool) -> None:
    """Mass and solids balance, counted part by part in another way than the code's."""
    told = recipe(by_weight, paint=1, medium=2, water=0.1)
    taken = portions(told, SHELF, 1e-3)
    assert sum(p.volume for p in taken) == pytest.approx(1e-3, rel=1e-12)
    assert sum(p.mass for p in taken) == pytest.approx(mixed(told, SHELF).density * 1e-3, rel=1e-12)
    solids = sum(p.volume * SHELF[p.material].solids for p in taken)
    assert solids == pytest.approx(mixed(told, SHELF).solids * 1e-3, rel=1e-12)
    amounts = [p.mass if by_weight else p.volume for p in taken]
    assert [a / amounts[0] for a in amounts] == pytest.approx([1, 2, 0.1])


def test_by_hand() -> None:
    """(0.35 + 2 * 0.30) / 3.1 solids; weighed, 1/1150 : 2/1050 : 0.1/998 by volume."""
    assert mixed(recipe(paint=1, medium=2, water=0.1), SHELF).solids == pytest.approx(0.95 / 3.1)
    v = [1 / 1150, 2 / 1050, 0.1 / 998]
    weighed = mixed(recipe(True, paint=1, medium=2, water=0.1), SHELF)
    assert weighed.solids == pytest.approx((0.35 * v[0] + 0.30 * v[1]) / sum(v))
    assert weighed.density == pytest.approx(3.1 / sum(v))


@pytest.mark.parametrize("paint", ["heavy-body paint", "fluid paint", "craft paint"])
def test_the_shelf_gives_common_mixes_their_common_solids(paint: str) -> None:
    """One part of paint to two of medium with a little water: 20 to 35 % solids (common practice, model section 7)."""
    shelf = Materials.of(Settings()).materials
    found = mixed(recipe(**{paint: 1, "pouring medium": 2, "water": 0.1}), shelf)
    assert 0.20 <= found.solids <= 0.35
    assert not found.too_much_water
    assert mixed(recipe(**{paint: 1, "water": 0.31}), shelf).too_much_water


def test_a_material_that_is_not_there_is_named() -> None:
    with pytest.raises(UnknownMaterial, match="glitter"):
        mixed(recipe(glitter=1), SHELF)


def test_paint_for_four_canvases_by_hand() -> None:
    """40 x 50 cm, 2 cm deep, 1.2 mm: faces 4 * 240 ml; sides 4 * 1.8 m * 2 cm * 1.2 mm, half of it staying."""
    needed = need(Shape(0.4, 0.5), 4, 1.2e-3, depth=0.02, run_off=0.25)
    assert needed.faces == pytest.approx(960e-6)
    assert needed.edges == pytest.approx(172.8e-6 * EDGE_SHARE)
    assert needed.runs_off == pytest.approx(0.25 * needed.whole)


def test_a_fluid_ounce_on_25_square_inches() -> None:
    """The trade's rule of thumb: 1 US fl oz per 25 in2 is 1.83 mm before anything runs off."""
    side = math.sqrt(25) * 0.0254
    assert need(Shape(side, side), 1, 1.8336e-3, depth=0.0, run_off=0.0).whole == pytest.approx(29.5735e-6, rel=1e-3)


def test_a_round_piece_has_a_disc_and_a_rim() -> None:
    disc = Shape(0.3, 0.3, round=True)
    assert disc.area == pytest.approx(math.pi * 0.15**2)
    assert disc.girth == pytest.approx(2 * math.pi * 0.15)


@pytest.mark.parametrize("share", [1.0, -0.1])
def test_not_everything_can_run_off(share: float) -> None:
    with pytest.raises(ValueError, match="run-off"):
        need(Shape(0.3, 0.3), 1, 1e-3, depth=0, run_off=share)
