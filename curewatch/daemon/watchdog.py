"""What systemd is told, by its own protocol: ready, alive, ending (sd_notify(3), no library needed).

One datagram to the socket named by NOTIFY_SOCKET. Where there is none, as in a shell or a container, nothing happens.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

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
