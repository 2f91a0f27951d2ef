"""Opening the store, and its transactions."""

from __future__ import annotations

import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from sqlalchemy import URL, Engine
from sqlalchemy.exc import DBAPIError

from curewatch.store.disk.backup import Backup, back_up, backups_of, prune, refuse_what_was_lost, was_ours, what_helps
from curewatch.store.disk.faults import (
    damage,
    disk_trouble,
    is_damage,
    is_read_only,
    make_folder,
    make_private,
    put_aside_before,
)
from curewatch.store.disk.identity import Identity, saved
from curewatch.store.disk.lock import hold_file_lock, hold_session_lock, is_held
from curewatch.store.disk.photos import PhotoFolder
from curewatch.store.engine import (
    for_reading,
    for_writing,
    parse_location,
    postgres_engine,
    sqlite_engine,
    use_wal,
)
from curewatch.store.errors import BackupFailed, CannotOpen, DiskTrouble, StoreBroken, StoreError
from curewatch.store.queries.access import Access
from curewatch.store.queries.corrections import Corrections
from curewatch.store.queries.decisions import AlarmHistory, Checkpoints, Decisions
from curewatch.store.queries.facts import Facts, Observations, Workshop
from curewatch.store.queries.importing import Import
from curewatch.store.queries.outbox import Outbox
from curewatch.store.queries.readings import PendingMessages, Readings
from curewatch.store.queries.undo import Undo
from curewatch.store.schema import bring_to_head, drop_what_is_packed, packing_is_left

log = logging.getLogger(__name__)


