"""Messages that wait for a date: kept as they came, and gone in the transaction that stores what they say."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from sqlalchemy import delete, func, insert, select

from curewatch.records.part_records_held import PendingMessage
from curewatch.store.part_store_held_tables import pending_messages
from curewatch.store.queries.base import Rows

_HELD = pending_messages.c
_COLUMNS = [_HELD[name] for name in PendingMessage.model_fields]


class PendingMessages(Rows):
    """Sensors' messages of a time when the clock could not be believed."""

    def add_pending_messages(self, messages: Iterable[PendingMessage]) -> None:
        """Keep them; what id they bear is not looked at."""
        rows = [message.model_dump(exclude={"id"}) for message in messages]
        if rows:
            self._execute(insert(pending_messages), rows, given=f"{len(rows)} messages")

    def pending_messages(self, limit: int) -> list[PendingMessage]:
        """Those that came first, at most `limit`, in the order they came."""
        query = select(*_COLUMNS).order_by(_HELD.id).limit(limit)
        return [PendingMessage(**row) for row in self._connection.execute(query).mappings()]

    def count_pending_messages(self) -> int:
        return self._connection.scalar(select(func.count()).select_from(pending_messages)) or 0

    def drop_pending_messages(self, ids: Collection[int]) -> None:
        """They are dated, or never will be."""
        if ids:
            self._execute(delete(pending_messages).where(_HELD.id.in_(ids)), given=ids)
