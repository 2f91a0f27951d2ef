"""Looks at the studio that the page asks for: one at a time, and at most one more that waits."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime


class RefreshQueue:
    """A look that has not begun sees whatever was logged until it does, so it stands for all who ask meanwhile.

    Without that, thirty finger tests typed while a full studio is forecast would leave thirty threads in a queue, each
    to look again, and by the time of when it was asked for. Safe to use from several threads.
    """

    def __init__(self, look: Callable[[datetime], object]) -> None:
        """`look` is handed the time when it was last asked for; it must not raise."""
        self._look, self._turn, self._lock = look, threading.Lock(), threading.Lock()
        self._waiting: threading.Thread | None = None
        self._now: datetime | None = None

    def ask(self, now: datetime) -> threading.Thread:
        """Have the studio looked at; the thread that ends with that look."""
        with self._lock:
            self._now = now
            if self._waiting is None:
                # daemon: a look that takes long must not keep the process from ending
                look = threading.Thread(target=self._run, name="page-look", daemon=True)
                look.start()
                self._waiting = look
            return self._waiting

    def _run(self) -> None:
        with self._turn:
            with self._lock:
                now, self._waiting = self._now, None
            assert now is not None  # it was asked for
            self._look(now)
