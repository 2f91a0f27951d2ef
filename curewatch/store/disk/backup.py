"""Backups of an SQLite store: made while it is in use, proven before they count, and brought back.

A backup is a copy made with SQLite's own backup interface, so it holds every commit up to one moment, whoever writes
meanwhile. It is written under a name that does not count, looked through whole, made to last, and only then renamed: a
power cut leaves a complete backup or none. Its name tells the store and the moment, `studio-20261125T031200Z.sqlite`.
Packed days of readings, by far the most, lie beside those in the backups' folder by the month (`months.py`).
"""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from curewatch.store.disk import faults, months
from curewatch.store.disk.lock import hold_file_lock, lock_of
from curewatch.store.disk.photos import PHOTOS, PhotoFolder, named_in
from curewatch.store.errors import BackupFailed, StoreBroken
from curewatch.store.schema import VERSION_TABLE

LEFT_FREE_BYTES = 16 * 1024 * 1024
"""A backup that would leave less room on the disk is not begun: it must not stop the store itself."""
FOLDER = "backups"


@dataclass(frozen=True)
class Backup:
    path: Path
    at: datetime
    """When it was made, by the clock of that moment."""
    size: int
    """In bytes."""


@dataclass(frozen=True)
class Restored:
    """What a restore did."""

    backup: Path
    before: Path | None
    """The file that was there, set aside; None if there was none."""


def folder_of(store: Path, folder: Path | None = None) -> Path:
    """Where the store's backups lie: as set, else in a folder beside it."""
    return folder or store.parent / FOLDER


def backups_of(store: Path, folder: Path | None = None) -> list[Backup]:
    """The store's backups, the newest last. Files of other names are none."""
    ours = re.compile(rf"{re.escape(store.stem)}-(\d{{8}}T\d{{6}}Z)\.sqlite")
    found = []
    with contextlib.suppress(OSError):
        for entry in folder_of(store, folder).iterdir():
            if (match := ours.fullmatch(entry.name)) is None:
                continue
            with contextlib.suppress(ValueError, OSError):  # no such date; or gone meanwhile
                at = datetime.strptime(match[1], faults.STAMP).replace(tzinfo=UTC)
                found.append(Backup(entry, at, entry.stat().st_size))
    return sorted(found, key=lambda backup: backup.at)


def newest(kept: list[Backup], now: datetime) -> Backup | None:
    """The last one made, of what `backups_of` gave. One of a date to come bears a wrong clock's, and counts only where
    there is no other."""
    return next((backup for backup in reversed(kept) if backup.at <= now), kept[-1] if kept else None)


def back_up(store: Path, now: datetime, *, to: Path | None = None, folder: Path | None = None) -> Backup:
    """Copy the store to `to`, or to a name of its own in its backups' folder, while others go on using it.

    Raises BackupFailed: the target is there already, the disk has no room, or the copy is not sound, which means that
    the store is not either. Nothing that counts as a backup is left then.
    """
    target = to or folder_of(store, folder) / f"{store.stem}-{now:{faults.STAMP}}.sqlite"
    if target.exists():
        raise BackupFailed(f"{target} is there already; name another file, or move it away")
    with _explained(f"no backup of {store} was made to {target}"):
        if not store.is_file():
            raise BackupFailed(f"there is no store at {store} to back up")
        owner = store if to is None else None
        faults.make_folder(target.parent, owner)
        with _beside(target, owner) as part:
            _need_room(store, target.parent, LEFT_FREE_BYTES)
            _copy(store, part)
            _prove(part)
            if to is None:
                months.move_out(part, target.parent, store.stem, now)
            PhotoFolder.of(store).copy_to(PhotoFolder.of(target.with_name(store.name)), named_in(part))
            _put(part, target)
    return Backup(target, now, target.stat().st_size)


