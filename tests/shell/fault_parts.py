"""Parts for tests of faults: a supervisor's socket, a clock that is set and sleeps, a daemon in a thread, its looks."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta

import pytest

from curewatch.daemon import Daemon
from tests.shell.parts import HandClock

WITHIN_S = 20.0


class SteppedClock(HandClock):
    """A wall clock that runs and may be set, on a machine that may sleep: then the monotonic clock stands still."""

    def __init__(self, now: datetime) -> None:
        super().__init__(now)
        self._began, self._slept_s = time.monotonic(), 0.0

    def now(self) -> datetime:
        return super().now() + timedelta(seconds=time.monotonic() - self._began)

    def boottime(self) -> float:
        return time.monotonic() + self._slept_s

    def pass_by(self, by: timedelta) -> datetime:
        """Time passes as it does: the wall clock agrees with the one that nobody sets."""
        self._slept_s += by.total_seconds()
        self.move(by)
        return self.now()


class Supervisor:
    """The socket that systemd would listen on; what it was told."""

    def __init__(self, address: str) -> None:
        self.told: list[str] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        self._socket.settimeout(0.05)
        self.environ = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "600000000"}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def alive(self) -> int:
        """How many signs of life came."""
        return sum("WATCHDOG=1" in message for message in list(self.told))

    def __enter__(self) -> Supervisor:
        return self

    def __exit__(self, *exc: object) -> None:
        self._ending.set()
        self._thread.join(5)
        self._socket.close()

    def _listen(self) -> None:
        while not self._ending.is_set():
            with suppress(TimeoutError):
                self.told.append(self._socket.recv(4096).decode())


class Run:
    """A daemon in a thread of its own."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        self.code: int | None = None
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        self.code = self.daemon.run()


@contextmanager
def running(daemon: Daemon, let_go: Callable[[], object] = lambda: None) -> Iterator[Run]:
    """The daemon, ended at the end; `let_go` frees before that whatever was made to hang."""
    run = Run(daemon)
    try:
        yield run
    finally:
        let_go()
        daemon.stop()
        run.thread.join(WITHIN_S)
        assert not run.thread.is_alive(), "the daemon does not end"


def hasten(monkeypatch: pytest.MonkeyPatch) -> None:
    """Everything that is done every few seconds, or waited for, in fractions of one."""
    for name, value in {
        "curewatch.daemon.daemon.TICK_S": 0.05,
        "curewatch.daemon.scheduler.TICK_S": 0.05,
        "curewatch.daemon.scheduler.RETRY_S": (0.02, 0.1),
        "curewatch.daemon.delivery.TICK_S": 0.05,
        "curewatch.daemon.watchdog.PROOF_EVERY_S": 0.1,
        "curewatch.store.engine.BUSY_TIMEOUT_S": 0.1,
        "curewatch.intake.mqtt.writer.IDLE_S": 0.05,
        "curewatch.intake.mqtt.writer.RETRY_S": (0.05, 0.2),
    }.items():
        monkeypatch.setattr(name, value)


def stands_still(count: Callable[[], int], for_s: float = 0.6) -> bool:
    """Whether a count does not move for so long [s]: many times what it takes otherwise."""
    before, deadline = count(), time.monotonic() + for_s
    pause = threading.Event()
    while time.monotonic() < deadline:
        if count() != before:
            return False
        pause.wait(0.02)
    return True
