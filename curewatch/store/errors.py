"""What can go wrong with the store, in sentences a person can act on."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from curewatch.records.errors import Ending, ForPeople


class StoreError(ForPeople):
    """The store could not do what was asked. Nothing was written."""


class CannotOpen(StoreError):
    """No store can be opened at this location; what is there was left untouched."""

    ending = Ending.BAD_INPUT


class NewerSchema(CannotOpen):
    """The store was last used by a newer curewatch than this one."""

    ending = Ending.FAILED


class StoreBroken(CannotOpen):
    """The store's own file is damaged, empty, or gone although copies of it are there."""

    ending = Ending.STORE_BROKEN

    def __init__(self, path: Path, reason: str, remedy: str) -> None:
        """`reason` completes "the store PATH …"; `remedy` is one sentence or more on what brings it back."""
        self.path, self.reason, self.remedy = path, reason, remedy
        super().__init__(f"the store {path} {reason}. {remedy}")


class DiskTrouble(StoreError):
    """The disk is full, fails, or may not be written: nothing was, and the same may succeed later."""


class BackupFailed(StoreError):
    """No backup was made, or none brought back; what was there before is as it was."""


class AlreadyRunning(StoreError):
    """Another daemon holds this store."""

    ending = Ending.ALREADY_RUNNING

    def __init__(self, location: str, pid: int | None, host: str | None, since: datetime | None) -> None:
        self.location, self.pid, self.host, self.since = location, pid, host, since
        holder = f"process {pid}" if pid is not None else "a process that left no name"
        where = f" on {host}" if host else ""
        when = f" since {since.isoformat(timespec='seconds')}" if since else ""
        super().__init__(f"another daemon already runs on the store {location}: {holder}{where}{when}")


class FactRefused(StoreError):
    """A rule of the database forbids this record (a duplicate, or a reference to something unknown)."""

    ending = Ending.BAD_INPUT


class RowRefused(FactRefused):
    """One of many records that were to go in at once: the `index`th of its `kind`."""

    def __init__(self, kind: str, index: int, why: str, dangling: tuple[str, str, object] | None = None) -> None:
        """`dangling`: its column that refers to nothing, where that should be, as `rooms.name`, and what it says."""
        self.kind, self.index, self.why, self.dangling = kind, index, why, dangling
        super().__init__(f"the store refuses {kind}[{index}]: {why}")


class DuplicateName(FactRefused):
    """A piece that is not gone already bears this name."""

    def __init__(self, name: str) -> None:
        self.name = name
        super().__init__(f"a piece named {name!r} is still here; mark that one gone first, or choose another name")
