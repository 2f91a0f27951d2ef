"""Packed days of readings beside the backups, by the month: written once, however many backups hold them.

A backup in the backups' folder has, of each day that was over some days before, only the hash of what it held. The
days themselves lie in `studio-2026-09-raw.days` and `studio-2026-09-rolled.days`, which grow by a transaction a backup.
A day that was packed anew lies there twice, by its hashes, for the backups from before and after. Roll-ups stay for
good; the file of a month's single readings goes with the last backup that holds any of them.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from itertools import groupby
from operator import itemgetter
from pathlib import Path

from curewatch.store.disk import faults
from curewatch.store.errors import BackupFailed

SETTLED_AFTER = timedelta(days=3)
"""Days that were over so long ago are hardly ever packed anew."""
KINDS = {"raw": "raw_days", "rolled": "rolled_days"}
LEFT_OUT = b"\x00"
"""What a backup has in place of a day begins so, and goes on with its SHA-256; packed days begin otherwise."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MADE = "CREATE TABLE IF NOT EXISTS days (source_id, day, hash BLOB, columns BLOB, PRIMARY KEY (source_id, day, hash))"
Key = tuple[int, int, bytes]


def move_out(copy: Path, folder: Path, stem: str, now: datetime) -> None:
    """Have the files of their months hold the settled days of a copy of a store, and the copy their hashes."""
    before = (now - SETTLED_AFTER - _EPOCH).days
    with closing(sqlite3.connect(copy)) as store:
        moved = 0
        for kind, table in _tables(store):
            chosen = f"SELECT day, source_id, columns FROM {table} WHERE day < ? ORDER BY day"
            for month, days in groupby(store.execute(chosen, (before,)), key=lambda row: _month(row[0])):
                file = folder / f"{stem}-{month}-{kind}.days"
                stubs = []
                with closing(sqlite3.connect(file)) as there:
                    new = not there.execute("PRAGMA page_count").fetchone()[0]
                    there.execute(_MADE)
                    kept = {tuple(row) for row in there.execute("SELECT source_id, day, hash FROM days")}
                    for day, source, columns in days:
                        stubs.append((LEFT_OUT + (hash := sha256(columns).digest()), source, day))
                        if (source, day, hash) not in kept:
                            there.execute("INSERT INTO days VALUES (?, ?, ?, ?)", (source, day, hash, columns))
                            new = True
                    there.commit()
                    if new and there.execute("PRAGMA integrity_check(1)").fetchone() != ("ok",):
                        raise BackupFailed(f"{file} is damaged; move it away, and it is made anew")
                faults.make_private(file, copy)
                if new:
                    faults.make_last(file)
                store.executemany(f"UPDATE {table} SET columns = ? WHERE source_id = ? AND day = ?", stubs)
                moved += len(stubs)
        store.commit()
        if moved:
            store.execute("VACUUM")


def bring_in(copy: Path, folder: Path) -> None:
    """Put back into a copy of a backup what lies in the files of their months. BackupFailed where any of it is missing
    or another."""
    with closing(sqlite3.connect(copy)) as store:
        for kind, table in _tables(store):
            for month, some in groupby(_left_out(store, table), key=lambda key: _month(key[1])):
                wanted = list(some)
                found = _found(folder, f"{month}-{kind}.days", wanted)
                store.executemany(f"UPDATE {table} SET columns = ? WHERE source_id = ? AND day = ?", found)
        store.commit()


def _found(folder: Path, ending: str, wanted: list[Key]) -> Iterator[tuple[bytes, int, int]]:
    left = {key[:2]: key[2] for key in wanted}
    for file in sorted(folder.glob(f"*-{ending}")):
        with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as there:
            for source, day, hash, columns in there.execute("SELECT source_id, day, hash, columns FROM days"):
                if left.get((source, day)) == hash and sha256(columns).digest() == hash:
                    del left[source, day]
                    yield columns, source, day
    if left:
        raise BackupFailed(f"{len(left)} days of readings are missing or damaged: they lay in {folder}/…-{ending}")


def drop_unnamed(folder: Path, stem: str, backups: list[Path]) -> None:
    """Delete the files of months whose days none of these backups holds."""
    ours = re.compile(rf"{re.escape(stem)}-(\d{{4}}-\d{{2}}-(?:{'|'.join(KINDS)}))\.days")
    files = {match[1]: file for file in folder.glob("*.days") if (match := ours.fullmatch(file.name))}
    for backup in backups:
        with closing(sqlite3.connect(f"{backup.resolve().as_uri()}?mode=ro", uri=True)) as store:
            for kind, table in _tables(store):
                for month in {_month(key[1]) for key in _left_out(store, table)}:
                    files.pop(f"{month}-{kind}", None)
    for file in files.values():
        file.unlink()


def _left_out(store: sqlite3.Connection, table: str) -> list[Key]:
    query = f"SELECT source_id, day, substr(columns, 2) FROM {table} WHERE substr(columns, 1, 1) = ?"
    return sorted(store.execute(query, (LEFT_OUT,)), key=itemgetter(1))


def _tables(store: sqlite3.Connection) -> list[tuple[str, str]]:
    """Those there are: a store of an older curewatch has none."""
    there = {name for (name,) in store.execute("SELECT name FROM sqlite_master")}
    return [(kind, table) for kind, table in KINDS.items() if table in there]


def _month(day: int) -> str:
    return f"{_EPOCH + timedelta(days=day):%Y-%m}"
