"""The page, served from a thread of the daemon. A port that is taken costs the page, never the watch."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Callable

import uvicorn
from starlette.types import ASGIApp, Receive, Scope, Send

from curewatch.clock import Clock
from curewatch.daemon.connections import KEPT_IDLE_S, Connections, Server
from curewatch.daemon.process import Doors
from curewatch.desk.refresh.refresher import Refresher
from curewatch.settings import WebSettings
from curewatch.web.app import make_app
from curewatch.web.site import Upkeep

log = logging.getLogger(__name__)

STOPS_WITHIN_S = 3
"""How long open streams may go on at the end; without a limit they would keep the server for ever [s]."""


class PageServer:
    """`start` and `stop` once each."""

    def __init__(
        self,
        refresher: Refresher,
        settings: WebSettings,
        clock: Clock,
        logged: Callable[[], object],
        *,
        upkeep: Upkeep | None = None,
        doors: Doors | None = None,
    ) -> None:
        """`logged` is called, from a thread of the server, after somebody has logged something. With `doors` somebody
        else closes what is listened at.

        Raises SettingsError where the page may not be served so: wider than this machine and without a password.
        """
        self._settings, self._ending = settings, threading.Event()
        self._doors, self._closes = doors or Doors(), doors is None
        self._connections = Connections(settings)
        config = uvicorn.Config(
            self._cut_quietly(make_app(refresher, settings, clock, logged=logged, ending=self._ending, upkeep=upkeep)),
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,
            lifespan="off",
            http="h11",
            timeout_keep_alive=KEPT_IDLE_S,
            timeout_graceful_shutdown=STOPS_WITHIN_S,
        )
        # It says a line for every start and stop, which the daemon does, and for every request that is none: whoever
        # sends such could fill the log. What is left are our own flaws.
        logging.getLogger("uvicorn").setLevel(logging.ERROR)
        self._server = Server(config, self._connections)
        self._thread: threading.Thread | None = None
        self._socket: socket.socket | None = None

    def start(self) -> str | None:
        """Serve; the address to open, or None, said in the log, where the port cannot be had."""
        settings = self._settings
        try:
            self._socket = self._doors.at(settings.host, settings.port)
        except OSError as error:
            log.warning(
                "no page: %s, port %d cannot be had (%s); web.port in the settings names another",
                settings.host,
                settings.port,
                error.strerror or error,
            )
            return None
        self._connections.waiting = self._doors.waiting()
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],), name="page", daemon=True)
        self._thread.start()
        return settings.shown_address

    def stop(self) -> None:
        """Take no more, let what is being answered come to its end, and cut what goes on after that."""
        self._ending.set()
        self._server.end()
        if self._thread is not None:
            self._thread.join(STOPS_WITHIN_S + 2)
            if self._thread.is_alive():
                self._server.force_exit = True
                self._thread.join(1)
        if self._socket is not None:
            self._socket.close()
        if self._closes:
            self._doors.close()

    def _cut_quietly(self, app: ASGIApp) -> ASGIApp:
        """An answer that is cut at the end is nothing to report with a traceback."""

        async def served(scope: Scope, receive: Receive, send: Send) -> None:
            try:
                await app(scope, receive, send)
            except asyncio.CancelledError:
                if not self._ending.is_set():
                    raise

        return served
