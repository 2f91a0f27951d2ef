"""SQLite through apsw under the standard library's driver interface (PEP 249), as far as the store uses that.

With it the store's own code runs over a file system of ours, which sqlite3 cannot be told of. `replaced` lets a test
weaken a PRAGMA the store promises, to show that what it guards against is then found.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import apsw

apilevel, threadsafety, paramstyle = "2.0", 1, "qmark"
sqlite_version = apsw.sqlite_lib_version()
sqlite_version_info = tuple(int(part) for part in sqlite_version.split("."))
Error, DatabaseError, OperationalError = sqlite3.Error, sqlite3.DatabaseError, sqlite3.OperationalError
IntegrityError, InterfaceError, ProgrammingError = (
    sqlite3.IntegrityError,
    sqlite3.InterfaceError,
    sqlite3.ProgrammingError,
)
InternalError, DataError, NotSupportedError = sqlite3.InternalError, sqlite3.DataError, sqlite3.NotSupportedError
Warning = sqlite3.Warning
Binary = memoryview

vfs: str | None = None
"""The file system new connections use, by its registered name; None: the machine's own."""
replaced: dict[str, str] = {}
"""Statements that are executed as others."""


@contextmanager
def _as_sqlite3_says() -> Iterator[None]:
    try:
        yield
    except apsw.Error as error:
        kind = sqlite3.IntegrityError if isinstance(error, apsw.ConstraintError) else sqlite3.OperationalError
        said = kind(str(error))
        said.sqlite_errorcode = getattr(error, "extendedresult", 0)
        raise said from error


class Cursor:
    arraysize = 1

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self.description: tuple[tuple[Any, ...], ...] | None = None
        self.rowcount, self.lastrowid = -1, 0
        self._rows: list[tuple[Any, ...]] = []

    def execute(self, sql: str, parameters: Sequence[Any] = ()) -> Cursor:
        db = self.connection.db
        self.description = None
        with _as_sqlite3_says():
            cursor = db.cursor()
            cursor.exec_trace = self._describe
            self._rows = cursor.execute(replaced.get(sql, sql), tuple(parameters)).fetchall()
            self._rows.reverse()
            self.rowcount = -1 if self.description else db.changes()
            self.lastrowid = db.last_insert_rowid()
        return self

    def executemany(self, sql: str, many: Sequence[Sequence[Any]]) -> Cursor:
        done = sum(self.execute(sql, parameters).rowcount for parameters in many)
        self.rowcount = done
        return self

    def _describe(self, cursor: apsw.Cursor, sql: str, bindings: object) -> bool:
        found = cursor.get_description()
        self.description = tuple((name, *[None] * 6) for name, _ in found) or None
        return True

    def fetchone(self) -> tuple[Any, ...] | None:
        return self._rows.pop() if self._rows else None

    def fetchmany(self, size: int = 1) -> list[tuple[Any, ...]]:
        return [self._rows.pop() for _ in range(min(size, len(self._rows)))]

    def fetchall(self) -> list[tuple[Any, ...]]:
        return self.fetchmany(len(self._rows))

    def close(self) -> None:
        self._rows = []


class Connection:
    def __init__(self, database: str, timeout: float) -> None:
        with _as_sqlite3_says():
            flags = apsw.SQLITE_OPEN_READWRITE | apsw.SQLITE_OPEN_CREATE | apsw.SQLITE_OPEN_URI
            self.db = apsw.Connection(database, vfs=vfs, flags=flags)
            self.db.set_busy_timeout(int(1000 * timeout))
        self.isolation_level: str | None = None

    def cursor(self) -> Cursor:
        return Cursor(self)

    def execute(self, sql: str, parameters: Sequence[Any] = ()) -> Cursor:
        return self.cursor().execute(sql, parameters)

    def create_function(self, name: str, narg: int, func: Callable[..., Any], *, deterministic: bool = False) -> None:
        self.db.create_scalar_function(name, func, narg, deterministic=deterministic)

    def commit(self) -> None:
        if self.db.in_transaction:
            self.execute("COMMIT")

    def rollback(self) -> None:
        if self.db.in_transaction:
            self.execute("ROLLBACK")

    def close(self) -> None:
        with _as_sqlite3_says():
            self.db.close(True)


def connect(database: str, *, timeout: float = 5.0, **_: object) -> Connection:
    return Connection(database, timeout)
