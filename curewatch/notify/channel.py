"""What the outbox asks of a way to reach people, and what every channel needs: a deadline."""

from __future__ import annotations

import threading
from collections.abc import Callable
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


class Bounded:
    """Runs one piece of work at a time in a thread of its own, and waits for it no longer than told.

    What hangs for ever holds one thread, and not one for each try.
    """

    def __init__(self, place: str, name: str) -> None:
        """`place`: what is talked to, for people; `name`: the thread's."""
        self._place, self._name = place, name
        self._thread: threading.Thread | None = None

    def run(self, work: Callable[[], object], within_s: float) -> None:
        """Do `work`; raises what it raises, or TryLater where it takes longer than `within_s` [s]."""
        if self._thread is not None and self._thread.is_alive():
            raise TryLater(f"an earlier try to reach {self._place} still hangs")
        outcome: list[Exception | None] = []

        def do() -> None:
            try:
                work()
            except Exception as error:
                outcome.append(error)
            else:
                outcome.append(None)

        self._thread = threading.Thread(target=do, name=f"{self._name}-try", daemon=True)
        self._thread.start()
        self._thread.join(within_s)
        if not outcome:
            raise TryLater(f"{self._place} did not finish its answer within {within_s:g} s")
        if outcome[0] is not None:
            raise outcome[0]
