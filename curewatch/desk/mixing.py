"""The materials on the shelf, a recipe made of them, and what to take of each for so many pieces."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from curewatch.desk.desk import Desk
from curewatch.desk.orders import FactError
from curewatch.records import Recipe
from curewatch.records.workshop import RecipeMix
from curewatch.settings import MaterialSettings, Settings, load_materials
from curewatch.studio import mixing
from curewatch.studio.mixing import Material, Mixture, Need, Portion, UnknownMaterial
from curewatch.studio.part_studio_run_off import RunOff

SOLIDS, GLYCOL = (0.05, 0.70), (0.0, 0.15)
"""As a recipe may have them, by volume of the wet paint."""
_BY_PARTS = "--part"


@dataclass(frozen=True)
class Materials:
    """What stands there, by name."""

    known: Mapping[str, MaterialSettings]
    materials: Mapping[str, Material]
    """The same as the studio reckons with it."""

    @classmethod
    def of(cls, settings: Settings) -> Materials:
        """Those that come with curewatch, and those beside the settings. Raises SettingsError."""
        known = load_materials(settings.file)
        made = {
            name: Material(one.solids, one.glycol, 1 - one.solids - one.glycol, one.density * 1000, one.kind)
            for name, one in known.items()
        }
        return cls(known, made)

    def price_of(self, portions: Sequence[Portion]) -> float | None:
        """Of all of it; None as long as one part has no price (water needs none)."""
        prices = {p.material: self.known[p.material].price for p in portions}
        if any(price is None for name, price in prices.items() if name != "water"):
            return None
        return round(sum(p.volume * 1000 * (prices[p.material] or 0.0) for p in portions), 2)


@dataclass(frozen=True)
class Batch:
    """What to take of each part."""

    told: RecipeMix
    found: Mixture
    needed: Need
    pieces: int
    portions: list[Portion]
    price: float | None
    run_off: RunOff | None
    """What is believed of what runs off; None: it was said."""


def recipe_of(told: RecipeMix, shelf: Materials) -> tuple[Recipe, Mixture]:
    """What a recipe told by its parts comes out at.

    FactError for a material that is not on the shelf or named twice, for nothing but water, and for what comes out at
    more or fewer solids, or more glycol, than the drying model speaks for.
    """
    names = [part.material for part in told.parts]
    given = ", ".join(f"{part.material}={part.amount:g}" for part in told.parts)
    for name in names:
        if name not in shelf.materials:
            near = difflib.get_close_matches(name, list(shelf.materials), 1) or sorted(shelf.materials)
            raise FactError(_BY_PARTS, name, f"a material on the shelf: {', '.join(map(repr, near))}")
    if len(set(names)) < len(names):
        raise FactError(_BY_PARTS, given, "each material once")
    try:
        found = mixing.mixed(told, shelf.materials)
    except ValueError as problem:
        raise FactError(_BY_PARTS, given, f"a mix that holds more than water ({problem})") from None
    for what, value, (low, high) in (("solids", found.solids, SOLIDS), ("glycol", found.glycol, GLYCOL)):
        if not low <= value <= high:
            allowed = f"{what} between {low:.0%} and {high:.0%} of the volume, which the drying model speaks for"
            raise FactError(_BY_PARTS, given, f"{allowed}: this comes out at {value:.1%} {what}")
    return Recipe(name=told.recipe, solids=found.solids, glycol=found.glycol, stated=True), found


def cup(told: RecipeMix, shelf: Materials, needed: Need, pieces: int, believed: RunOff | None) -> Batch:
    """What to take of each part for so much. FactError where a material has left the shelf."""
    try:
        portions, found = mixing.portions(told, shelf.materials, needed.whole), mixing.mixed(told, shelf.materials)
    except UnknownMaterial as missing:
        allowed = f"a recipe of materials on the shelf, which has no {missing.name!r}"
        raise FactError("RECIPE", told.recipe, allowed) from None
    return Batch(told, found, needed, pieces, portions, shelf.price_of(portions), believed)


def as_mixed(desk: Desk, recipe: str, shelf: Materials) -> tuple[RecipeMix | None, Mixture | None]:
    """The recipe's parts and what they come out at; None where nobody told them, or a material has left the shelf."""
    with desk.store.read() as tx:
        told = tx.mix_of(recipe)
    try:
        return told, None if told is None else mixing.mixed(told, shelf.materials)
    except UnknownMaterial:
        return told, None
