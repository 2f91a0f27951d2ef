"""When to look at the studio again (pure arithmetic), and the alarm clock that rings then."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from apscheduler.executors.debug import DebugExecutor
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

TICK_S = 5.0
"""The longest wait [s]. At each tick the daemon asks the store what other processes have logged, and reads the
clocks: so a step of the clock costs no more than this, whatever the scheduler makes of it."""
GATHER_S = 0.5
"""A burst's first reading waits this long for the rest: temperature and humidity often come apart [s]."""
PAUSE_S = (5.0, 20.0)
"""Between two looks for new facts alone: at least, and at most [s]. In between it is as a look costs."""
SHARE = 0.003
"""What looks for new facts alone may cost of one core, until the longest pause is reached: with what it takes to hear
and store readings the daemon stays below a hundredth."""
RETRY_S = (1.0, 60.0)
"""Shortest and longest wait after a failed look [s]; doubled in between."""
LONGEST = timedelta(hours=1)
"""A look is due this long after the last one, whatever that one said."""


class RefreshTiming:
    """Times in `monotonic` seconds but for `due_at`, which is a date and so belongs to the wall clock."""

    def __init__(self) -> None:
        self.due_at: datetime | None = None
        """When the next look is due if nothing happens; None: at once."""
        self._facts_since: float | None = None
        self._facts_from = 0.0
        self._any_from = 0.0
        self._failures = 0

    @property
    def failures(self) -> int:
        """Looks that failed since the last that did not."""
        return self._failures

    def facts_are_new(self, monotonic: float) -> None:
        if self._facts_since is None:
            self._facts_since = monotonic

    def at_once(self) -> None:
        """The clock was set, or could not be believed until now: no date planned by it holds."""
        self.due_at = None

    def is_due(self, now: datetime, monotonic: float) -> bool:
        return self.wait_s(now, monotonic) <= 0

    def wait_s(self, now: datetime, monotonic: float) -> float:
        """Seconds until a look is due, as far as is known now; at most TICK_S, 0 or less if it is due."""
        until_date = 0.0 if self.due_at is None else (self.due_at - now).total_seconds()
        until_facts = TICK_S
        if self._facts_since is not None:
            until_facts = max(self._facts_since + GATHER_S, self._facts_from) - monotonic
        return min(TICK_S, max(min(until_date, until_facts), self._any_from - monotonic))

    def begins(self) -> None:
        """A look begins: facts that come from here on may be too late for it."""
        self._facts_since = None

    def succeeded(self, next_due: datetime, now: datetime, monotonic: float, cost_s: float) -> None:
        """A look that took `cost_s` found that the next is due at `next_due`."""
        self._failures = 0
        self.due_at = min(next_due, now + LONGEST)
        shortest, longest = PAUSE_S
        self._facts_from = monotonic + min(longest, max(shortest, cost_s / SHARE))
        # Dates that lie close together are told together rather than leave no time for anything else.
        self._any_from = monotonic + cost_s

    def failed(self, monotonic: float) -> float:
        """A look failed: nothing is tried for the seconds returned, then everything at once."""
        shortest, longest = RETRY_S
        wait_s = min(longest, shortest * 2.0 ** min(self._failures, 30))
        self._failures += 1
        self.due_at = None
        self._any_from = monotonic + wait_s
        return wait_s


class Scheduler:
    """Rings each job's bell at its date."""

    def __init__(self) -> None:
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

    def plan(self, job: str, at: datetime, ring: Callable[[], object]) -> None:
        """Forget what was planned for the job of this id; ring at `at`."""
        self._scheduler.add_job(ring, DateTrigger(at, UTC), id=job, name=job, replace_existing=True)

    def forget(self, job: str) -> None:
        if self._scheduler.get_job(job) is not None:
            self._scheduler.remove_job(job)

    def stop(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
