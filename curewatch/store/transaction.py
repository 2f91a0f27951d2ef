"""One transaction: everything that can be read and written, in records."""

from __future__ import annotations

from sqlalchemy import func, select

from curewatch.store import tables
from curewatch.store.queries.decisions import AlarmHistory, Checkpoints, Decisions
from curewatch.store.queries.facts import Facts
from curewatch.store.queries.importing import Import
from curewatch.store.queries.observations import Observations, Workshop
from curewatch.store.queries.outbox import Outbox
from curewatch.store.queries.readings import PendingMessages, Readings
from curewatch.store.queries.undo import Undo


class Transaction(
    Facts,
    Observations,
    Readings,
    Decisions,
    Checkpoints,
    AlarmHistory,
    Outbox,
    Undo,
    Import,
    Workshop,
    PendingMessages,
):
    """Made by `Store.read` and `Store.write`, and of use only inside their `with` block."""

    def counts(self) -> dict[str, int]:
        """Rows per table of records."""
        return {
            table.name: self._connection.scalar(select(func.count()).select_from(table)) or 0
            for table in tables.COUNTED
        }

    def get_meta(self, key: str) -> str | None:
        """What was last set under `key`."""
        value: str | None = self._connection.scalar(select(tables.meta.c.value).where(tables.meta.c.key == key))
        return value

    def set_meta(self, key: str, value: str) -> None:
        """Remember a small thing between runs of the daemon."""
        self._put(tables.meta, {"key": key, "value": value}, ["key"], given=(key, value))
