"""Everything that is known of one piece, of one that has left too."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.orders import FactError
from curewatch.desk.part_desk_naming import nearest
from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.records import Damage, Forecast, Piece, Recipe
from curewatch.records.workshop import StepDone
from curewatch.store import Transaction
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.forecast import Drying


@dataclass(frozen=True)
class PieceHistory:
    """One piece's facts, and what was made of them."""

    drying: Drying
    forecast: Forecast | None
    climates: dict[str, Climate]
    """By room, the air of every room it has lain in; rooms that were never read are missing."""
    steps: tuple[StepDone, ...]
    """Those undone too."""
    damages: tuple[Damage, ...]

    @property
    def name(self) -> str:
        return self.drying.piece.name


def history(desk: Desk, name: str, now: datetime) -> PieceHistory:
    """The piece called `name`: the one that is here, else the last of that name that left. FactError, with near names,
    if there never was one.
    """
    with desk.store.read() as tx:
        return history_of(tx, find(tx, name), now)


def history_of(tx: Transaction, piece: Piece, now: datetime) -> PieceHistory:
    """Of a piece that was poured, here or gone."""
    air = AirCache()
    (pour,), stays = tx.pours([piece.id]), tx.stays([piece.id])
    recipe = tx.recipe(pour.recipe) or Recipe(name=pour.recipe)
    drying = Drying(piece, pour, recipe, tuple(stays))
    until = min(now, piece.gone_at) if piece.gone_at else now
    known = {stay.room: air.climate(tx, stay.room, drying.pour.at, until) for stay in drying.stays_since_pour}
    return PieceHistory(
        drying,
        tx.forecasts([piece.id]).get(piece.id),
        {room: climate for room, climate in known.items() if climate is not None},
        tuple(tx.steps([piece.id])),
        tuple(tx.damages([piece.id])),
    )


def find(tx: Transaction, name: str) -> Piece:
    """The piece of that name that is here, else the last poured one that left. FactError if there never was one."""
    here, gone = tx.pieces(), tx.pieces(gone=True)
    alike = [piece for piece in (*here, *reversed(gone)) if piece.name == name]
    poured = {pour.piece_id for pour in tx.pours([piece.id for piece in alike])}
    for piece in alike:
        if piece.id in poured:  # one that was taken back has left without its pour
            return piece
    raise FactError("NAME", name, nearest(name, [piece.name for piece in (*here, *gone)], "a piece's name"))