def prune(store: Path, keep: int, now: datetime, *, folder: Path | None = None) -> list[Path]:
    """Delete all but the `keep` (1 or more) newest backups; what was deleted. Raises OSError.

    Those of a date to come stay and count for none: who can say when they were made?
    """
    old = [backup.path for backup in backups_of(store, folder) if backup.at <= now][:-keep]
    for path in old:
        path.unlink(missing_ok=True)
    if old:
        here = folder_of(store, folder)
        photos = PhotoFolder.of(here / store.name)
        photos.drop(photos.names() - {name for kept in here.glob("*.sqlite") for name in named_in(kept)})
        months.drop_unnamed(here, store.stem, [backup.path for backup in backups_of(store, folder)])
    return old


def restore(store: Path, backup: Path, now: datetime) -> Restored:
    """Put a copy of `backup` in the store's place; what was there is set aside. The backup itself stays.

    Raises BackupFailed where the backup is not sound or no store, and AlreadyRunning while a daemon holds the store.
    A power cut at any moment leaves the old store, the new one, or none, which opening the store tells apart.
    """
    if not backup.is_file():
        raise BackupFailed(f"there is no backup at {backup}; `curewatch restore --list` shows those there are")
    if store.exists() and backup.samefile(store):
        raise BackupFailed(f"{backup} is the store itself; name a backup of it")
    with _explained(f"{backup} was not brought back to {store}"):
        faults.make_folder(store.parent)
        with hold_file_lock(store), _beside(store, store if store.exists() else None) as part:
            _need_room(backup, store.parent, 0)
            # Through SQLite too: so a log beside the backup, if somebody opened it, is not lost.
            _copy(backup, part)
            months.bring_in(part, backup.parent)
            _prove(part)
            for there in backup.parent.glob(f"*{PHOTOS}"):
                PhotoFolder(there).copy_to(PhotoFolder.of(store), named_in(part))
            before = faults.set_aside(store, "before-restore", now)
            _put(part, store)
    return Restored(backup, before)


def set_broken_aside(broken: StoreBroken, now: datetime, *, folder: Path | None = None) -> StoreBroken:
    """Set a damaged store's files aside, where they are sure to be a store's; the error to raise instead.

    Raises AlreadyRunning while a daemon holds the store.
    """
    if not broken.path.exists() or not was_ours(broken.path, folder):
        return broken
    with hold_file_lock(broken.path), _explained(f"{broken.path} {broken.reason}, and was not set aside"):
        aside = faults.set_aside(broken.path, "damaged", now)
    return StoreBroken(broken.path, broken.reason, what_helps(broken.path, folder, aside=aside, now=now))


def what_helps(
    store: Path,
    folder: Path | None = None,
    *,
    aside: Path | None = None,
    now: datetime | None = None,
    saved: Path | None = None,
) -> str:
    """For people whose store is broken: where it is now, which backup there is, and what brings it back. `saved`: a
    sound copy of what a store had that was taken away.

    Without `now` nobody can tell whether the newest bears a wrong clock's date, so it is not called the last good one.
    """
    said, again = [], f"curewatch --store {shlex.quote(str(store))}"
    anew = f"To begin with an empty store: {again} --new-store run"
    if saved is not None:
        return (
            f"What was stored up to then is kept as {saved}; this brings it back: "
            f"{again} restore {shlex.quote(str(saved))}"
        )
    if aside is not None:
        said.append(f"It was set aside as {aside}; nothing of it was deleted.")
    kept = backups_of(store, folder)
    if kept:
        last = (newest(kept, now) if now else None) or kept[-1]
        which, it = ("last good", "it") if now else ("newest", "the last good one")
        said.append(
            f"The {which} backup is {last.path}, made {last.at:%Y-%m-%d %H:%M} UTC; "
            f"this brings {it} back: {again} restore"
        )
    elif aside is not None or faults.put_aside_before(store):
        tool = "the sqlite3 program's .recover may save some of it"
        said.append(f"There is no backup in {folder_of(store, folder)}; {tool}. {anew}")
    else:
        tool = "the sqlite3 program's .recover may save some"
        said.append(f"There is no backup in {folder_of(store, folder)}; {tool}. {anew}")
    return " ".join(said)


