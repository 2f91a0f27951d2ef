"""A message that came while nobody knew what time it was."""

from __future__ import annotations

from curewatch.records.base import Record


class PendingMessage(Record):
    """A sensor's message as it came, to be dated once the clock can be believed.

    It bears no date. When it came is known on the clock that counts seconds since the machine started, which nobody
    sets, and which means nothing after the next start.
    """

    topic: str
    payload: bytes
    retained: bool
    boot: str | None
    """Which start of the machine `boottime_s` counts from; None where the system does not say."""
    boottime_s: float
    """When it came [s since that start]."""
    late_s: float | None
    """How long the broker may have kept it before [s]; None: since the last contact of an earlier run."""
    id: int | None = None
    """The store's number; None before it is stored."""
