"""How old a message may be that the broker kept while nobody was connected.

A resumed session begins with everything queued in the meantime, and MQTT does not say when each message was sent.
A message with its own time does not mind; one without must not be taken for a measurement of this moment.

How long we were away is counted on the clock that nobody sets, but for the first connection of a run: there only the
wall clock bridges the gap, and where that cannot be believed the answer has to wait (see `undated.py`).
"""

from __future__ import annotations

from datetime import datetime, timedelta

CONTACT_GAP = timedelta(seconds=90)
"""Ticks further apart than this mean the machine slept: the absence then began at the earlier tick."""
TOLERANCE = timedelta(minutes=10)
"""An absence this short moves no drying date: its backlog counts as measured on arrival."""
QUIET_S = 1.0
"""A backlog comes as fast as it is acknowledged; a pause this long is its end [s]."""


class Backlog:
    """Knows when the broker was last in reach, and whether messages arriving now are its backlog.

    `now` is None wherever the wall clock cannot be believed; `boottime` never is.
    """

    def __init__(self, last_contact: datetime | None = None) -> None:
        """`last_contact`: when an earlier run was last connected; None if unknown, and then nothing is doubted."""
        self.last_contact = last_contact
        self._contact_s: float | None = None
        self._away: timedelta | None = timedelta(0)
        self._moved_at = 0.0

    def tick(self, now: datetime | None, boottime: float) -> None:
        """Call every second or so while connected."""
        if self._contact_s is None or boottime - self._contact_s <= CONTACT_GAP.total_seconds():
            self._in_contact(now, boottime)

    def connected(self, now: datetime | None, monotonic: float, boottime: float, *, resumed: bool) -> None:
        """A session begins; `resumed` if the broker still had it."""
        self._away = self._absence(now, boottime) if resumed else timedelta(0)
        if self._away is not None and self._away <= TOLERANCE:
            self._away = timedelta(0)
        self._moved_at = monotonic
        self._in_contact(now, boottime)

    def acknowledged(self, monotonic: float) -> None:
        """The broker may send more now: it holds back while too much is unacknowledged."""
        self._moved_at = max(self._moved_at, monotonic)

    def age_of_arrival(self, monotonic: float) -> timedelta | None:
        """How old a message arriving at this moment may be; None: as old as the last contact of an earlier run."""
        if self._away != timedelta(0) and monotonic - self._moved_at > QUIET_S:
            self._away = timedelta(0)
        self._moved_at = max(self._moved_at, monotonic)
        return self._away

    def _absence(self, now: datetime | None, boottime: float) -> timedelta | None:
        if self._contact_s is not None:
            return timedelta(seconds=boottime - self._contact_s)
        if self.last_contact is None:
            return timedelta(0)
        return None if now is None else now - self.last_contact

    def _in_contact(self, now: datetime | None, boottime: float) -> None:
        self._contact_s = boottime
        if now is not None:
            self.last_contact = now
