"""Real disks that are small, full, or can only be read: a memory file system, mounted for one test."""

from __future__ import annotations

import contextlib
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


class Disk:
    """A mounted folder. `fill` and `make_room` as often as one likes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ballast = folder / "ballast"

    def fill(self) -> None:
        """Write until the disk takes not one byte more."""
        with self._ballast.open("ab", buffering=0) as file:
            for size in (1 << 16, 1 << 12, 1):
                with contextlib.suppress(OSError):
                    while True:
                        file.write(b"\0" * size)

    def make_room(self) -> None:
        self._ballast.unlink()

    def only_to_be_read(self) -> None:
        _mount("-o", "remount,ro", str(self.folder))

    def to_be_written(self) -> None:
        _mount("-o", "remount,rw", str(self.folder))


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Disk]:
    """A disk of that size on `folder`. Skips where mounting is not allowed: it takes root's rights."""
    folder.mkdir()
    if os.geteuid() != 0 or _mount("-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)):
        pytest.skip("mounting a small disk needs root's rights")
    try:
        yield Disk(folder)
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def _mount(*arguments: str) -> int:
    return subprocess.run(["mount", *arguments], capture_output=True).returncode
