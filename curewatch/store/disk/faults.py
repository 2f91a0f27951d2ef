"""The store as files on a disk: which belong to it, whether they are sound, moving them aside, making them last.

An SQLite file in WAL mode is up to three files: NAME, NAME-wal (commits not yet copied into NAME) and NAME-shm. The
first two are of one piece: apart, the one is old and the other means nothing.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime
from pathlib import Path
from stat import S_ISDIR

COMPANIONS = ("", "-wal", "-shm", "-journal")
"""Endings of the files that belong together; the main one first."""
LOOKED_THROUGH_MAX_BYTES = 256 * 1024 * 1024
"""A larger store is looked through without its readings at a start, which would take a small board minutes."""

STAMP = "%Y%m%dT%H%M%SZ"
_ASIDE = ("damaged", "before-restore")


def damage(path: Path) -> str | None:
    """What is wrong with the SQLite file, in SQLite's words; None if it is sound (as far as it was looked through).

    Only reads: it neither completes nor clears the log beside the file. (A journal beside it is of a migration that was
    cut off, and has to be rolled back before the file means anything.)
    """
    mode = "rw" if Path(f"{path}-journal").exists() else "ro"
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode={mode}", uri=True)) as connection:
            return _found_wrong(connection, whole=path.stat().st_size <= LOOKED_THROUGH_MAX_BYTES)
    except sqlite3.DatabaseError as error:
        if is_damage(error):
            return str(error)
        raise


def _found_wrong(connection: sqlite3.Connection, *, whole: bool) -> str | None:
    names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    # quick_check looks at every page's structure; that indexes agree with their tables is left to the daily backup.
    questions = ["PRAGMA quick_check(1)"]
    if not whole:
        questions = [f'PRAGMA quick_check("{name}")' for name in names if name != "readings"]
    for question in questions:
        (found,) = connection.execute(question).fetchone()
        if found != "ok":
            return " ".join(str(found).split())
    return spoiled_day(connection) if whole else None


PACKED = ("raw_days", "rolled_days")


def spoiled_day(connection: sqlite3.Connection) -> str | None:
    """The first day of packed readings that is not what was stored, which SQLite cannot tell: each carries a checksum
    (RFC 1950). Some 100 MB a second."""
    there = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table in (name for name in PACKED if name in there):
        for source, day, data in connection.execute(f'SELECT source_id, day, "columns" FROM {table}'):
            try:
                zlib.decompress(data[1:])
            except (zlib.error, TypeError) as error:
                return f"the readings of source {source} of day {day} in {table}: {error}"
    return None


def is_damage(error: BaseException | None) -> bool:
    """Whether SQLite says that the file itself is not as it should be."""
    # the low byte of an extended code is the plain one
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    return code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def disk_trouble(error: BaseException | None, path: Path) -> str | None:
    """What is wrong with the disk, in a sentence, if that is why SQLite failed."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    folder = path.parent
    if code == sqlite3.SQLITE_FULL or (code in _DISK and _free_bytes(folder) < 64 * 1024):
        return f"the disk of {folder} is full ({_free_bytes(folder) // 1024} kB left); make room on it"
    if code in (sqlite3.SQLITE_READONLY, *_DISK) and is_read_only(folder):
        return f"the disk of {folder} can only be read; mount it writable, or look whether it fails"
    if code == sqlite3.SQLITE_IOERR:
        return f"the disk of {folder} does not do what is asked of it ({error}); look whether it fails"
    return None


_DISK = (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PROTOCOL)


def bears(path: Path, mark: str) -> bool:
    """Whether the file's beginning holds these words, whatever else of it is broken. Raises OSError."""
    with path.open("rb") as file:
        return mark.encode() in file.read(1024 * 1024)


def is_read_only(folder: Path) -> bool:
    """Whether the disk is mounted so that nobody may write to it."""
    try:
        return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)
    except (OSError, AttributeError):  # gone; or Windows, whose writes say so themselves
        return False


def _free_bytes(folder: Path) -> int:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return 0


def set_aside(path: Path, why: str, now: datetime) -> Path | None:
    """Rename the store's files, so that nothing of them is lost and the name is free; the main one's new name.

    `why` is 'damaged' or 'before-restore'. None if there was nothing to move. Raises OSError.
    """
    new = aside_name(path, why, now)
    moved = False
    for ending in COMPANIONS:
        if ending == "-shm":
            Path(f"{path}-shm").unlink(missing_ok=True)  # an index of the log, made anew from it
            continue
        try:
            Path(f"{path}{ending}").rename(f"{new}{ending}")
        except FileNotFoundError:
            continue
        with contextlib.suppress(OSError):  # another user's, or a disk that knows no modes: moved it is
            Path(f"{new}{ending}").chmod(0o600)
        moved = True
    make_last(path.parent)
    return new if moved else None


def aside_name(path: Path, why: str, now: datetime) -> Path:
    """A free name for a store that is set aside: 'damaged' or 'before-restore'."""
    assert why in _ASIDE
    return _free_name(path, f"{path.stem}-{why}-{now:{STAMP}}")


def _free_name(path: Path, stem: str) -> Path:
    names = (path.with_name(f"{stem}{again}{path.suffix}") for again in ("", *(f"-{k}" for k in range(2, 1000))))
    return next(name for name in names if not any(Path(f"{name}{ending}").exists() for ending in COMPANIONS))


def put_aside_before(path: Path) -> list[Path]:
    """Files of this store that were set aside, the newest last."""
    why, again = "|".join(_ASIDE), r"(?:-\d+)?"
    ours = re.compile(rf"{re.escape(path.stem)}-(?:{why})-(\d{{8}}T\d{{6}}Z){again}{re.escape(path.suffix)}")
    found = [(match[1], entry) for entry in _entries(path.parent) if (match := ours.fullmatch(entry.name))]
    return [entry for _, entry in sorted(found)]


def _entries(folder: Path) -> Iterator[Path]:
    try:
        yield from folder.iterdir()
    except OSError:
        return


def make_private(path: Path, like: Path | None = None) -> None:
    """Have this file or folder be its owner's alone, whatever the umask. Raises OSError.

    What root makes is given to the owner of `like`, or of the folder it lies in: else a command that was run as root
    leaves what the service's own user cannot open. Windows has no modes: there a person's own folders are private.
    """
    if not hasattr(os, "fchmod"):
        return
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW)  # of what is there now: nobody may slip root another file
    try:
        made = os.fstat(handle)
        os.fchmod(handle, 0o700 if S_ISDIR(made.st_mode) else 0o600)
        if os.geteuid() == 0:
            owner = (like or path.parent).stat()
            os.fchown(handle, owner.st_uid, owner.st_gid)
    finally:
        os.close(handle)


def make_folder(folder: Path, like: Path | None = None) -> None:
    """Like `mkdir -p`, but every folder it makes is its owner's alone (mkdir's mode is for the last one only)."""
    if not folder.exists():
        make_folder(folder.parent, like)
        folder.mkdir(mode=0o700, exist_ok=True)
        make_private(folder, like)


def make_last(path: Path) -> None:
    """Have what was written to this file, or renamed in this folder, survive a power cut. Raises OSError."""
    if os.name == "nt" and path.is_dir():
        return  # NTFS keeps its own log of names
    descriptor = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
