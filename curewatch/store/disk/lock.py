"""One daemon per store.

SQLite: an advisory lock (flock; on Windows one of a byte far behind the text) on a file beside the store. The kernel
drops it with the process, however that dies, so it cannot go stale; what is written in the file only tells who holds
it, and proves nothing. The file itself stays: removing it would let two daemons lock two files of one name.

PostgreSQL: a session's advisory lock, dropped by the server with the connection. It names the server's process and
the client's address, since the server knows no more. A connection the network loses drops it too, so there the lock
keeps two daemons apart at their start, not through every failure between.
"""

from __future__ import annotations

import json
import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Engine, text

from curewatch.store.disk import faults
from curewatch.store.engine import POSTGRES_LOCK_KEY
from curewatch.store.errors import AlreadyRunning, StoreError

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

_FAR = 1 << 30
TRIES, APART_S = 20, 0.01
"""How often it is tried to take the lock, and how far apart [s]: somebody may just be asking whether it is held."""
_POSTGRES_DAEMON_KEY = POSTGRES_LOCK_KEY + 1


def lock_of(store: Path) -> Path:
    """The file beside the SQLite file `store`; a link to the store is the same store."""
    store = store.resolve()
    return store.with_name(f"{store.name}.lock")


@contextmanager
def hold_file_lock(store: Path) -> Iterator[None]:
    """Hold the lock beside the SQLite file `store`. Raises AlreadyRunning if another holds it."""
    path = lock_of(store)
    try:
        # Not inheritable (the default), or a child that outlives the daemon would go on holding the lock.
        is_new = not path.exists()
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        if is_new:
            faults.make_private(path)
    except OSError as error:
        raise StoreError(f"cannot make the lock file {path}: {error.strerror}") from error
    try:
        if not _locked(descriptor):
            raise _held_by(descriptor, str(store))
        os.ftruncate(descriptor, 0)
        os.lseek(descriptor, 0, os.SEEK_SET)
        os.write(descriptor, json.dumps({"pid": os.getpid(), "host": socket.gethostname()}).encode())
        yield
        os.ftruncate(descriptor, 0)
    finally:
        os.close(descriptor)


def _locked(descriptor: int) -> bool:
    """Take it; a few tries, for whoever asks by `is_held` has it for a moment."""
    never = threading.Event()
    for _ in range(TRIES):
        with suppress(BlockingIOError):
            _take(descriptor)
            return True
        never.wait(APART_S)
    return False


def _take(descriptor: int, *, shared: bool = False) -> None:
    """BlockingIOError where another has it. Windows has no shared one, and locks what cannot be read then."""
    if fcntl is not None:
        fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        return
    import msvcrt

    os.lseek(descriptor, _FAR, os.SEEK_SET)
    try:
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined, unused-ignore]
    except OSError as error:
        raise BlockingIOError(*error.args) from None


def is_held(store: Path) -> bool:
    """Whether a daemon holds the lock beside the SQLite file `store` at this moment."""
    try:
        descriptor = os.open(lock_of(store), os.O_RDONLY if fcntl is not None else os.O_RDWR)
    except OSError:
        return False
    try:
        _take(descriptor, shared=True)
    except BlockingIOError:
        return True
    finally:
        os.close(descriptor)
    return False


def _held_by(descriptor: int, store: str) -> AlreadyRunning:
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        holder = json.loads(os.read(descriptor, 1000))
        pid, host = int(holder["pid"]), str(holder["host"])
    except (ValueError, KeyError, TypeError):
        return AlreadyRunning(store, None, None, None)  # caught between locking and writing its name
    # The holder wrote its name when it started, so the file's own time is that moment: no clock need be read.
    return AlreadyRunning(store, pid, host, datetime.fromtimestamp(os.fstat(descriptor).st_mtime, UTC))


@contextmanager
def hold_session_lock(engine: Engine, location: str) -> Iterator[None]:
    """Hold PostgreSQL's advisory lock on a connection of its own. Raises AlreadyRunning if another holds it."""
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        key = {"key": _POSTGRES_DAEMON_KEY}
        if not connection.scalar(text("SELECT pg_try_advisory_lock(:key)"), key):
            found = connection.execute(text(_HOLDER), key).one_or_none()
            raise AlreadyRunning(location, *(found or (None, None, None)))
        try:
            yield
        finally:
            connection.scalar(text("SELECT pg_advisory_unlock(:key)"), key)


_HOLDER = """
    SELECT activity.pid, coalesce(host(activity.client_addr), 'the database''s own host'), activity.backend_start
    FROM pg_locks JOIN pg_stat_activity AS activity USING (pid)
    WHERE locktype = 'advisory' AND granted AND objid = :key
      AND pg_locks.database = (SELECT oid FROM pg_database WHERE datname = current_database())
"""
