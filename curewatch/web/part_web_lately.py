"""What takes a while to work out, kept for whoever looks again soon."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Generic, TypeVar

T = TypeVar("T")


class TtlCache(Generic[T]):
    """At most `most` things by key, each for `lasts`. Safe to use from several threads; two may work out the same."""

    def __init__(self, lasts: timedelta, most: int = 64) -> None:
        self._lasts, self._most, self._lock = lasts, most, threading.Lock()
        self._made: dict[str, tuple[datetime, T]] = {}

    def of(self, key: str, now: datetime, make: Callable[[], T]) -> tuple[datetime, T]:
        """When it was worked out, and what."""
        with self._lock:
            kept = self._made.get(key)
        if kept is not None and timedelta(0) <= now - kept[0] < self._lasts:
            return kept
        made = (now, make())
        with self._lock:
            self._made.pop(key, None)
            while len(self._made) >= self._most:
                self._made.pop(next(iter(self._made)))  # the one that was made first
            self._made[key] = made
        return made
