"""The daily backup: a thread of its own, so that copying a large store keeps nobody waiting.

When one is due is read from what lies in the folder: a backup whose name says it is from tomorrow proves only that a
clock was wrong, and counts for nothing. Beside it the time since this run's own last one counts.
"""

from __future__ import annotations

import logging
import threading
from datetime import datetime

from curewatch.clock import Clock, plausible
from curewatch.desk import Desk
from curewatch.desk.commands.notice_care import tell_late_backup
from curewatch.store import BackupFailed, StoreError, newest

log = logging.getLogger(__name__)

SETTLED_AFTER_S = 600.0
"""A start has better things to do than to copy the store; and one that does not last ten minutes proves nothing."""
LOOK_EVERY_S = 60.0
AGAIN_AFTER_S = 3600.0
"""After one that failed [s]."""


class Backups:
    """`start` and `stop` once each; `make_if_due` is what the thread asks every minute."""

    def __init__(self, desk: Desk, clock: Clock) -> None:
        self._desk, self._store, self._settings, self._clock = desk, desk.store, desk.settings.backup, clock
        self._stopping = threading.Event()
        self._not_before = clock.boottime() + SETTLED_AFTER_S
        self._thread = threading.Thread(target=self._run, name="backups", daemon=True)

    def start(self) -> None:
        if self._settings.every_h > 0 and "://" not in self._store.location:
            self._thread.start()

    def stop(self, within_s: float) -> None:
        """One that is being made is dropped where it takes longer; what it wrote does not count."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def make_if_due(self) -> bool:
        """Back the store up if that is due, and delete backups past their number; True if one was made."""
        now, boottime = self._clock.now(), self._clock.boottime()
        if boottime < self._not_before or not plausible(now):
            return False
        last = newest(self._store.backups(), now)
        age_s = None if last is None else (now - last.at).total_seconds()
        if age_s is not None and 0 <= age_s < self._settings.every_h * 3600:
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

    def _tell(self, why: str, now: datetime) -> None:
        try:
            tell_late_backup(self._desk, why, now)
        except StoreError as error:  # the disk is full, or the store is the reason: the main loop tells that
            log.warning("that no backup was made is not told: %s", error)

    def _run(self) -> None:
        while not self._clock.wait(self._stopping, LOOK_EVERY_S):
            try:
                self.make_if_due()
            except Exception as flaw:  # whatever this is, the watching goes on
                log.exception("unexpected %s while backing up", type(flaw).__name__)


def _also(deleted: int) -> str:
    return f"; {deleted} older ones deleted" if deleted else ""
