"""Pieces with their pours, recipes, stays and finger tests, as facts alone: nothing of what has been learned of them.
Here their stored forecasts are held within what was found of them, for all that reads them.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from curewatch.desk.snapshot.air import read_errors
from curewatch.records import Forecast, Piece, Recipe, Stay
from curewatch.records.facts import Observation
from curewatch.records.workshop import Promise, Tilt
from curewatch.store import Transaction
from curewatch.studio.air.sensors import ReadError
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.standing import bounded


def dryings_of(tx: Transaction, pieces: Iterable[Piece]) -> list[Drying]:
    """Those of these pieces that were poured, here or gone; one that was taken back has left without its pour."""
    by_id = {piece.id: piece for piece in pieces}
    recipes = {recipe.name: recipe for recipe in tx.recipes(removed=True)}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(by_id):
        stays.setdefault(stay.piece_id, []).append(stay)
    found: dict[int, list[Observation]] = {}
    for one in tx.observations(by_id, finger=True):
        found.setdefault(one.piece_id, []).append(one)
    tilts: dict[int, list[Tilt]] = {}
    for tilt in tx.tilts(by_id):
        tilts.setdefault(tilt.piece_id, []).append(tilt)
    errors = read_errors(tx)
    promised = {one.piece_id: one for one in tx.promises(by_id)}  # the last of each
    return [
        Drying(
            by_id[pour.piece_id],
            pour,
            recipes.get(pour.recipe, Recipe(name=pour.recipe)),
            tuple(there),
            findings=tuple(found.get(pour.piece_id, ())),
            read_error=errors.get(there[-1].room, ReadError()),
            promise=_standing(promised.get(pour.piece_id)),
            tilts=tuple(tilts.get(pour.piece_id, ())),
        )
        for pour in tx.pours(by_id)
        if (there := stays.get(pour.piece_id))
    ]


def _standing(promise: Promise | None) -> Promise | None:
    return promise if promise is not None and promise.due_at is not None else None


def within_findings(forecasts: dict[int, Forecast], dryings: Iterable[Drying], now: datetime) -> dict[int, Forecast]:
    """By piece, these forecasts as they may be shown and decided by: none contradicts what a finger found."""
    held = {
        drying.piece.id: bounded(forecast, drying.standing(now))
        for drying in dryings
        if drying.findings and (forecast := forecasts.get(drying.piece.id)) is not None
    }
    return forecasts | held if held else forecasts
