"""Whether the wall clock is believed, turn after turn: what changes is said once, and noted for the next run."""

from __future__ import annotations

import logging
from datetime import timedelta

from curewatch.clock import LEAP_S, WatchedClock, judge, plausible, sample
from curewatch.desk import Desk
from curewatch.desk.commands import clock_care

log = logging.getLogger(__name__)


class ClockWatch:
    """Asked by the main loop alone."""

    def __init__(self, clock: WatchedClock) -> None:
        self._clock = clock
        self.seen = sample(clock)
        """At the last turn."""
        self.believed: bool | None = None
        """None before it was asked."""
        self._line = clock.line
        self._since = self.seen.wall
        """Since when, by this line, it is believed."""

    def turn(self, desk: Desk) -> bool:
        """Look at the clock; whether every date is to be planned anew. StoreError as the store's."""
        before, self.seen = self.seen, sample(self._clock)
        if not plausible(self.seen.wall):
            self._held(desk)
            return False
        was, self.believed = self.believed, True
        passage, line = judge(before, self.seen), self._clock.line
        if passage.stepped and was:
            log.warning("the clock was set by %+.0f s: looking again", passage.stepped_s)
        if was is False:
            log.warning("the clock is believed again, and shows %s UTC", f"{self.seen.wall:%Y-%m-%d %H:%M}")
        if passage.slept:
            log.info("the machine slept for %.0f s: looking again", passage.slept_s)
        if line is not None and self._line is not None:
            if moved := clock_care.redate(desk, min(self._since, self.seen.wall), self._line - line, self.seen.wall):
                log.warning("%d readings of when the clock ran ahead have their own times now", moved)
            if abs(line - self._line) > timedelta(seconds=LEAP_S):
                self._since = line + timedelta(seconds=before.boottime)
        self._line = line
        clock_care.note(desk.store, self._clock)
        return bool(passage.stepped or passage.slept or not was)

    def _held(self, desk: Desk) -> None:
        if self.believed is not False:
            leap = self._clock.held()
            if leap is None:
                shown = f"it shows {self.seen.wall:%Y-%m-%d %H:%M}"
                said = f"{shown}, which cannot be: nothing is forecast or told until it is set"
            else:
                said = f"{clock_care.leapt(leap)} `curewatch clock --right` confirms it"
            log.warning("clock unconfirmed: %s", said)
        self.believed = False
        clock_care.take_up(desk.store, self._clock)
