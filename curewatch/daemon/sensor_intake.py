"""The intake's shelf in the store: messages without a date, until the clock can be believed."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from curewatch.desk import Desk
from curewatch.records import Reading
from curewatch.records.part_records_held import PendingMessage
from curewatch.store import FactRefused


class DeskPendingStore:
    """`heard` is called after held messages became readings. Every call is a transaction of its own."""

    def __init__(self, desk: Desk, heard: Callable[[], object]) -> None:
        self._desk, self._heard = desk, heard

    def put(self, messages: Sequence[PendingMessage]) -> None:
        with self._desk.store.write() as tx:
            tx.add_pending_messages(messages)

    def oldest(self, limit: int) -> list[PendingMessage]:
        with self._desk.store.read() as tx:
            return tx.pending_messages(limit)

    def settle(self, readings: Sequence[Reading], dated: Sequence[int]) -> None:
        try:
            new = self._desk.absorb(readings, dated)
        except FactRefused as refusal:
            raise ValueError(str(refusal)) from refusal
        if new:
            self._heard()
