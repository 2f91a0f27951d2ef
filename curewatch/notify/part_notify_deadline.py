"""A deadline for what has none of its own: name look-ups, answers that drip in byte by byte, foreign libraries."""

from __future__ import annotations

import threading
from collections.abc import Callable

from curewatch.notify.channel import TryLater


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
