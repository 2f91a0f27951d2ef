"""The page's one password: argon2id (RFC 9106), and a brake on guessing."""

from __future__ import annotations

import threading
from collections import deque

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from curewatch.clock import Clock

SHORTEST, LONGEST = 8, 200
TRIES, WITHIN_S = 5, 300.0
"""Wrong passwords from one address within so many seconds, until it has to wait."""
TRIES_OF_ALL = 40
"""The same for everybody together, against guessing from many addresses."""
ADDRESSES = 1000
"""Addresses remembered at most."""

_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


def hash_of(password: str) -> str:
    """What a password file holds. ValueError for one that is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ValueError(f"a password of {SHORTEST} to {LONGEST} characters")
    return _hasher.hash(password)


class TooManyAttempts(Exception):
    """Too many wrong passwords came from there; the next is tried in `seconds`."""

    def __init__(self, seconds: float) -> None:
        super().__init__(seconds)
        self.seconds = seconds


class PasswordCheck:
    """Tries passwords against one hash, one at a time: each try costs 64 MiB and a moment, by design."""

    def __init__(self, password_hash: str, clock: Clock) -> None:
        self._hash, self._clock, self._lock = password_hash, clock, threading.Lock()
        self._failed: dict[str, deque[float]] = {}
        self._failed_by_all: deque[float] = deque()

    def verify(self, address: str, password: str) -> bool:
        """Whether it is the password; remembers a wrong one. Raises HasToWait, the password untried."""
        with self._lock:  # asked and tried in one: else many that come at once would all find no need to wait
            if (wait_s := self._wait_s(address)) > 0:
                raise TooManyAttempts(wait_s)
            if len(password) <= LONGEST and self._verifies(password):
                self._failed.pop(address, None)
                return True
            if address not in self._failed and len(self._failed) >= ADDRESSES:
                self._failed.pop(next(iter(self._failed)))
            for failed, most in (
                (self._failed.setdefault(address, deque()), TRIES),
                (self._failed_by_all, TRIES_OF_ALL),
            ):
                failed.append(self._clock.monotonic())
                while len(failed) > most:
                    failed.popleft()
            return False

    def _wait_s(self, address: str) -> float:
        now, own = self._clock.monotonic(), self._failed.get(address, deque())
        return max(_left_s(own, TRIES, now), _left_s(self._failed_by_all, TRIES_OF_ALL, now))

    def _verifies(self, password: str) -> bool:
        try:
            return _hasher.verify(self._hash, password)
        except (VerificationError, InvalidHashError):
            return False


def _left_s(failed: deque[float], tries: int, now: float) -> float:
    return 0.0 if len(failed) < tries else max(0.0, failed[0] + WITHIN_S - now)
