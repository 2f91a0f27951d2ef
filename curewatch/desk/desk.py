"""The desk: one store and its settings, which every use case takes along."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.settings import Settings
from curewatch.store import Store


@dataclass(frozen=True, eq=False)
class Desk:
    """What a use case works on. Safe to use from several threads."""

    store: Store
    settings: Settings

    @property
    def zone(self) -> ZoneInfo:
        """The studio's own."""
        return self.settings.tz

    def local(self, at: datetime) -> datetime:
        """A moment in the studio's own zone."""
        return at.astimezone(self.zone)
