"""How old a message may be that the broker kept while nobody was connected.

A resumed session begins with everything queued in the meantime, and MQTT does not say when each message was sent.
A message with its own time does not mind; one without must not be taken for a measurement of this moment.
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
    """Knows when the broker was last in reach, and whether messages arriving now are its backlog."""

    def __init__(self, last_contact: datetime | None = None) -> None:
        """`last_contact`: when an earlier run was last connected; None if unknown, and then nothing is doubted."""
        self.last_contact = last_contact
        self._away: timedelta | None = None
        self._moved_at = 0.0

    def tick(self, now: datetime) -> None:
        """Call every second or so while connected."""
        if self.last_contact is None or now - self.last_contact <= CONTACT_GAP:
            self.last_contact = now

    def connected(self, now: datetime, monotonic: float, *, resumed: bool) -> None:
        """A session begins; `resumed` if the broker still had it."""
        away = now - self.last_contact if resumed and self.last_contact is not None else timedelta(0)
        self._away = away if away > TOLERANCE else None
        self._moved_at = monotonic
        self.last_contact = now

    def acknowledged(self, monotonic: float) -> None:
        """The broker may send more now: it holds back while too much is unacknowledged."""
        self._moved_at = max(self._moved_at, monotonic)

    def age_of_arrival(self, monotonic: float) -> timedelta:
        """How old a message arriving at this moment may be."""
        if self._away is not None and monotonic - self._moved_at > QUIET_S:
            self._away = None
        self._moved_at = max(self._moved_at, monotonic)
        return self._away or timedelta(0)
