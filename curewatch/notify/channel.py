"""What the outbox asks of a way to reach people, and what every channel needs: a deadline."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Protocol

from curewatch.clock import Clock
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


class InFlight(TryLater):
    """It was sent, and the other side has not answered yet: no try failed. It is to be asked after again, not sent."""


class GiveUp(Exception):
    """Not deliverable, however often it is tried."""

    def __init__(self, reason: str) -> None:
        super().__init__(reason)
        self.reason = reason


class Flights:
    """Requests under way, by what they carry: while one is, it is waited for and not sent again. A few at a time."""

    MOST = 4
    ASKED_AFTER = 0.1
    """Of the first wait, how long one is waited for that is asked after again: others are due too."""

    def __init__(self, place: str, name: str, clock: Clock, within_s: float, patience_s: float) -> None:
        """`place`: what is talked to, for people; `name`: the threads'; a first wait lasts `within_s`, and all waiting
        for one answer `patience_s` [s]."""
        self._place, self._name, self._clock = place, name, clock
        self._within_s, self._patience_s = within_s, patience_s
        self._under_way: dict[str, _Flight] = {}
        self._hanging: list[threading.Thread] = []
        """Left to themselves: none can be ended from outside."""

    def run(self, key: str, work: Callable[[], object]) -> None:
        """Do `work` unless it is under way, and wait for it; raises what it raises, InFlight where it goes on, and
        TryLater once it has gone on for too long."""
        flight, wait_s = self._under_way.get(key), self._within_s * self.ASKED_AFTER
        if flight is None:
            self._hanging = [thread for thread in self._hanging if thread.is_alive()]
            if len(self._hanging) + len(self._under_way) >= self.MOST:
                raise InFlight(f"{self._place} has yet to answer {self.MOST} others")
            flight, wait_s = _Flight(work, f"{self._name}-try", self._clock.monotonic()), self._within_s
            self._under_way[key] = flight
        flight.thread.join(wait_s)
        if not flight.outcome and self._clock.monotonic() - flight.begun < self._patience_s:
            raise InFlight(f"{self._place} did not answer within {self._within_s:g} s, and is waited for")
        del self._under_way[key]
        if not flight.outcome:
            self._hanging.append(flight.thread)
            raise TryLater(f"{self._place} did not finish its answer within {self._patience_s:g} s")
        if flight.outcome[0] is not None:
            raise flight.outcome[0]


class _Flight:
    def __init__(self, work: Callable[[], object], name: str, begun: float) -> None:
        self.begun, self.outcome = begun, list[Exception | None]()
        self.thread = threading.Thread(target=_outcome, args=(work, self.outcome), name=name, daemon=True)
        self.thread.start()


def _outcome(work: Callable[[], object], into: list[Exception | None]) -> None:
    try:
        work()
    except Exception as error:
        into.append(error)
    else:
        into.append(None)


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
        self._thread = threading.Thread(target=_outcome, args=(work, outcome), name=f"{self._name}-try", daemon=True)
        self._thread.start()
        self._thread.join(within_s)
        if not outcome:
            raise TryLater(f"{self._place} did not finish its answer within {within_s:g} s")
        if outcome[0] is not None:
            raise outcome[0]
