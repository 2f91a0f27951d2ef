"""A clock that tests move by hand. It keeps the promises of the real three, so `judge` believes it."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta

START = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)


class FakeClock:
    """Stands still until moved: `advance` (time passes), `sleep` (the machine sleeps), `step` (somebody sets it)."""

    def __init__(self, now: datetime = START) -> None:
        self._wall, self._monotonic, self._boottime = now, 1000.0, 5000.0
        self._lock = threading.Lock()
        self.is_vouched = False

    def now(self) -> datetime:
        return self._wall

    def monotonic(self) -> float:
        return self._monotonic

    def boottime(self) -> float:
        return self._boottime

    def boot_id(self) -> str | None:
        return f"start {id(self)}"

    def vouched(self) -> datetime | None:
        return self.now() if self.is_vouched else None

    def wait(self, event: threading.Event, timeout: float) -> bool:
        """Without waiting: if the event is not set, the whole timeout has passed."""
        if not event.is_set():
            self.advance(max(0.0, timeout))
        return event.is_set()

    def advance(self, seconds: float) -> None:
        self._move(seconds, monotonic=seconds, boottime=seconds)

    def sleep(self, seconds: float) -> None:
        self._move(seconds, monotonic=0.0, boottime=seconds)

    def step(self, seconds: float) -> None:
        self._move(seconds, monotonic=0.0, boottime=0.0)

    def _move(self, wall: float, *, monotonic: float, boottime: float) -> None:
        with self._lock:
            self._wall += timedelta(seconds=wall)
            self._monotonic += monotonic
            self._boottime += boottime
