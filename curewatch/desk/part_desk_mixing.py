"""Recipes by their parts, and what of a mix runs off."""

from __future__ import annotations

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import FactError
from curewatch.desk.part_desk_naming import nearest
from curewatch.records import Recipe
from curewatch.records.observations import ObservationKind
from curewatch.records.workshop import RecipeMix
from curewatch.store import Transaction
from curewatch.studio.part_studio_run_off import MeasuredShare, RunOff, expected, share_of


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


def run_off(desk: Desk, recipe: str, area_m2: float) -> RunOff:
    """What share of the next pour of a recipe onto a face of that area will run off."""
    with desk.store.read() as tx:
        return expected(_told(tx), recipe, area_m2)


def _told(tx: Transaction) -> list[MeasuredShare]:
    paints = {paint.piece_id: paint for paint in tx.paints()}
    weighed = [one for one in tx.observations(list(paints)) if one.kind is ObservationKind.WEIGHING]
    found = []
    for pour in tx.pours(list(paints)):
        mine = [one for one in weighed if one.piece_id == pour.piece_id]
        share = share_of(paints[pour.piece_id], pour, mine)
        if share is not None:
            found.append(MeasuredShare(pour.recipe, pour.face_m2, share))
    return found
