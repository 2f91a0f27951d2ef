"""Messages that wait for a date: kept as they came, and gone in the transaction that stores what they say."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from sqlalchemy import delete, func, insert, select

from curewatch.records.part_records_held import HeldMessage
from curewatch.store.part_store_held_tables import held_messages
from curewatch.store.queries.base import Rows

_HELD = held_messages.c
_COLUMNS = [_HELD[name] for name in HeldMessage.model_fields]


class HeldMessages(Rows):
    """Sensors' messages of a time when the clock could not be believed."""

    def hold_messages(self, messages: Iterable[HeldMessage]) -> None:
        """Keep them; what id they bear is not looked at."""
        rows = [message.model_dump(exclude={"id"}) for message in messages]
        if rows:
            self._execute(insert(held_messages), rows, given=f"{len(rows)} messages")

    def held_messages(self, limit: int) -> list[HeldMessage]:
        """Those that came first, at most `limit`, in the order they came."""
        query = select(*_COLUMNS).order_by(_HELD.id).limit(limit)
        return [HeldMessage(**row) for row in self._connection.execute(query).mappings()]

    def count_held_messages(self) -> int:
        return self._connection.scalar(select(func.count()).select_from(held_messages)) or 0

    def drop_held_messages(self, ids: Collection[int]) -> None:
        """They are dated, or never will be."""
        if ids:
            self._execute(delete(held_messages).where(_HELD.id.in_(ids)), given=ids)
