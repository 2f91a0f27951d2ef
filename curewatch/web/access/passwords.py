"""The page's one password: argon2id (RFC 9106), and a brake on guessing that stops the guesser and not the owner."""

from __future__ import annotations

import hashlib
import ipaddress
import threading
from collections import deque
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from argon2.profiles import RFC_9106_LOW_MEMORY

from curewatch.clock import Clock
from curewatch.settings import WebSettings

SHORTEST, LONGEST = 8, 200
TRIES, WITHIN_S = 5, 300.0
"""Wrong passwords from one address within so many seconds, until it has to wait; and so of one browser known here."""
TRIES_OF_ALL = 40
"""The same for all addresses together, against guessing from many. A browser that was let in before is not of these:
it bears a mark (OWASP, "Slow down online guessing attacks with device cookies") and is counted by itself."""
ADDRESSES = 1000
"""Addresses and browsers remembered at most."""

_hasher = PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


def hash_of(password: str) -> str:
    """What a password file holds. ValueError for one that is too short or too long."""
    if not SHORTEST <= len(password) <= LONGEST:
        raise ValueError(f"a password of {SHORTEST} to {LONGEST} characters")
    return _hasher.hash(password)


class Password:
    """What the password file holds now: it is read again whenever it has become another."""

    def __init__(self, settings: WebSettings) -> None:
        """Raises SettingsError where a password is needed and there is none."""
        self._settings, self._lock = settings, threading.Lock()
        self._seen: object = None
        self._held: str | None = None
        self.hash()

    @property
    def is_set(self) -> bool:
        return self._settings.password_file is not None

    def hash(self) -> str | None:
        """None where there is none. SettingsError where the file can no longer be read: then nobody is let in."""
        seen = _state(self._settings.password_file)
        with self._lock:
            if seen is None or seen != self._seen:
                held = self._settings.password_hash()
                self._held, self._seen = None if held is None else held.get_secret_value(), seen
            return self._held

    def mark(self) -> str:
        """Says which password it is, and is of no use to find it."""
        return hashlib.sha256(f"mark {self.hash()}".encode()).hexdigest()[:32] if self.is_set else ""


def _state(path: Path | None) -> object:
    """What is another once the file is; None where that cannot be told."""
    try:
        found = None if path is None else path.stat()
    except (OSError, ValueError):
        return None
    return None if found is None else (found.st_mtime_ns, found.st_size, found.st_ino)


class TooManyAttempts(Exception):
    """Too many wrong passwords came from there; the next is tried in `seconds`."""

    def __init__(self, seconds: float) -> None:
        super().__init__(seconds)
        self.seconds = seconds


class PasswordCheck:
    """Tries passwords, one at a time: each try costs 64 MiB and a moment, by design."""

    def __init__(self, password: Password, clock: Clock) -> None:
        self._password, self._clock, self._lock = password, clock, threading.Lock()
        self._failed: dict[str, deque[float]] = {}
        self._failed_by_all: deque[float] = deque()

    def verify(self, address: str, password: str, known_browser: str | None = None) -> bool:
        """Whether it is the password; remembers a wrong one. Raises TooManyAttempts, the password untried.

        `known_browser` is the mark of one that was let in before.
        """
        who = f"browser {known_browser}" if known_browser else _network(address)
        with self._lock:  # asked and tried in one: else many that come at once would all find no need to wait
            counted = [(self._failed.get(who, deque()), TRIES)]
            if not known_browser:
                counted.append((self._failed_by_all, TRIES_OF_ALL))
            now = self._clock.monotonic()
            if (wait_s := max(_left_s(failed, most, now) for failed, most in counted)) > 0:
                raise TooManyAttempts(wait_s)
            if len(password) <= LONGEST and self._verifies(password):
                self._failed.pop(who, None)
                return True
            if who not in self._failed and len(self._failed) >= ADDRESSES:
                self._failed.pop(next(iter(self._failed)))
            counted[0] = (self._failed.setdefault(who, deque()), TRIES)
            for failed, most in counted:
                failed.append(self._clock.monotonic())
                while len(failed) > most:
                    failed.popleft()
            return False

    def _verifies(self, password: str) -> bool:
        try:
            return _hasher.verify(self._password.hash() or "", password)
        except (VerificationError, InvalidHashError):
            return False


def _left_s(failed: deque[float], tries: int, now: float) -> float:
    return 0.0 if len(failed) < tries else max(0.0, failed[0] + WITHIN_S - now)


def _network(address: str) -> str:
    """An IPv6 address as the /64 it is of: who has one has all of it."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is None:
        return str(ipaddress.ip_network((found, 64), strict=False))
    return address
