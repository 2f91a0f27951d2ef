"""Whether the files of an SQLite store are still those that were opened, which SQLite does not notice by itself.

On a file that was removed or replaced it goes on as if nothing had been, and all that it says is written is gone with
the process; without its log, what is not yet in the file.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from curewatch.store.disk import faults


class _Which(NamedTuple):
    """As the system tells files apart."""

    device: int
    inode: int


class Identity:
    """Of one opened store. Its log is known from when it is first there: SQLite makes it as it needs it, and keeps it
    for as long as a connection is open."""

    def __init__(self, path: Path) -> None:
        self._path, self._log = path, Path(f"{path}-wal")
        self._file, self._log_was = _known(path), _known(self._log)

    def forget_log(self) -> None:
        """With the last connection SQLite takes it away."""
        self._log_was = None

    def trouble(self) -> str | None:
        """What has become of them, to complete "the store PATH …"; None while they are the same."""
        if _known(self._path) != self._file:
            return f"was {_fate(self._path)} while it was in use"
        log = _known(self._log)
        if self._log_was is not None and log != self._log_was:
            return f"lost its log {self._log.name} ({_fate(self._log)}) while it was in use"
        self._log_was = log
        return None


def _known(path: Path) -> _Which | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return _Which(found.st_dev, found.st_ino)


def _fate(path: Path) -> str:
    return "replaced by another file" if path.exists() else "removed"


def saved(held: sqlite3.Connection, path: Path, now: datetime) -> Path:
    """A copy of what a connection still holds of a store whose file is gone, set aside beside where that was. Raises
    OSError or sqlite3.Error."""
    copy = faults.aside_name(path, "damaged", now)
    os.close(os.open(copy, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    faults.make_private(copy)
    with closing(sqlite3.connect(copy)) as writing:
        held.backup(writing)
        writing.execute("PRAGMA journal_mode=DELETE")
    faults.make_last(copy)
    faults.make_last(copy.parent)
    return copy
