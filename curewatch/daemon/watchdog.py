"""Whether the daemon gets its work done, and who is told so: systemd (sd_notify(3)) and the heartbeat."""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from curewatch.clock import Clock
from curewatch.notify.heartbeat import Heartbeat
from curewatch.store import Store

log = logging.getLogger(__name__)


class Systemd:
    """Never raises and never blocks: whoever supervises us must not be able to stop us."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        self._watched = _is_watched(environ)
        self._complained = False

    @property
    def watched(self) -> bool:
        """Whether systemd restarts us when we fall silent."""
        return bool(self._address) and self._watched

    def ready(self, status: str) -> None:
        """Started: systemd goes on with what waits for us."""
        self._send(f"READY=1\nSTATUS={_line(status)}")

    def alive(self) -> None:
        """Work was done since the last time."""
        if self._watched:
            self._send("WATCHDOG=1")

    def status(self, status: str) -> None:
        """A line for `systemctl status`."""
        self._send(f"STATUS={_line(status)}")

    def reloading(self, monotonic: float) -> None:
        self._send(f"RELOADING=1\nMONOTONIC_USEC={round(monotonic * 1e6)}\nSTATUS=taking up what was set")

    def stopping(self) -> None:
        self._send("STOPPING=1\nSTATUS=ending")

    def _send(self, message: str) -> None:
        if not self._address:
            return
        # An address that begins with @ is in the abstract name space, which has a zero byte there (unix(7)).
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as channel:
                channel.setblocking(False)
                channel.sendto(message.encode(), address)
        except OSError as error:
            if not self._complained:
                log.warning("systemd cannot be told anything: %s", error.strerror or error)
            self._complained = True


def _is_watched(environ: Mapping[str, str]) -> bool:
    """Whether a watchdog is set for this very process (sd_watchdog_enabled(3))."""
    told = environ.get("WATCHDOG_USEC", "")
    meant = environ.get("WATCHDOG_PID", "")
    return told.isascii() and told.isdigit() and told.strip("0") != "" and meant in ("", str(os.getpid()))


def _line(text: str) -> str:
    return " ".join(text.split())


WORKED = "worked_at"
"""The store's note of when the daemon last proved that it can write, ISO 8601."""
PROOF_EVERY_S = 60.0
"""How often the store is written to for that alone [s]; a card that wears out takes one small write a minute."""
WATCHING, WAITING = "watching", "waiting for the clock to be set"


class Part(NamedTuple):
    """Something that has to move on."""

    name: str
    """In words, for the log."""
    moved_at: float
    """When it last did, on the monotonic clock [s]."""
    within_s: float
    """How long it may need [s]."""


def stuck(parts: Iterable[Part], monotonic: float) -> list[Part]:
    """Those that have not moved on for longer than they may."""
    return [part for part in parts if monotonic - part.moved_at > part.within_s]


class Watchdog:
    """`beat` after each turn of the main loop in which nothing failed."""

    def __init__(self, systemd: Systemd, heartbeat: Heartbeat | None, clock: Clock, store: Store) -> None:
        self._systemd, self._heartbeat, self._clock, self._store = systemd, heartbeat, clock, store
        self._proved_at: float | None = None
        self._said: tuple[str, ...] = ()
        self._status = WATCHING
        self._reloads = False

    @property
    def asked_for(self) -> bool:
        """Whether anybody listens; else nothing is written for it."""
        return self._systemd.watched or self._heartbeat is not None

    def ready(self, *, believed: bool) -> None:
        """`believed`: whether the clock is."""
        self._status = WATCHING if believed else WAITING
        self._systemd.ready(self._status)

    def prove(self, *, believed: bool) -> None:
        """Write to the store, at most once a minute. StoreError as the store's.

        On a clock that is not `believed` nothing is dated: the write is made and says so.
        """
        monotonic = self._clock.monotonic()
        if not self.asked_for or (self._proved_at is not None and monotonic - self._proved_at < PROOF_EVERY_S):
            return
        with self._store.write() as tx:
            tx.set_meta(WORKED, self._clock.now().isoformat() if believed else "clock unconfirmed")
        self._proved_at = monotonic

    def beat(self, parts: Iterable[Part], *, believed: bool = True) -> bool:
        """A turn was done: tell it on, unless some part is stuck. True if it was told on."""
        late = stuck(parts, self._clock.monotonic())
        names = tuple(part.name for part in late)
        if names != self._said:
            for part in late:
                log.error("no progress for over %g s: %s; no more signs of life are given", part.within_s, part.name)
            if not late:
                log.info("everything moves on again")
            self._said = names
        status = f"stuck: {', '.join(names)}" if late else WATCHING if believed else WAITING
        if status != self._status:
            self._systemd.status(status)
            self._status = status
        if late:
            return False
        self._systemd.alive()
        if self._heartbeat is not None:
            self._heartbeat.beat()
        return True

    def reloading(self) -> None:
        """What comes next is no end: everything is built anew in this process."""
        self._systemd.reloading(self._clock.monotonic())
        self._reloads = True

    def stop(self, within_s: float) -> None:
        if not self._reloads:
            self._systemd.stopping()
        if self._heartbeat is not None:
            self._heartbeat.stop(within_s)
