"""A disk that remembers what was written to it and what was synced, and what may be left of it when the power fails.

The promises a disk keeps, and all it keeps: what was synced is there; a new file is there once it was synced; a sector
of 512 bytes is old or new, never in between. Anything else that was written is there, not there, or there in part, each
write by itself and in no order. (POSIX fsync; "Atomic Commit In SQLite", sections 2 and 9, on sectors and reordering.)
The index of the log (-shm) is memory that two processes share, and never survives.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import apsw

SECTOR = 512


class Op(NamedTuple):
    """One thing asked of the disk."""

    kind: str
    """'write', 'truncate', 'sync', 'delete' (at once) or 'unlink' (some time)."""
    name: str
    at: int = 0
    """Offset of a write, size after a truncation."""
    data: bytes = b""


class Disk(apsw.VFS):
    """A file system for SQLite over a real folder; `ops` is what was asked of it, in order. Syncs nothing really."""

    NAME = "power"

    def __init__(self) -> None:
        self.ops: list[Op] = []
        super().__init__(self.NAME, base="")

    def xOpen(self, name: str | apsw.URIFilename | None, flags: list[int]) -> apsw.VFSFile:
        return _File(self, name, flags)

    def xDelete(self, filename: str, syncdir: bool) -> None:
        self.ops.append(Op("delete" if syncdir else "unlink", Path(filename).name))
        super().xDelete(filename, syncdir)


class _File(apsw.VFSFile):
    def __init__(self, disk: Disk, name: str | apsw.URIFilename | None, flags: list[int]) -> None:
        super().__init__("", name, flags)
        full = name.filename() if isinstance(name, apsw.URIFilename) else name
        self._disk, self._name = disk, "" if full is None else Path(full).name  # "": SQLite's own scratch

    def xWrite(self, data: bytes, offset: int) -> None:
        self._note(Op("write", self._name, offset, bytes(data)))
        super().xWrite(data, offset)

    def xTruncate(self, size: int) -> None:
        self._note(Op("truncate", self._name, size))
        super().xTruncate(size)

    def xSync(self, flags: int) -> None:
        self._note(Op("sync", self._name))

    def _note(self, op: Op) -> None:
        if op.name:
            self._disk.ops.append(op)


@dataclass
class _Held:
    """One file: what is sure to be there, and what was asked since."""

    sure: bytearray | None = None
    """None: not there."""
    since: list[Op] = field(default_factory=list)

    def sync(self) -> None:
        for op in self.since:
            self.sure = _after(self.sure, op)
        self.since = []


def left_over(before: dict[str, bytes], ops: list[Op], rng: random.Random) -> dict[str, bytes]:
    """Files that may be found after the power failed behind the last of `ops`, on a disk that held `before`."""
    held = {name: _Held(bytearray(content)) for name, content in before.items()}
    for op in ops:
        file = held.setdefault(op.name, _Held())
        if op.kind == "sync":
            if file.since or file.sure is None:
                file.sure = bytearray() if file.sure is None else file.sure
                file.sync()
        elif op.kind == "delete":
            held[op.name] = _Held()
        else:
            file.since.append(op)
    found = {name: _settled(file, rng) for name, file in held.items()}
    return {name: bytes(content) for name, content in found.items() if content is not None}


def _settled(file: _Held, rng: random.Random) -> bytearray | None:
    """Of what was not synced: nothing, everything, or any part of it."""
    kept = rng.choice((0.0, 0.5, 0.9, 1.0))
    content = file.sure
    for op in file.since:
        if rng.random() >= kept:
            continue
        if op.kind == "write" and kept < 1 and rng.random() < 0.5:
            content = _torn(content, op, rng)
        else:
            content = _after(content, op)
    return content


def _after(content: bytearray | None, op: Op) -> bytearray | None:
    if op.kind == "unlink":
        return None
    content = bytearray() if content is None else content
    if op.kind == "truncate":
        return content[: op.at].ljust(op.at, b"\0")
    content.extend(bytes(max(0, op.at + len(op.data) - len(content))))
    content[op.at : op.at + len(op.data)] = op.data
    return content


def _torn(content: bytearray | None, op: Op, rng: random.Random) -> bytearray:
    """Some of the sectors a write touches have what was written, the others what they had."""
    content = bytearray() if content is None else content
    start, end = op.at, op.at + len(op.data)
    for low in range(start - start % SECTOR, end, SECTOR):
        if rng.random() < 0.5:
            first, last = max(low, start), min(low + SECTOR, end)
            part = Op("write", op.name, first, op.data[first - start : last - start])
            content = _after(content, part) or bytearray()
    return content
