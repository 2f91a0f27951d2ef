"""A date that has come is told without a look at the whole studio: it bears on one piece, and thousands may wait.

The dates are noted at each look. When one has come, that piece alone is read from the store, with its forecast as it
is stored then, and decided about; the next look finds it told. What is noted only says when to look, and where.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Mapping
from datetime import datetime

from curewatch.desk.refresh.decisions import tell_milestones
from curewatch.records import Forecast, MilestoneKind, Recipe, Stay
from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.studio import milestones as milestoning
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.milestones import Due
from curewatch.studio.wording import Local

NOT_HERE = (MilestoneKind.VARNISH_READY,)
"""Told by the look: its notice says how far the room is from dew, and it has no hurry."""


class MilestoneTimer:
    """The dates ahead, as of the last look. Safe to use from several threads."""

    def __init__(self, store: Store, settings: Settings, local: Local) -> None:
        self._store, self._settings, self._local = store, settings, local
        self._kinds = tuple(kind for kind in settings.notices.milestones if kind not in NOT_HERE)
        self._lock = threading.Lock()
        self._ahead: list[tuple[datetime, int]] = []
        self.noted = threading.Event()
        """Set at each `note`, for the one who waits for the next date."""

    def note(self, forecasts: Mapping[int, Forecast], now: datetime) -> None:
        """After a look at `now`: these are the forecasts of every piece here."""
        found = [
            (at, piece)
            for piece, forecast in forecasts.items()
            for milestone in forecast.milestones
            if milestone.kind in self._kinds
            for at in (milestone.worth_checking_at, milestone.safe_at)
            if at is not None and at > now
        ]
        with self._lock:
            self._ahead = sorted(found, reverse=True)
        self.noted.set()

    def next_at(self) -> datetime | None:
        """When the next date comes."""
        with self._lock:
            return self._ahead[-1][0] if self._ahead else None

    def tell(self, now: datetime) -> int:
        """Write the notices of the dates that have come; how many are new. StoreError: nothing is, ask again."""
        with self._lock:
            come = {piece for at, piece in self._ahead if at <= now}
            coming = [at for at, _ in self._ahead if at > now]
        if not come:
            return 0
        with self._store.write() as tx:
            due = self._due(tx, come, now)
            written = tell_milestones(tx, self._settings, due, {}, coming, now, self._local) if due else 0
        with self._lock:
            while self._ahead and self._ahead[-1][0] <= now:
                self._ahead.pop()
        return written

    def _due(self, tx: Transaction, pieces: Collection[int], now: datetime) -> list[Due]:
        forecasts = tx.forecasts(pieces)
        found = [
            one
            for drying in dryings_of(tx, pieces)
            if (forecast := forecasts.get(drying.piece.id)) is not None
            for one in milestoning.due(drying, forecast, self._kinds, now)
        ]
        known = tx.known_keys({key for one in found for key in one.covering_keys})
        return [one for one in found if known.isdisjoint(one.covering_keys)]


def dryings_of(tx: Transaction, piece_ids: Collection[int]) -> list[Drying]:
    """Those of these pieces that are here, with their pours; nothing of what has been learned of them."""
    pieces = {piece.id: piece for piece in tx.pieces(ids=piece_ids)}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(pieces):
        stays.setdefault(stay.piece_id, []).append(stay)
    recipes = {recipe.name: recipe for recipe in tx.recipes()}
    return [
        Drying(pieces[pour.piece_id], pour, recipes.get(pour.recipe, Recipe(name=pour.recipe)), tuple(there))
        for pour in tx.pours(pieces)
        if (there := stays.get(pour.piece_id))
    ]