def was_ours(store: Path, folder: Path | None = None) -> bool:
    """Whether what lies under this name is, or once was, a store: a daemon's lock, a backup, or its tables' names tell.

    What is not may be anybody's file, named by a slip, and is never touched.
    """
    if lock_of(store).exists() or backups_of(store, folder):
        return True
    return store.is_file() and faults.bears(store, VERSION_TABLE)


def refuse_what_was_lost(store: Path, folder: Path | None = None) -> None:
    """Raise StoreBroken where a missing or empty file is a store that was lost: it must not begin anew unseen."""
    if not store.exists():
        aside = faults.put_aside_before(store)
        if aside or was_ours(store, folder) or PhotoFolder.of(store).names():
            last = f"; the last that was set aside is {aside[-1]}" if aside else ""
            raise StoreBroken(store, f"is gone{last}", what_helps(store, folder))
    elif store.is_file() and store.stat().st_size == 0 and was_ours(store, folder):
        raise StoreBroken(store, "is damaged: its file is empty", what_helps(store, folder))


# --- the steps ---


@contextmanager
def _explained(what: str) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise BackupFailed(f"{what}: {error}") from error
    except OSError as error:
        about = f"{error.filename}: " if error.filename else ""
        raise BackupFailed(f"{what}: {about}{error.strerror or error}") from error


@contextmanager
def _beside(target: Path, like: Path | None) -> Iterator[Path]:
    """A file for the owner alone that is gone afterwards, unless it was renamed."""
    part = target.with_name(f".{target.name}.part")
    _remove(part)  # of a run that was cut off
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    faults.make_private(part, like)
    try:
        yield part
    finally:
        _remove(part)


def _remove(part: Path) -> None:
    for ending in faults.COMPANIONS:
        Path(f"{part}{ending}").unlink(missing_ok=True)


def _need_room(source: Path, folder: Path, spare: int) -> None:
    log = Path(f"{source}-wal")
    needed = source.stat().st_size + (log.stat().st_size if log.exists() else 0) + spare
    if (free := shutil.disk_usage(folder).free) < needed:
        raise BackupFailed(f"{folder} has no room for it: {free // 1024} kB free, {needed // 1024} kB wanted")


def _copy(source: Path, part: Path) -> None:
    original = f"{source.resolve().as_uri()}?mode=ro"
    with closing(sqlite3.connect(original, uri=True)) as reading, closing(sqlite3.connect(part)) as writing:
        # In one step: with several, each commit in between would make it begin anew. Readers and writers of the
        # store go on meanwhile, since it keeps a write-ahead log.
        reading.backup(writing)
        # One file that needs no other beside it; the store turns its log on again when it is opened.
        writing.execute("PRAGMA journal_mode=DELETE")


def _prove(part: Path) -> None:
    """Raise BackupFailed unless the copy is sound, every page, index and reference of it, and a store of ours."""
    with closing(sqlite3.connect(part)) as copy:
        (found,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
        if found != "ok":
            raise BackupFailed(f"what is to be copied is damaged: {' '.join(str(found).split())}")
        if (spoiled := faults.spoiled_day(copy)) is not None:
            raise BackupFailed(f"what is to be copied is damaged: {spoiled}")
        if copy.execute("PRAGMA foreign_key_check").fetchone() is not None:
            raise BackupFailed("what is to be copied is damaged: it refers to rows that are not there")
        named = "SELECT count(*) FROM sqlite_master WHERE name = ?"
        if copy.execute(named, (VERSION_TABLE,)).fetchone() != (1,):
            raise BackupFailed("what is to be copied is no store of curewatch")


def _put(part: Path, target: Path) -> None:
    faults.make_last(part)
    part.rename(target)
    faults.make_last(target.parent)
