"""Everything into an empty store, as it came out of another: the one way in which rows keep the numbers they had."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import Table, func, insert, select, text
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError, StatementError

from curewatch.records import Record
from curewatch.store import tables, workshop_tables
from curewatch.store.errors import RowRefused
from curewatch.store.queries.base import Rows

KINDS: Mapping[str, Table] = {
    "rooms": tables.rooms,
    "recipes": tables.recipes,
    "mixes": workshop_tables.mixes,
    "pieces": tables.pieces,
    "stays": tables.stays,
    "pours": tables.pours,
    "tilts": workshop_tables.tilts,
    "paints": workshop_tables.paints,
    "photos": workshop_tables.photos,
    "promises": workshop_tables.promises,
    "steps": workshop_tables.steps_done,
    "observations": workshop_tables.observations,
    "forgettings": workshop_tables.forgettings,
    "sensor_trusts": tables.sensor_trusts,
    "corrections": tables.corrections,
    "changes": tables.changes,
    "damages": tables.damages,
    "alarms": tables.alarms,
    "alarm_events": tables.alarm_events,
    "notices": tables.notices,
}
"""Where each kind of record lies, those that others refer to first. Readings go in by `add_readings`."""

_UNFIT = (IntegrityError, DataError, OverflowError, ValueError)
"""What a record's own values cause: a rule broken, a number too large, a letter that is none (a UnicodeError too)."""


class Import(Rows):
    """Records of every kind at once."""

    def holds_anything(self) -> bool:
        """Whether anything but readings, which need a room, was ever stored."""
        return any(self._connection.scalar(select(table.c[0]).limit(1)) is not None for table in KINDS.values())

    def import_facts(self, kind: str, records: Sequence[Record], *, first: int = 0) -> None:
        """Insert records of one of `KINDS`, with the numbers they bear. RowRefused names the first that cannot be,
        counted from `first`."""
        table = KINDS[kind]
        rows = [record.model_dump() for record in records]
        if not rows:
            return
        try:
            self._insert_all(table, rows)
        except _UNFIT:
            for index, row in enumerate(rows, first):
                try:
                    self._insert_all(table, [row])
                except _UNFIT as error:
                    why, dangling = str(getattr(error, "orig", None) or error), None
                    if isinstance(error, IntegrityError):
                        dangling = self._dangling(table, row)
                    raise RowRefused(kind, index, why, dangling) from error
            raise
        if self._connection.dialect.name == "postgresql" and "id" in table.c:
            # its own count of given numbers knows nothing of numbers that were brought along
            count = text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :newest)")
            newest = self._connection.scalar(select(func.max(table.c.id)))
            self._connection.execute(count, {"name": table.name, "newest": newest})

    def _insert_all(self, table: Table, rows: list[dict[str, Any]]) -> None:
        """All or none, the transaction going on either way."""
        with self._connection.begin_nested():
            try:
                self._connection.execute(insert(table), rows)
            except StatementError as error:
                if isinstance(error, DBAPIError):
                    raise
                raise ValueError(str(error.orig)) from error  # a value that no column can hold

    def _dangling(self, table: Table, row: dict[str, Any]) -> tuple[str, str, object] | None:
        """The column of `row` that refers to nothing, what it should refer to, and what it says."""
        for key in table.foreign_keys:
            name, wanted = key.parent.name, key.column
            known = select(wanted).where(wanted == row[name])
            if row[name] is not None and self._connection.scalar(known) is None:
                return name, f"{wanted.table.name}.{wanted.name}", row[name]
        return None
