"""The pictures that rows of `photos` name: a file each in a folder beside the store, named after what it holds.

A file is made to last before the row that names it is committed, and goes after the row has: a power cut leaves a file
that nobody names, never a row without its file.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sqlite3
from collections.abc import Collection
from contextlib import closing
from pathlib import Path

from curewatch.store.disk import faults
from curewatch.store.errors import DiskTrouble

SUFFIX, PHOTOS = ".jpg", "-photos"


class PhotoFolder:
    """Pictures by the SHA-256 of what they hold, so that the same one lies there once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    @classmethod
    def of(cls, store: Path) -> PhotoFolder:
        """Beside the store; its backups have one of that name too, where they lie."""
        return cls(store.with_name(f"{store.stem}{PHOTOS}"))

    def put(self, jpeg: bytes) -> str:
        """Its name; what is there already stays. Raises DiskTrouble."""
        name = hashlib.sha256(jpeg).hexdigest()
        path = self._path(name)
        if not path.exists():
            try:
                faults.make_folder(self.folder)
                part = path.with_name(f".{name}.part")
                with open(part, "wb", opener=lambda file, flags: os.open(file, flags, 0o600)) as file:
                    file.write(jpeg)
                faults.make_private(part)
                faults.make_last(part)
                part.rename(path)
                faults.make_last(self.folder)
            except OSError as error:
                raise DiskTrouble(f"the photo could not be kept in {self.folder}: {error.strerror}") from error
        return name

    def get(self, name: str) -> bytes | None:
        """None where it is not there."""
        try:
            return self._path(name).read_bytes()
        except OSError:
            return None

    def drop(self, names: Collection[str]) -> None:
        """These are named no more."""
        for name in names:
            with contextlib.suppress(OSError):
                self._path(name).unlink()

    def names(self) -> set[str]:
        return {path.stem for path in self.folder.glob(f"*{SUFFIX}")}

    def copy_to(self, other: PhotoFolder, names: Collection[str]) -> None:
        """What is not there yet, of these. Raises OSError."""
        for name in sorted(set(names) - other.names()):
            if self._path(name).exists():
                faults.make_folder(other.folder)
                part = other._path(name).with_name(f".{name}.part")
                shutil.copyfile(self._path(name), part)
                faults.make_private(part)
                faults.make_last(part)
                part.rename(other._path(name))

    def _path(self, name: str) -> Path:
        return self.folder / f"{name}{SUFFIX}"


def named_in(file: Path) -> set[str]:
    """The pictures that a store's or a backup's file names; none where it knows of none."""
    with closing(sqlite3.connect(f"{file.resolve().as_uri()}?mode=ro", uri=True)) as connection:
        known = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'photos'").fetchone()
        return {name for (name,) in connection.execute("SELECT sha256 FROM photos")} if known else set()
