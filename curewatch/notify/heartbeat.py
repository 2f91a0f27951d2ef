"""A sign of life to an address outside: whoever listens there raises the alarm when it stops coming.

It is called only after work was really done (see `daemon/watchdog.py`), so that a daemon that hangs falls silent.
A call that fails is no work undone: the next one is as good, so nothing is stored and nothing repeated.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from urllib.parse import urlsplit

import requests
from pydantic import SecretStr

from curewatch import __version__
from curewatch.clock import Clock
from curewatch.notify.http_reply import failure_in_words
from curewatch.settings import HeartbeatSettings

log = logging.getLogger(__name__)


class Heartbeat:
    """Calls the address at most every `every_s` seconds, from a thread of its own, and shows it nowhere."""

    def __init__(
        self, address: SecretStr, clock: Clock, *, method: str = "GET", every_s: float = 300.0, timeout_s: float = 10.0
    ) -> None:
        self._address, self._clock = address, clock
        self._method, self._every_s, self._timeout_s = method, every_s, timeout_s
        parts = urlsplit(address.get_secret_value())
        self._place = f"{parts.hostname}:{parts.port}" if parts.port else str(parts.hostname)
        self._called_at: float | None = None
        self._thread: threading.Thread | None = None
        self._trouble: str | None = None
        self.taken_at: datetime | None = None
        """When a call was last taken."""
        self.told: tuple[datetime, float] | None = None
        """What time the other side said last with its answer (Date: RFC 9110, section 6.6.1), and when that was [s,
        boottime]: a second source for a clock that has leapt."""

    @classmethod
    def of(cls, s: HeartbeatSettings, clock: Clock, environ: Mapping[str, str]) -> Heartbeat:
        """As it is set. SettingsError where its address cannot be had."""
        return cls(s.address(environ), clock, method=s.method, every_s=s.every_s, timeout_s=s.timeout_s)

    def due_in_s(self) -> float:
        """Seconds until the next call, if work is done by then."""
        return 0.0 if self._called_at is None else self._called_at + self._every_s - self._clock.monotonic()

    def beat(self) -> bool:
        """Work was done: call, if it is time for it. True if a call began. Never blocks and never raises."""
        if self.due_in_s() > 0:
            return False
        if self._thread is not None and self._thread.is_alive():
            return False  # one that hangs holds one thread, not one for each beat
        self._called_at = self._clock.monotonic()
        self._thread = threading.Thread(target=self._call, name="heartbeat", daemon=True)
        self._thread.start()
        return True

    def stop(self, within_s: float) -> None:
        """Let a call that is under way come to its end, at most `within_s` [s]."""
        if self._thread is not None:
            self._thread.join(max(0.0, within_s))

    def _call(self) -> None:
        trouble = self._failure()
        self.taken_at = self._clock.now() if trouble is None else self.taken_at
        if trouble is not None and trouble != self._trouble:  # said once, not at every try
            log.warning("the heartbeat is not taken: %s", trouble)
        elif trouble is None and self._trouble is not None:
            log.info("the heartbeat is taken again by %s", self._place)
        self._trouble = trouble

    def _failure(self) -> str | None:
        try:
            with requests.request(
                self._method,
                self._address.get_secret_value(),
                headers={"user-agent": f"curewatch/{__version__}", "connection": "close"},
                timeout=(self._timeout_s, self._timeout_s),
                allow_redirects=False,  # the address may be a secret, meant for this host only
                stream=True,
            ) as response:
                status = response.status_code
                with suppress(TypeError, ValueError):  # none, or no date
                    told = parsedate_to_datetime(response.headers.get("date", ""))
                    self.told = told if told.tzinfo else told.replace(tzinfo=UTC), self._clock.boottime()
        except requests.RequestException as error:
            return failure_in_words(error, self._place, self._timeout_s)
        except Exception as error:  # only the type: its text may carry the address
            return f"unexpected {type(error).__name__}"
        return None if 200 <= status < 300 else f"{self._place} answered {status}"
