"""Everything into an empty store, as it came out of another: the one way in which rows keep the numbers they had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Table, func, insert, select, text

from curewatch.records import Record
from curewatch.store import alarm_tables, observed_tables, tables, workshop_tables
from curewatch.store.rows import Rows

KINDS: Mapping[str, Table] = {
    "rooms": tables.rooms,
    "recipes": tables.recipes,
    "mixes": workshop_tables.mixes,
    "pieces": tables.pieces,
    "stays": tables.stays,
    "pours": tables.pours,
    "tilts": workshop_tables.tilts,
    "paints": workshop_tables.paints,
    "steps": workshop_tables.steps_done,
    "observations": observed_tables.observations,
    "forgettings": observed_tables.forgettings,
    "damages": alarm_tables.damages,
    "alarms": tables.alarms,
    "alarm_events": alarm_tables.alarm_events,
    "notices": tables.notices,
}
"""Where each kind of record lies, those that others refer to first. Readings go in by `add_readings`."""


class TakingIn(Rows):
    """Records of every kind at once."""

    def holds_anything(self) -> bool:
        """Whether anything but readings, which need a room, was ever stored."""
        return any(self._connection.scalar(select(table.c[0]).limit(1)) is not None for table in KINDS.values())

    def take_in(self, kind: str, records: Sequence[Record]) -> None:
        """Insert records of one of `KINDS`, with the numbers they bear. FactRefused where they contradict others."""
        table = KINDS[kind]
        structured = {column.name for column in table.columns if column.type.python_type in (dict, list)}
        rows = [_row(record, structured) for record in records]
        if not rows:
            return
        self._execute(insert(table), rows, given=f"{len(rows)} {kind}")
        if self._connection.dialect.name == "postgresql" and "id" in table.c:
            # its own count of given numbers knows nothing of numbers that were brought along
            count = text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :newest)")
            newest = self._connection.scalar(select(func.max(table.c.id)))
            self._connection.execute(count, {"name": table.name, "newest": newest})


def _row(record: Record, structured: set[str]) -> dict[str, Any]:
    """A record's columns; those that hold JSON as plain lists and objects."""
    return {
        **record.model_dump(exclude=structured),
        **record.model_dump(mode="json", include=structured),
    }