class Store:
    """Everything curewatch knows, in one database. Any thread may open transactions, at the same time as others."""

    def __init__(self, engine: Engine, place: Path | URL, backups: Path | None = None) -> None:
        """Use `Store.open`; this takes an engine whose tables are known to be up to date."""
        self._engine, self._place, self._backups = engine, place, backups
        self._identity = Identity(place) if isinstance(place, Path) else None
        self._writing, self._reading = for_writing(engine), for_reading(engine)

    @classmethod
    def open(
        cls,
        location: str | Path,
        *,
        migrate: bool = True,
        backups: Path | None = None,
        look_through: bool = False,
        anew: bool = False,
    ) -> Self:
        """Open the store, making it (and its folder, for its owner alone) if it is not there.

        `location` is the path of an SQLite file, or a database URL. The tables are brought up to date unless `migrate`
        is False, in which case a store that is missing or behind is an error. `backups` is the folder of its backups
        where that is not the usual one; with `look_through` its file is looked through first, not only as far as
        opening needs. `anew`: an empty one may take the place of one that is gone. Raises CannotOpen, whose text says
        what is wrong and what to do (StoreBroken for a store that is damaged or gone, with its backup), or DiskTrouble;
        a file that is no store is left as it was.
        """
        place = parse_location(location)
        if isinstance(place, Path):
            _check_file(place, backups, make=migrate, anew=anew)
        engine = sqlite_engine(place) if isinstance(place, Path) else postgres_engine(place)
        try:
            if look_through and isinstance(place, Path) and place.exists() and (found := damage(place)):
                raise _broken(place, backups, found) if was_ours(place, backups) else _no_database(place, backups)
            bring_to_head(engine, _shown(place), migrate=migrate)
            if isinstance(place, Path):
                use_wal(engine, _shown(place))
            if migrate:
                _pack_what_was_before(engine)
        except BaseException as error:
            engine.dispose()
            if isinstance(error, DBAPIError | sqlite3.Error):
                raise _why_not(place, backups, error) from error
            raise
        return cls(engine, place, backups)

    @staticmethod
    def is_begun(location: str | Path, backups: Path | None = None) -> bool:
        """Whether there is a store, or was one that is gone; of a database elsewhere it is taken to be so."""
        place = parse_location(location)
        return (
            not isinstance(place, Path) or place.exists() or was_ours(place, backups) or bool(put_aside_before(place))
        )

    @property
    def location(self) -> str:
        """Where the store is, for messages: a path, or a URL without its password."""
        return _shown(self._place)

    @property
    def photos(self) -> PhotoFolder:
        """The pictures that its rows name. Raises StoreError for a database that lies elsewhere."""
        if not isinstance(self._place, Path):
            raise StoreError(f"photos lie beside a store that is a file; {self.location} is a database elsewhere")
        return PhotoFolder.of(self._place)

    @contextmanager
    def write(self) -> Iterator[Transaction]:
        """A transaction that may write: the only one at a time. Commits at the end, or undoes all on any error.

        Readers go on meanwhile. When this has returned, what was written survives a power cut.
        """
        self.require_same()
        with self._explaining(), self._writing.begin() as connection:
            yield Transaction(connection)
        self.require_same()  # else it is written to nowhere, and is not to be acknowledged

    @contextmanager
    def read(self) -> Iterator[Transaction]:
        """A transaction that cannot write. It sees the store as of its first look, and keeps no writer waiting."""
        self.require_same()
        with self._explaining(), self._reading.begin() as connection:
            yield Transaction(connection)

    def require_same(self) -> None:
        """Raises StoreBroken where its file or its log were taken away or replaced since it was opened."""
        if self._identity is not None and (trouble := self._identity.trouble()) is not None:
            assert isinstance(self._place, Path)
            raise StoreBroken(self._place, trouble, what_helps(self._place, self._backups))

    def lost(self, broken: StoreBroken, now: datetime) -> StoreBroken:
        """The error to end with: where its file or log was taken away, what was stored up to then is set aside."""
        pool = self._engine.pool
        if self._identity is None or self._identity.trouble() is None or not pool.checkedin():  # type: ignore[attr-defined]
            return broken
        try:
            with self._engine.connect() as connection:
                held = connection.connection.driver_connection
                assert isinstance(held, sqlite3.Connection)
                copy = saved(held, broken.path, now)
        except (OSError, sqlite3.Error, DBAPIError) as error:
            log.error("what was stored could not be set aside: %s", error)
            return broken
        return StoreBroken(broken.path, broken.reason, what_helps(broken.path, self._backups, saved=copy, now=now))

    @contextmanager
    def _explaining(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as error:
            if isinstance(self._place, Path):
                if is_damage(error.orig):
                    raise _broken(self._place, self._backups, str(error.orig)) from error
                if trouble := disk_trouble(error.orig, self._place):
                    raise DiskTrouble(f"the store {self.location} could not be used: {trouble}") from error
            raise StoreError(f"the store {self.location} failed: {error.orig}") from error

    def back_up(self, now: datetime, *, to: Path | None = None) -> Backup:
        """Copy it to `to` or into its backups' folder while it is in use; BackupFailed where that cannot be."""
        if not isinstance(self._place, Path):
            raise BackupFailed(f"{self.location} is backed up with the tools of its database, such as pg_dump")
        return back_up(self._place, now, to=to, folder=self._backups)

    def backups(self) -> list[Backup]:
        """Its backups, the newest last; none where its database has tools of its own."""
        return backups_of(self._place, self._backups) if isinstance(self._place, Path) else []

    def prune_backups(self, keep: int, now: datetime) -> list[Path]:
        """Delete all but the `keep` newest of its backups up to `now`; what was deleted. Raises OSError."""
        return prune(self._place, keep, now, folder=self._backups) if isinstance(self._place, Path) else []

    def lock_for_daemon(self) -> AbstractContextManager[None]:
        """Be the one daemon of this store for the length of the `with` block. Raises AlreadyRunning."""
        if isinstance(self._place, Path):
            return hold_file_lock(self._place)
        return hold_session_lock(self._engine, self.location)

    def has_daemon(self) -> bool:
        """Whether a daemon watches this store now. False where that cannot be asked without being one."""
        return isinstance(self._place, Path) and is_held(self._place)

    def close(self) -> None:
        """Close every connection. Transactions must be over."""
        self._engine.dispose()
        if self._identity is not None:
            self._identity.forget_log()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _pack_what_was_before(engine: Engine) -> None:
    """Pack the readings of a store from before days were packed, a day at a time: a cut loses a day's work."""
    left = packing_is_left(engine)
    if left:
        log.warning("the store's readings are packed by the day; with millions of them that takes minutes")
    while left:
        with for_writing(engine).begin() as connection:
            left = Transaction(connection).pack_some_of_before()
        if not left:
            drop_what_is_packed(engine)


def _shown(place: Path | URL) -> str:
    return str(place) if isinstance(place, Path) else place.render_as_string(hide_password=True)


def _check_file(path: Path, backups: Path | None, *, make: bool, anew: bool) -> None:
    """Say early and plainly what SQLite would put as "unable to open database file". Makes missing folders."""
    folder = path.parent
    if path.is_dir():
        raise CannotOpen(f"the store {path} is a folder; name a file in it, such as {path / 'studio.sqlite'}")
    if not anew:
        refuse_what_was_lost(path, backups)
    if not make and not path.exists():
        raise CannotOpen(f"there is no store at {path}; log a pour or a reading to make one, or name another")
    try:
        make_folder(folder)
        if is_read_only(folder):
            raise CannotOpen(
                f"the store {path} cannot be used: the disk of {folder} can only be read; mount it writable, "
                "or name a store elsewhere"
            )
    except OSError as error:
        raise CannotOpen(f"cannot make the folder {folder} for the store: {error.strerror}") from error
    if path.exists() and not _may(path, os.R_OK | os.W_OK):
        raise CannotOpen(
            f"the store {path} may not be {'written' if _may(path, os.R_OK) else 'read'} by this user; "
            "run curewatch as its owner, or change its mode"
        )
    if path.exists() and not _is_sqlite(path):
        raise _no_database(path, backups)
    # SQLite keeps its log beside the file, so even an existing store needs the folder.
    if not _may(folder, os.W_OK | os.X_OK):
        raise CannotOpen(
            f"the store {path} needs its log beside it, and the folder {folder} may not be written by this user; "
            "change its mode, or name a store elsewhere"
        )
    if not path.exists():  # before SQLite makes it by the umask; its log takes mode and owner from it
        try:
            os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
            make_private(path)
        except FileExistsError:
            pass  # another process was faster
        except OSError as error:
            raise CannotOpen(f"cannot make the store {path}: {error.strerror}") from error


def _is_sqlite(path: Path) -> bool:
    """Whether the file is empty or says it is SQLite's. Asked here, since SQLite would take over any short file.

    With a journal beside it SQLite is the one to say: it was cut off while its first tables were made.
    """
    if Path(f"{path}-journal").exists():
        return True
    with path.open("rb") as file:
        return file.read(16) in (b"", b"SQLite format 3\0")


def _no_database(path: Path, backups: Path | None) -> CannotOpen:
    """A file that is no database is somebody else's, unless a daemon ran on it or it was backed up: then it is ours."""
    if was_ours(path, backups):
        return _broken(path, backups, "file is not a database")
    return CannotOpen(f"{path} is no SQLite database, so no store; name another file, or move this one away")


def _broken(path: Path, backups: Path | None, found: str) -> StoreBroken:
    return StoreBroken(path, f"is damaged ({found})", what_helps(path, backups))


def _may(path: Path, mode: int) -> bool:
    return os.access(path, mode, effective_ids=os.access in os.supports_effective_ids)


def _why_not(place: Path | URL, backups: Path | None, error: DBAPIError | sqlite3.Error) -> StoreError:
    cause = error.orig if isinstance(error, DBAPIError) else error
    if isinstance(place, Path):
        if getattr(cause, "sqlite_errorname", "") == "SQLITE_NOTADB":
            return _no_database(place, backups)
        if is_damage(cause):
            return _broken(place, backups, str(cause))
        if trouble := disk_trouble(cause, place):
            return DiskTrouble(f"cannot open the store {place}: {trouble}")
    return CannotOpen(f"cannot open the store {_shown(place)}: {cause}")


class Transaction(
    Facts,
    Corrections,
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
    Access,
):
    """Made by `Store.read` and `Store.write`, and of use only inside their `with` block."""
