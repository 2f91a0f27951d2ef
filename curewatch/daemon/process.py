"""The daemon as a process: its log lines on stderr, SIGTERM and SIGINT, and what it listens at."""

from __future__ import annotations

import contextlib
import gc
import json
import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from enum import IntEnum
from typing import TextIO

from curewatch.records import visible
from curewatch.settings.page import EVERY_ADDRESS

OURS = "curewatch"


class Level(IntEnum):
    """How much is said."""

    QUIET = logging.WARNING
    """Only what is wrong."""
    NORMAL = logging.INFO
    VERBOSE = logging.DEBUG
    """Every look, too."""


_ESCAPED = {code: f"\\x{code:02x}" for code in (*range(0x20), *range(0x7F, 0xA0))}


_PRIORITIES = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
"""As syslog counts them (RFC 5424, section 6.2.1), and systemd takes them at the head of a line (sd-daemon(3))."""


class _Line(logging.Formatter):
    """The time with its zone, then a word for what is wrong, if anything is. For the journal, which keeps the time
    itself, each line begins with its priority instead."""

    def __init__(self, *, journal: bool, as_json: bool) -> None:
        at = "" if journal else "%(asctime)s "
        super().__init__(f"{at}%(trouble)s%(message)s", "%Y-%m-%d %H:%M:%S%z")
        self._journal, self._as_json = journal, as_json

    def format(self, record: logging.LogRecord) -> str:
        record.trouble = f"{record.levelname.lower()}: " if record.levelno >= logging.WARNING else ""
        text = self._json(record) if self._as_json else super().format(record)
        if not self._journal:
            return text
        head = f"<{_PRIORITIES.get(record.levelno, 6)}>"
        return "\n".join(head + line for line in text.split("\n"))

    def formatMessage(self, record: logging.LogRecord) -> str:
        """In one line, whatever it quotes: a sensor's topic, say, may hold control characters."""
        return visible(super().formatMessage(record).translate(_ESCAPED))

    def _json(self, record: logging.LogRecord) -> str:
        said = {
            "at": datetime.fromtimestamp(record.created, UTC).astimezone().isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
            "message": record.getMessage(),
        }
        return json.dumps(said | ({"traceback": self.formatException(record.exc_info)} if record.exc_info else {}))


def _is_journal(stream: TextIO) -> bool:
    """Whether what is written there goes to systemd's journal: it says where its stream is (systemd.exec(5))."""
    with contextlib.suppress(OSError, ValueError):
        there = os.fstat(stream.fileno())
        return os.environ.get("JOURNAL_STREAM") == f"{there.st_dev}:{there.st_ino}"
    return False


GARBAGE_AFTER = 10_000
"""How many objects more than before there are when garbage is looked for among the new ones; of old ones a tenth of a
tenth as often."""


@contextlib.contextmanager
def short_pauses() -> Iterator[None]:
    """Within the block no search for garbage goes through what is loaded, for that stays: it held every thread for a
    quarter of a second, twice in three seconds of many requests."""
    thresholds = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(GARBAGE_AFTER, *thresholds[1:])
    try:
        yield
    finally:
        gc.set_threshold(*thresholds)
        gc.unfreeze()


@contextlib.contextmanager
def to_stderr(level: Level, *, as_json: bool = False) -> Iterator[None]:
    """Within the block, what the package logs goes to stderr, and what others log if it is a warning."""
    handler = logging.StreamHandler()
    handler.setFormatter(_Line(journal=_is_journal(sys.stderr), as_json=as_json))
    ours, root = logging.getLogger(OURS), logging.getLogger()
    before = ours.level
    ours.setLevel(level)
    root.addHandler(handler)
    try:
        yield
    finally:
        root.removeHandler(handler)
        ours.setLevel(before)
        handler.close()


log = logging.getLogger(__name__)
ENDING = (signal.SIGTERM, signal.SIGINT)
ENDS_WITHIN_S = 9.0
"""So long after the first signal what is not finished is broken off [s], whatever it is."""
IMMEDIATE = 128
"""A second signal ends the process with this plus its number, as shells count: 143 for SIGTERM, 130 for SIGINT."""


@contextlib.contextmanager
def signal_handlers(stop: Callable[[], object]) -> Iterator[None]:
    """Within the block the first signal calls `stop`, from another thread. Only for the main thread."""
    heard, writing = socket.socketpair()
    writing.setblocking(False)
    thread = threading.Thread(target=_listen, args=(heard, stop), name="signals", daemon=True)
    previous_fd = signal.set_wakeup_fd(writing.fileno(), warn_on_full_buffer=False)
    previous = {number: signal.signal(number, _leave_it_to_the_thread) for number in ENDING}
    thread.start()
    try:
        yield
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(previous_fd)
        writing.close()  # ends the thread
        thread.join()
        heard.close()


def _leave_it_to_the_thread(number: int, frame: object) -> None:
    pass


def _listen(heard: socket.socket, stop: Callable[[], object]) -> None:
    signals = 0
    while numbers := _next(heard):
        for number in numbers:
            if number not in ENDING:
                continue
            signals += 1
            if signals > 1:
                # What is not committed was never acknowledged, and what is not marked is sent again: nothing is lost.
                log.warning("a second signal: ending at once")
                os._exit(IMMEDIATE + number)
            log.info("%s: finishing what is begun; once more ends at once", signal.Signals(number).name)
            heard.settimeout(ENDS_WITHIN_S)
            stop()


def _next(heard: socket.socket) -> bytes:
    """The numbers of the next signals; nothing where there will be none."""
    try:
        return heard.recv(16)
    except TimeoutError:
        log.warning("not finished in %g s: ending at once", ENDS_WITHIN_S)
        os._exit(0)  # as asked; what holds of a second signal holds here


UNSERVED = "page_unserved"
"""Noted in the store while the daemon that runs could not have the page's port."""


class Doors:
    """Listening sockets, which outlive a run: who asks while the next is being built waits, and is not refused."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int], socket.socket] = {}
        self._waiting: list[socket.socket] = []

    def at(self, host: str, port: int) -> socket.socket:
        """Listening there, and nowhere else any more; one's own to close. OSError where the address cannot be had."""
        for other in self._open.keys() - {(host, port)}:
            with self._open.pop(other) as before:
                if port == other[1] and host in EVERY_ADDRESS:  # else they may be nobody whom this door is open to
                    self._waiting += _waiting_at(before)
        if (host, port) not in self._open:
            self._open[host, port] = _listening(host, port)
        return self._open[host, port].dup()

    def waiting(self) -> list[socket.socket]:
        """Who came to the door that was here before, and was not let in: to be let in first."""
        found, self._waiting = self._waiting, []
        return found

    def close(self) -> None:
        for one in (*self._open.values(), *self.waiting()):
            one.close()
        self._open.clear()


def _waiting_at(listening: socket.socket) -> list[socket.socket]:
    """Whoever has connected, and would be cut off with it."""
    listening.setblocking(False)
    found = []
    with contextlib.suppress(OSError):
        while True:
            found.append(listening.accept()[0])
    return found


def _listening(host: str, port: int) -> socket.socket:
    """A listening socket; OSError where the address cannot be had. Bound here, so that a failure is ours to tell."""
    family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)[0]
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind(address)
        made.listen(512)
    except OSError:
        made.close()
        raise
    return made
