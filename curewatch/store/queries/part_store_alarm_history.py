"""What happened to alarms, and what they have left behind on pieces."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime

from sqlalchemy import insert, select, text, update

from curewatch.records import AlarmEvent, Damage
from curewatch.store import part_store_alarm_tables as tables
from curewatch.store.queries.base import Rows

_EVENTS, _DAMAGES = tables.alarm_events.c, tables.damages.c
_EVENT_COLUMNS = [_EVENTS[name] for name in AlarmEvent.model_fields]
_DAMAGE_COLUMNS = [_DAMAGES[name] for name in Damage.model_fields]


class AlarmHistory(Rows):
    """The history of alarms (only ever added to), and damage (counted on until a person clears it)."""

    def add_alarm_events(self, events: Iterable[AlarmEvent]) -> None:
        """Add lines to the history."""
        rows = [event.model_dump() for event in events]
        if rows:
            self._execute(insert(tables.alarm_events), rows, given=rows)

    def alarm_events(self, *, room: str | None = None, limit: int = 100) -> list[AlarmEvent]:
        """The newest lines of the history (of that room), newest first."""
        query = select(*_EVENT_COLUMNS).order_by(_EVENTS.at.desc(), _EVENTS.id.desc()).limit(limit)
        if room is not None:
            query = query.where(_EVENTS.room == room)
        return [AlarmEvent(**row) for row in self._connection.execute(query).mappings()]

    def damages(self, piece_ids: Collection[int] | None = None) -> list[Damage]:
        """Damage of these pieces (None: of all), cleared or not, the oldest first."""
        query = select(*_DAMAGE_COLUMNS).order_by(_DAMAGES.id)
        if piece_ids is not None:
            query = query.where(_DAMAGES.piece_id.in_(piece_ids))
        return [Damage(**row) for row in self._connection.execute(query).mappings()]

    def put_damages(self, damages: Iterable[Damage]) -> None:
        """Make these the open counts of their pieces and kinds."""
        for damage in damages:
            key, where = ["piece_id", "kind"], text("cleared_at IS NULL")
            self._put(tables.damages, damage.model_dump(), key, where=where, given=damage)

    def clear_damages(self, piece_id: int, at: datetime) -> int:
        """A person has looked the piece over: the number of damages that no longer stand against it."""
        open_ = update(tables.damages).where(_DAMAGES.piece_id == piece_id, _DAMAGES.cleared_at.is_(None))
        return self._execute(open_.values(cleared_at=at), given=(piece_id, at)).rowcount
