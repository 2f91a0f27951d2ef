"""What every part of a transaction is built on: one connection, inserts that explain a refusal, and small marks."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy import (
    ColumnElement,
    Connection,
    CursorResult,
    Executable,
    Select,
    Table,
    TextClause,
    func,
    insert,
    select,
)
from sqlalchemy.dialects.postgresql import Insert as PostgresInsert
from sqlalchemy.dialects.sqlite import Insert as SqliteInsert
from sqlalchemy.exc import IntegrityError

from curewatch.records import Record
from curewatch.store import tables
from curewatch.store.errors import FactRefused

Row = Mapping[str, Any]
R = TypeVar("R", bound=Record)


class Rows:
    """A part of a transaction: turns records into rows and back on one connection."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def _execute(
        self, statement: Executable, rows: Sequence[Row] | Row | None = None, *, given: object
    ) -> CursorResult[Any]:
        """Run a statement that writes; where the database refuses, say which record (`given`) it refused."""
        try:
            return self._connection.execute(statement, rows)
        except IntegrityError as error:
            raise FactRefused(f"the store refuses {given!r}: {error.orig}") from error

    def _added(self, table: Table, record: R) -> R:
        """Insert a record, which comes back with the id that the store gives it."""
        key = self._execute(insert(table), record.model_dump(exclude={"id"}), given=record).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        return record.model_copy(update={"id": int(key[0])})

    def _records(
        self,
        kind: type[R],
        query: Select[Any],
        column: ColumnElement[Any] | None = None,
        among: Collection[Any] | None = None,
    ) -> list[R]:
        """What a query finds, of any (None) or of those where `column` is `among` these."""
        if column is not None and among is not None:
            query = query.where(column.in_(among))
        return [kind(**row) for row in self._connection.execute(query).mappings()]

    def _record(self, kind: type[R], query: Select[Any]) -> R | None:
        row = self._connection.execute(query).mappings().one_or_none()
        return None if row is None else kind(**row)

    def _insert_into(self, table: Table) -> SqliteInsert | PostgresInsert:
        """An INSERT that knows ON CONFLICT, which is no standard SQL, in the database's dialect."""
        return PostgresInsert(table) if self._connection.dialect.name == "postgresql" else SqliteInsert(table)

    def _put(
        self, table: Table, row: Row, key: Collection[str], *, where: TextClause | None = None, given: object
    ) -> None:
        """Insert `row`, or replace the one with the same `key` (among those matching `where`)."""
        insert = self._insert_into(table)
        replaced = {column: insert.excluded[column] for column in row if column not in key}
        statement = insert.on_conflict_do_update(index_elements=list(key), index_where=where, set_=replaced)
        self._execute(statement, row, given=given)

    def counts(self) -> dict[str, int]:
        """Rows per table of records; of readings all that were stored, whether they lie there still or are packed."""
        found = {
            table.name: self._connection.scalar(select(func.count()).select_from(table)) or 0
            for table in tables.COUNTED
        }
        found[tables.readings.name] += self._connection.scalar(select(func.sum(tables.sources.c.packed))) or 0
        return found

    def get_meta(self, key: str) -> str | None:
        """What was last set under `key`."""
        value: str | None = self._connection.scalar(select(tables.meta.c.value).where(tables.meta.c.key == key))
        return value

    def set_meta(self, key: str, value: str) -> None:
        """Remember a small thing between runs of the daemon."""
        self._put(tables.meta, {"key": key, "value": value}, ["key"], given=(key, value))
