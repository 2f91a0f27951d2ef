"""Pieces with their pours, recipes and stays, as facts alone: nothing of what has been learned of them."""

from __future__ import annotations

from collections.abc import Iterable

from curewatch.records import Piece, Recipe, Stay
from curewatch.store import Transaction
from curewatch.studio.forecasting.drying import Drying


def dryings_of(tx: Transaction, pieces: Iterable[Piece]) -> list[Drying]:
    """Those of these pieces that were poured, here or gone; one that was taken back has left without its pour."""
    by_id = {piece.id: piece for piece in pieces}
    recipes = {recipe.name: recipe for recipe in tx.recipes()}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(by_id):
        stays.setdefault(stay.piece_id, []).append(stay)
    return [
        Drying(by_id[pour.piece_id], pour, recipes.get(pour.recipe, Recipe(name=pour.recipe)), tuple(there))
        for pour in tx.pours(by_id)
        if (there := stays.get(pour.piece_id))
    ]
