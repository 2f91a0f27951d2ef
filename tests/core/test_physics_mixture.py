"""What a mix is made of, and how thick it lies."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.physics.film import wet_thickness
from curewatch.physics.mixture import WATER_LIMIT, Material, mix

SHELF_FILE = Path(__file__).parents[2] / "config" / "materials.toml"
SHELF = {
    name: Material(m["solids"], m["glycol"], 1 - m["solids"] - m["glycol"] - slow, 1000 * m["density"], m["kind"], slow)
    for name, m in tomllib.loads(SHELF_FILE.read_text(encoding="utf-8")).items()
    for slow in (m.get("coalescent", 0.0),)
}
WATER = SHELF["water"]
fractions = st.tuples(st.floats(0.1, 0.6), st.floats(0, 0.15), st.floats(0, 0.15)).map(
    lambda f: Material(f[0], f[1], 1 - sum(f), 1100, coalescent=f[2])
)


@pytest.mark.parametrize("paint", [name for name, m in SHELF.items() if m.kind == "paint"])
def test_a_common_pour_mix_has_a_solids_fraction_of_a_fifth_to_a_third(paint: str) -> None:
    """One part paint, two of medium and a little water: 0.2-0.35 (common practice)."""
    found = mix([(SHELF[paint], 1), (SHELF["pouring medium"], 2), (WATER, 0.25)])
    assert 0.2 <= found.solids <= 0.35
    assert not found.too_much_water


@given(st.lists(st.tuples(fractions, st.floats(0.01, 50)), min_size=1, max_size=5), st.floats(0, 5))
def test_volumes_and_masses_add_up(parts: list[tuple[Material, float]], water: float) -> None:
    found = mix([*parts, (WATER, water)])
    total = sum(p for _, p in parts) + water
    assert found.solids + found.glycol + found.coalescent + found.water == pytest.approx(1)
    assert found.coalescent * total == pytest.approx(sum(m.coalescent * p for m, p in parts))
    assert found.solids * total == pytest.approx(sum(m.solids * p for m, p in parts))
    assert found.density * total == pytest.approx(sum(m.density * p for m, p in parts) + WATER.density * water)


def test_water_is_counted_against_the_paint() -> None:
    paint, medium = SHELF["fluid paint"], SHELF["pouring medium"]
    just = mix([(paint, 10), (medium, 20), (WATER, 3)])
    assert just.added_water_share == pytest.approx(WATER_LIMIT)
    assert not just.too_much_water
    assert mix([(paint, 10), (medium, 20), (WATER, 3.1)]).too_much_water
    assert mix([(medium, 10), (WATER, 2)]).added_water_share == pytest.approx(0.2)


@pytest.mark.parametrize("parts", [[], [(WATER, 1.0)], [(SHELF["white glue"], 0.0)]])
def test_a_mix_of_nothing_is_refused(parts: list[tuple[Material, float]]) -> None:
    with pytest.raises(ValueError, match="needs some paint or medium"):
        mix(parts)


@pytest.mark.parametrize("part", [-1.0, float("nan"), float("inf")])
def test_parts_are_amounts(part: float) -> None:
    with pytest.raises(ValueError, match="parts by volume must be 0 or more"):
        mix([(SHELF["white glue"], part)])


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ((0.5, 0.1, 0.5, 1000), "add up to 1, got 1.1"),
        ((1.2, 0.0, -0.2, 1000), "solids must be a fraction from 0 to 1, got 1.2"),
        ((float("nan"), 0.5, 0.5, 1000), "solids must be a fraction"),
        ((0.5, 0.0, 0.5, 1.0), r"500\.\.3000 kg/m3, got 1.0"),
        ((0.5, 0.0, 0.5, 1000, "oil"), "one of paint, medium, water, got 'oil'"),
    ],
)
def test_impossible_materials_are_refused(wrong: tuple[float, ...], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        Material(*wrong)  # type: ignore[arg-type]


def test_a_fluid_ounce_on_25_square_inches() -> None:
    """1.83 mm, the rule for a bound of common practice."""
    assert wet_thickness(29.5735e-6, 0.0, 25 * 0.0254**2) == pytest.approx(1.83e-3, abs=0.005e-3)


def test_what_ran_off_is_not_on_the_piece() -> None:
    assert wet_thickness(300e-6, 100e-6, 0.2) == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("poured", "ran_off", "area"), [(1, 1, 1), (1, 2, 1), (1, -1, 1), (1, 0, 0), (1, 0, float("nan"))]
)
def test_a_thickness_of_nothing_is_refused(poured: float, ran_off: float, area: float) -> None:
    with pytest.raises(ValueError, match="must be"):
        wet_thickness(poured, ran_off, area)
