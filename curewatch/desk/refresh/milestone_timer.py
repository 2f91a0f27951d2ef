"""A date that has come is told without a look at the whole studio: it bears on one piece, and thousands may wait.

The dates are noted at each look. When one has come, that piece alone is read from the store, with its forecast as it
is stored then, and decided about; the next look finds it told. What is noted only says when to look, and where.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.refresh.decisions import milestones_due, tell_milestones
from curewatch.desk.snapshot.dryings import dryings_of, within_findings
from curewatch.records import Forecast, MilestoneKind

NOT_HERE = (MilestoneKind.VARNISH_READY,)
"""Told by the look: its notice says how far the room is from dew, and it has no hurry."""


class MilestoneTimer:
    """The dates ahead, as of the last look. Safe to use from several threads."""

    def __init__(self, desk: Desk) -> None:
        settings = desk.settings
        self._store, self._settings, self._local = desk.store, settings, desk.local
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
            pieces = dryings_of(tx, tx.pieces(ids=come))
            forecasts = within_findings(tx.forecasts(come), pieces, now)
            due = milestones_due(pieces, forecasts, self._kinds, tx.told_of_pieces(come), now)
            written = tell_milestones(tx, self._settings, due, {}, coming, now, self._local) if due else 0
        with self._lock:
            while self._ahead and self._ahead[-1][0] <= now:
                self._ahead.pop()
        return written
