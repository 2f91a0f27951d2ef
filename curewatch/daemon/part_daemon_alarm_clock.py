"""APScheduler as an alarm clock and nothing more: a job rings, and whoever wakes asks the store what is due.

Kept in memory, in UTC. Both jobs have a fixed id and a single date: a repeating job would count up every hour it
missed when the clock is set far forward. Jobs run in the scheduler's own thread, since ringing takes no time.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

from curewatch.daemon.scheduler import LONGEST

NEXT_DUE, HOURLY = "next due", "hourly"


class Scheduler:
    """Calls `ring` at the planned date, and an hour after the last planning if that comes first."""

    def __init__(self, ring: Callable[[], object]) -> None:
        self._ring = ring
        # It says at every job that it ran; what matters the daemon says itself.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": DebugExecutor()},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def start(self) -> None:
        """Begin to ring. Only once the wall clock is plausible."""
        self._scheduler.start()

    def plan(self, next_due: datetime, now: datetime) -> None:
        """Forget what was planned; ring at `next_due`."""
        for name, at in ((NEXT_DUE, next_due), (HOURLY, now + LONGEST)):
            self._scheduler.add_job(self._ring, DateTrigger(at, UTC), id=name, name=name, replace_existing=True)

    def stop(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
