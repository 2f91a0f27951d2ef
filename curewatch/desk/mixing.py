"""Recipes by their parts, the materials they are made of, what to take of each, and what of a mix runs off."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import DEFAULT_RECIPE, meet_recipe, nearest
from curewatch.desk.retraction import doubt
from curewatch.language import Percent, phrase
from curewatch.records import Recipe
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import ObservationKind
from curewatch.records.names import same_name
from curewatch.records.workshop import RecipeMix
from curewatch.settings import MaterialSettings, Settings, load_materials
from curewatch.store import Transaction
from curewatch.studio import mixing
from curewatch.studio.mixing import (
    Material,
    MeasuredShare,
    Mixture,
    Need,
    Portion,
    RunOff,
    UnknownMaterial,
    expected,
    share_of,
)

SOLIDS, GLYCOL, COALESCENT = (0.05, 0.70), (0.0, 0.15), (0.0, 0.15)
"""As a recipe may have them, by volume of the wet paint."""


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
            name: Material(
                solids=one.solids,
                glycol=one.glycol,
                water=1 - one.solids - one.glycol - one.coalescent,
                density=one.density * 1000,
                kind=one.kind,
                coalescent=one.coalescent,
            )
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

    recipe: str
    told: RecipeMix | None
    """None: nobody said, so only how much of the mix is needed is known."""
    found: Mixture | None
    needed: Need
    pieces: int
    portions: list[Portion]
    price: float | None
    run_off: RunOff | None
    """What is believed of what runs off; None: it was said."""


def recipe_of(told: RecipeMix, shelf: Materials) -> tuple[Recipe, Mixture]:
    """What a recipe told by its parts comes out at.

    InputError for a material that is not on the shelf or named twice, for nothing but water, and for what comes out at
    more or fewer solids, or more solvent, than the drying model speaks for.
    """
    names = [part.material for part in told.parts]
    given = ", ".join(f"{part.material}={part.amount:g}" for part in told.parts)
    for name in names:
        if name not in shelf.materials:
            near = difflib.get_close_matches(name, list(shelf.materials), 1) or sorted(shelf.materials)
            raise InputError(
                Field.PART, name, phrase("a material on the shelf: {names}", names=", ".join(map(repr, near)))
            )
    if len(set(names)) < len(names):
        raise InputError(Field.PART, given, phrase("each material once"))
    try:
        found = mixing.mixed(told, shelf.materials)
    except ValueError:
        raise InputError(Field.PART, given, phrase("a mix that holds more than water")) from None
    spoken_for = {"solids": SOLIDS, "glycol": GLYCOL, "coalescent": COALESCENT}
    shares = {what: getattr(found, what) for what in spoken_for}
    for what, (low, high) in spoken_for.items():
        value = shares[what]
        if not low <= value <= high:
            allowed = phrase(
                "{what} between {low} and {high} of the volume, which the drying model speaks for",
                what=what,
                low=Percent(100 * low),
                high=Percent(100 * high),
            )
            raise InputError(
                Field.PART,
                given,
                phrase(
                    "{allowed}: this comes out at {value} {what}",
                    allowed=allowed,
                    value=Percent(100 * value, 1),
                    what=what,
                ),
            )
    return Recipe(name=told.recipe, stated=True, **shares), found


def cup(
    recipe: str, told: RecipeMix | None, shelf: Materials, needed: Need, pieces: int, believed: RunOff | None
) -> Batch:
    """What to take of each part for so much. InputError where a material has left the shelf."""
    if told is None:
        return Batch(recipe, None, None, needed, pieces, [], None, believed)
    try:
        portions, found = mixing.portions(told, shelf.materials, needed.whole), mixing.mixed(told, shelf.materials)
    except UnknownMaterial as missing:
        allowed = phrase("a recipe of materials on the shelf, which has no {name}", name=repr(missing.name))
        raise InputError(Field.RECIPE, told.recipe, allowed) from None
    return Batch(recipe, told, found, needed, pieces, portions, shelf.price_of(portions), believed)


def as_mixed(desk: Desk, recipe: str, shelf: Materials) -> tuple[RecipeMix | None, Mixture | None]:
    """The recipe's parts and what they come out at; None where nobody told them, or a material has left the shelf."""
    with desk.store.read() as tx:
        told = tx.mix_of(recipe)
    try:
        return told, None if told is None else mixing.mixed(told, shelf.materials)
    except UnknownMaterial:
        return told, None


def put_recipe(
    desk: Desk, told: Recipe | RecipeMix, now: datetime, *, new: bool = False
) -> tuple[Recipe, Mixture | None]:
    """Say what a recipe is made of, its solids or its parts, or correct it; with what the parts come out at.

    Its pieces are forecast anew. Raises as `recipe_of`, and NearName for one that sounds like another unless it is new.
    """
    recipe, found = (told, None) if isinstance(told, Recipe) else recipe_of(told, Materials.of(desk.settings))
    with desk.store.write() as tx:
        called, _ = meet_recipe(tx, recipe.name, new=new)
        recipe = recipe.model_copy(update={"name": called})
        poured = [pour.piece_id for pour in tx.pours([piece.id for piece in tx.pieces()]) if pour.recipe == called]
        doubt(tx, poured, phrase("its recipe was corrected"), now)
        tx.put_recipe(recipe)
        if isinstance(told, RecipeMix):
            tx.put_mix(told.model_copy(update={"recipe": called}))
        mark_changed(tx)
    return recipe, found


def mix_of(desk: Desk, name: str) -> RecipeMix | None:
    """How the recipe is mixed; None where nobody has said. InputError if there is no such recipe."""
    with desk.store.read() as tx:
        known = [one.name for one in tx.recipes()]
        name = same_name(name, known) or name
        mix = tx.mix_of(name)
        if mix is None and name != DEFAULT_RECIPE and name not in known:
            known = [one.recipe for one in tx.mixes()]
            raise InputError(Field.RECIPE, name, nearest(name, known, phrase("a recipe whose parts are told")))
    return mix


def density_of(desk: Desk, recipe: str | None) -> float:
    """Of the recipe's wet mix [kg/m3]. InputError where its parts were not told, or have left the shelf."""
    _, found = as_mixed(desk, recipe or DEFAULT_RECIPE, Materials.of(desk.settings))
    if found is None:
        with desk.store.read() as tx:
            known = [one.recipe for one in tx.mixes()]
        what = nearest(recipe or "", known, phrase("a recipe whose parts are told, so that its weight is a volume"))
        raise InputError(Field.RECIPE, recipe or DEFAULT_RECIPE, what)
    return found.density


def run_off(desk: Desk, recipe: str, area_m2: float) -> RunOff:
    """What share of the next pour of a recipe onto a face of that area will run off."""
    with desk.store.read() as tx:
        return expected(_told(tx), recipe, area_m2)


def _told(tx: Transaction) -> list[MeasuredShare]:
    deleted = tx.deleted()
    paints = {paint.piece_id: paint for paint in tx.paints() if paint.piece_id not in deleted}
    weighed = [one for one in tx.observations(list(paints)) if one.kind is ObservationKind.WEIGHING]
    found = []
    for pour in tx.pours(list(paints)):
        mine = [one for one in weighed if one.piece_id == pour.piece_id]
        share = share_of(paints[pour.piece_id], pour, mine)
        if share is not None:
            found.append(MeasuredShare(pour.recipe, pour.face_m2, share))
    return found
