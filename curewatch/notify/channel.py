"""What the outbox asks of a way to reach people."""

from __future__ import annotations

from datetime import timedelta
from typing import Protocol

from curewatch.records import Notice


class Channel(Protocol):
    """One way to reach people.

    `send` returns once the other side has taken the notice, or raises `TryLater` or `GiveUp` and nothing else. It
    may be called again with a notice that did arrive (a crash between sending and noting so): the notice's key is
    the idempotency key. It comes back within its own deadline, whatever the other side does.
    """

    @property
    def name(self) -> str: ...

    def send(self, notice: Notice) -> None: ...


class TryLater(Exception):
    """Not delivered this time. `reason` is for people: short, and without secrets or addresses' queries."""

    def __init__(self, reason: str, after: timedelta | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.after = after
        """How long the other side asked to be left alone."""


class GiveUp(Exception):
    """Not deliverable, however often it is tried."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason
