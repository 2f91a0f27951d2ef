"""Corrections, and the rows they change: every change is written down beside the row, and can be taken back."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Table, and_, delete, func, insert, select, update

from curewatch.records.corrections import Change, Correction, CorrectionKind, Naming
from curewatch.store import tables
from curewatch.store.engine import Instant
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Row, Rows

_CORRECTIONS, _CHANGES = tables.corrections.c, tables.changes.c
_FOLLOW = ("alarms", "alarm_events", "damages", "notices")
"""Tables whose rows go on by themselves: that one of them has moved on is nothing that rests on a correction."""


class Corrections(Rows):
    """What was put right, by whom nobody knows, and how it was before."""

    def add_correction(self, correction: Correction) -> Correction:
        """Write it down; it comes back with its id. FactRefused: unknown piece."""
        return self._added(tables.corrections, correction)

    def corrections(
        self, piece_ids: Collection[int] | None = None, *, since: datetime | None = None
    ) -> list[Correction]:
        """Of these pieces (None: of all, and of names), logged at `since` or later, in the order they were made."""
        query = select(tables.corrections).order_by(_CORRECTIONS.id)
        if piece_ids is not None:
            query = query.where(_CORRECTIONS.piece_id.in_(piece_ids))
        if since is not None:
            query = query.where(_CORRECTIONS.logged_at >= since)
        return self._records(Correction, query)

    def changes(self, correction_ids: Collection[int] | None = None) -> list[Change]:
        """What these corrections changed, in order; None: those of pieces, which mean the same in every store."""
        query = select(tables.changes).order_by(_CHANGES.correction_id, _CHANGES.number)
        if correction_ids is None:
            of_pieces = select(_CORRECTIONS.id).where(_CORRECTIONS.piece_id.is_not(None))
            query = query.where(_CHANGES.correction_id.in_(of_pieces))
        else:
            query = query.where(_CHANGES.correction_id.in_(correction_ids))
        return self._records(Change, query)

    def change(self, correction_id: int, table: str, where: Row, values: Row | None) -> int:
        """Give the rows of a table that are as `where` says these values (None: they go); how many those were.

        FactRefused where the new values cannot be.
        """
        of = tables.metadata.tables[table]
        matching = self._connection.execute(select(of).where(_as(of, where)).order_by(*of.primary_key)).mappings()
        found, key = [dict(row) for row in matching], [column.name for column in of.primary_key]
        if not found:
            return 0
        kept = found if values is None else [{name: row[name] for name in (*key, *values)} for row in found]
        self._note(correction_id, table, [(row, None if values is None else row | dict(values)) for row in kept])
        which = _as(of, where)
        self._execute(
            delete(of).where(which) if values is None else update(of).where(which).values(**values), given=where
        )
        return len(found)

    def add_row(self, correction_id: int, table: str, row: Row) -> None:
        """A row that a correction brings."""
        self._execute(insert(tables.metadata.tables[table]), row, given=row)
        self._note(correction_id, table, [(None, row)])

    def _note(self, correction_id: int, table: str, rows: Sequence[tuple[Row | None, Row | None]]) -> None:
        so_far = select(func.count()).select_from(tables.changes).where(_CHANGES.correction_id == correction_id)
        first = self._connection.scalar(so_far) or 0
        made = [
            {"correction_id": correction_id, "number": number, "table": table, "was": _told(was), "now": _told(now)}
            for number, (was, now) in enumerate(rows, first)
        ]
        self._execute(insert(tables.changes), made, given=made[:1])

    def stands(self, correction_id: int) -> bool:
        """Whether all that the correction came to is still so, and how it was before is known in this store."""
        made = self.changes([correction_id])
        return bool(made) and all(self._is_so(one) for one in made if one.table not in _FOLLOW)

    def is_borne_anew(self, correction: Correction) -> bool:
        """Whether anything beyond what it changed bears the name that a correction gave: a stay, a reading, a pour."""
        made, given = self.changes([correction.id]), {"room": correction.to}
        borne = {"stays": given, "sources": given}
        if correction.naming is Naming.PLACE:
            borne = {"stays": {"room": correction.room, "place": correction.to}}
        elif correction.naming is Naming.RECIPE:
            borne = {"pours": {"recipe": correction.to}}
        return any(
            self._count(tables.metadata.tables[table], where) > sum(one.table == table for one in made)
            for table, where in borne.items()
        )

    def _count(self, of: Table, values: Row) -> int:
        return self._connection.scalar(select(func.count()).select_from(of).where(_as(of, values))) or 0

    def _is_so(self, change: Change) -> bool:
        if change.now is None:
            return True
        of = tables.metadata.tables[change.table]
        return self._count(of, _read(of, change.now)) > 0

    def undo_correction(self, correction_id: int) -> None:
        """All is as it was before, and nobody said otherwise. FactRefused where that cannot be any more."""
        for change in reversed(self.changes([correction_id])):
            of = tables.metadata.tables[change.table]
            was, now = _read(of, change.was), _read(of, change.now)
            key = _as(of, {column.name: now[column.name] for column in of.primary_key}) if now else None
            if key is None:
                self._execute(insert(of), was, given=change)
                continue
            back = delete(of).where(key) if not was else update(of).where(key).values(**was)
            if not self._execute(back, given=change).rowcount and change.table not in _FOLLOW:
                raise FactRefused(f"what a correction changed is not there any more: {change!r}")
        self._execute(delete(tables.corrections).where(_CORRECTIONS.id == correction_id), given=correction_id)

    def deleted(self) -> set[int]:
        """The numbers of the pieces that were never poured, as somebody said later."""
        return set(self._connection.scalars(DELETED))


DELETED = select(_CORRECTIONS.piece_id).where(_CORRECTIONS.kind == CorrectionKind.DELETED)


def _as(table: Table, values: Row) -> ColumnElement[bool]:
    return and_(
        *(table.c[name].is_(None) if value is None else table.c[name] == value for name, value in values.items())
    )


def _told(row: Row | None) -> str | None:
    return None if row is None else json.dumps(dict(row), default=datetime.isoformat)


def _read(table: Table, told: str | None) -> Mapping[str, Any]:
    values = json.loads(told or "{}")
    return {
        name: datetime.fromisoformat(value) if value is not None and isinstance(table.c[name].type, Instant) else value
        for name, value in values.items()
    }
