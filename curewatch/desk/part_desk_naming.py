"""Names that people type: what is new is made and said so, and a near miss is pointed out."""

from __future__ import annotations

import difflib

from curewatch.records import Recipe, Room
from curewatch.store import Transaction

DEFAULT_RECIPE = "house mix"
"""What a pour without a recipe is taken to be."""


def meet_room(tx: Transaction, name: str) -> list[str]:
    """Make the room if it is new; what there is to say of that."""
    if tx.room(name) is not None:
        return []
    near = difflib.get_close_matches(name, [room.name for room in tx.rooms()], 1)
    tx.add_room(Room(name=name))
    return [f"room {name!r} is new" + (f"; did you mean {near[0]!r}?" if near else "")]


def meet_recipe(tx: Transaction, name: str | None) -> list[str]:
    """Make the recipe (None: the usual one) if it is new; what there is to say of that."""
    if tx.recipe(name or DEFAULT_RECIPE) is not None:
        return []
    recipe = Recipe(name=name or DEFAULT_RECIPE)
    near = difflib.get_close_matches(recipe.name, [known.name for known in tx.recipes()], 1) if name else []
    tx.put_recipe(recipe)
    if name is None:
        return []
    assumed = f"recipe {name!r} is new: taken as {recipe.solids:.0%} solids, {recipe.glycol:.0%} glycol by volume"
    return [assumed + (f"; did you mean {near[0]!r}?" if near else "")]


def nearest(given: str, names: list[str], what: str) -> str:
    """What would have done in place of `given`."""
    near = difflib.get_close_matches(given, names, 3, 0.5)
    if near:
        return f"{what}, perhaps {' or '.join(repr(name) for name in near)}"
    return f"{what}: {', '.join(repr(name) for name in names[:8])}" if names else f"{what} (none is logged yet)"
