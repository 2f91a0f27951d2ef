"""The daily backup, and readings of long ago that are let go: a thread of its own, so that copying a large store keeps
nobody waiting, rung by the scheduler.

When one is due is read from what lies in the folder: a backup whose name says it is from tomorrow proves only that a
clock was wrong, and counts for nothing. Beside it the time since this run's own last one counts.
"""

from __future__ import annotations

import logging
import threading
from datetime import datetime, timedelta

from curewatch.clock import Clock, plausible
from curewatch.desk import Desk
from curewatch.desk.commands.notice_care import tell_late_backup
from curewatch.desk.commands.readings import thin
from curewatch.settings import BackupSettings
from curewatch.store import BackupFailed, Store, StoreError, newest

log = logging.getLogger(__name__)

SETTLED_AFTER_S = 600.0
"""A start has better things to do than to copy the store once more; the first copy of all is made at once."""
AGAIN_AFTER_S = 3600.0
"""After one that failed [s]."""


def backup_due(store: Store, settings: BackupSettings, now: datetime) -> datetime | None:
    """When the next one is due by what lies in the folder, `now` where none does; None: none is made."""
    if settings.every_h <= 0 or "://" in store.location:
        return None
    last = newest(store.backups(), now)
    return now if last is None or last.at > now else last.at + timedelta(hours=settings.every_h)


class Backups:
    """`start` and `stop` once each; `make_if_due` is what the thread asks at each `ring`."""

    def __init__(self, desk: Desk, clock: Clock) -> None:
        self._desk, self._store, self._settings, self._clock = desk, desk.store, desk.settings.backup, clock
        self._stopping, self._bell = threading.Event(), threading.Event()
        self._not_before = clock.boottime() + (SETTLED_AFTER_S if desk.store.backups() else 0.0)
        self._thread = threading.Thread(target=self._run, name="backups", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def ring(self) -> None:
        """One may be due."""
        self._bell.set()

    def due_at(self, now: datetime) -> datetime | None:
        """When the next one is to be made; None: never."""
        due = backup_due(self._store, self._settings, now)
        return due and max(due, now + timedelta(seconds=self._not_before - self._clock.boottime()))

    def stop(self, within_s: float) -> None:
        """One that is being made is dropped where it takes longer; what it wrote does not count."""
        self._stopping.set()
        self._bell.set()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def make_if_due(self) -> bool:
        """Back the store up if that is due, and delete backups past their number; True if one was made."""
        now, boottime = self._clock.now(), self._clock.boottime()
        if not plausible(now) or (due := self.due_at(now)) is None or due > now:
            return False
        self._not_before = boottime + AGAIN_AFTER_S
        try:
            made = self._store.back_up(now)
            deleted = self._store.prune_backups(self._settings.keep, now)
        except (BackupFailed, OSError) as error:
            log.error("%s; trying again in an hour", error)
            self._tell(str(error), now)
            return False
        self._not_before = boottime + self._settings.every_h * 3600
        log.info("backed up to %s (%d kB)%s", made.path, made.size // 1000, _also(len(deleted)))
        return True

    def _thin(self) -> None:
        """In small steps: whoever stores a reading waits for one at most."""
        now = self._clock.now()
        while plausible(now) and not self._stopping.is_set() and thin(self._desk, now):
            pass

    def _tell(self, why: str, now: datetime) -> None:
        try:
            tell_late_backup(self._desk, why, now)
        except StoreError as error:  # the disk is full, or the store is the reason: the main loop tells that
            log.warning("that no backup was made is not told: %s", error)

    def _run(self) -> None:
        while True:
            self._bell.wait()
            self._bell.clear()
            if self._stopping.is_set():
                return
            try:
                self.make_if_due()
                self._thin()
            except Exception as flaw:  # whatever this is, the watching goes on
                log.exception("unexpected %s while backing up", type(flaw).__name__)


def _also(deleted: int) -> str:
    return f"; {deleted} older ones deleted" if deleted else ""
