"""Waits for the dates that the desk has noted, and tells each as it comes, whatever the daemon is busy with."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from curewatch.clock import Clock, plausible
from curewatch.desk.refresh.milestone_timer import MilestoneTimer
from curewatch.store import StoreError

log = logging.getLogger(__name__)

LONGEST_S = 2.0
"""The longest wait [s], for a clock that was set. A look that notes other dates ends the wait."""
AGAIN_S = 5.0
"""How long after a failure of the store it is tried again [s]; the daemon's own look tells then, if not we."""


class MilestoneThread:
    """A thread of its own. `start` and `stop` once each; `on_written` is called after notices were written."""

    def __init__(self, dates: MilestoneTimer, clock: Clock, on_written: Callable[[], None]) -> None:
        self._dates, self._clock, self._on_written = dates, clock, on_written
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="date-watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float) -> None:
        self._stopping = True
        self._dates.noted.set()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def _run(self) -> None:
        wait_s = self._look()
        while not self._stopping:
            self._clock.wait(self._dates.noted, wait_s)
            self._dates.noted.clear()  # before the dates are read, so that none that is noted meanwhile is missed
            if not self._stopping:
                wait_s = self._look()

    def _look(self) -> float:
        """Tell what has come; the seconds until the next look."""
        now, at = self._clock.now(), self._dates.next_at()
        if at is None or not plausible(now):
            return LONGEST_S
        if at > now:
            return min(LONGEST_S, (at - now).total_seconds())
        try:
            if self._dates.tell(now):
                self._on_written()
        except StoreError as error:
            log.warning("a date that has come is not told yet: %s", error)
            return AGAIN_S
        except Exception:
            log.exception("a date that has come is not told yet")
            return AGAIN_S
        return 0.0
