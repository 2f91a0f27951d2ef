"""Recipes by their parts."""

from __future__ import annotations

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.naming import nearest
from curewatch.desk.orders import FactError
from curewatch.records import Recipe
from curewatch.workshop import RecipeMix


def put_mix(desk: Desk, recipe: Recipe, mix: RecipeMix) -> None:
    """Say how a recipe is mixed and what that comes out at; its pieces are forecast anew."""
    with desk.store.write() as tx:
        tx.put_recipe(recipe)
        tx.put_mix(mix)
        mark_changed(tx)


def mix_of(desk: Desk, name: str) -> RecipeMix:
    """How the recipe is mixed. FactError if no such recipe has its parts told."""
    with desk.store.read() as tx:
        mix = tx.mix_of(name)
        if mix is None:
            known = [one.recipe for one in tx.mixes()]
            raise FactError("RECIPE", name, nearest(name, known, "a recipe whose parts are told"))
    return mix
