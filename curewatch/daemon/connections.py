"""Who is connected to the page: how many, from where, and for how long without asking anything.

uvicorn waits for ever for a request that does not come and for a reader that does not read, and counts neither by
address. Here connections are taken one by one. When there are too many, in all or from one address, those go first that
were answered and ask nothing more, then those that have not asked yet, then those whose request takes its time; one
that is being answered never. A head that does not come within ten seconds, and an answer that nobody takes, end the
connection.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
import socket
import ssl
import struct
from collections.abc import Callable, Collection
from functools import partial
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from curewatch.settings import SettingsError, WebSettings
from curewatch.web.access.forwarded import is_trusted

log = logging.getLogger(__name__)

MOST, FROM_ADDRESS_MOST = 300, 80
"""Connections at once: a class of 60 phones that share one address, each with a stream and a page, and half as many
again; and so from four such addresses, with some to spare. A trusted proxy counts for itself whom it lets through."""
HEAD_WITHIN_S = 10.0
"""From the connection, or the first byte of a later request, to the end of its head [s]; so too the TLS handshake."""
HEAD_MOST = 16_384
"""Of a request that is only sent on [bytes]."""
PARTS_WITHIN_S = 1.0
"""How long a TLS connection that ends waits for the other side to say so too [s]."""
TAKEN_WITHIN_S = 30.0
"""How long an answer may find no room on its way [s]."""
ACKNOWLEDGED_WITHIN_MS = 60_000
"""A phone that left the network without a word is gone after so long [ms]."""
KEPT_IDLE_S = 5
TROUBLE_S = 1.0
"""How long nothing is taken where the machine has no room for one connection more [s]."""
JUST_IN_S = 0.3
"""So long a connection that has said nothing yet is not cut at the end [s]."""


class Connection(H11Protocol):
    """With a deadline for heads and for readers."""

    guest: Guest

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._head, self._taken = _Deadline(HEAD_WITHIN_S, transport), _Deadline(TAKEN_WITHIN_S, transport)
        self._head.set()

    @property
    def waits(self) -> bool:
        """Nothing is being asked or answered."""
        return self.cycle is None or self.cycle.response_complete

    @property
    def may_go(self) -> int | None:
        """The least goes first: who was answered, who has not asked yet, whose request is still coming; None: nobody
        whom an answer is being worked out for, or sent to."""
        if self.waits:
            return 1 if self.cycle is None else 0
        return 2 if self.cycle.more_body and not self.cycle.response_started else None

    def data_received(self, data: bytes) -> None:
        if self.waits:
            self._head.set()
        super().data_received(data)
        if not self.waits:
            self._head.lift()

    def on_response_complete(self) -> None:
        self.guest.since = self.loop.time()
        super().on_response_complete()  # may begin with the next request, which came already

    def pause_writing(self) -> None:
        super().pause_writing()
        self._taken.set()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._taken.lift()

    def connection_lost(self, exc: Exception | None) -> None:
        self._head.lift()
        self._taken.lift()
        self.guest.leave()
        super().connection_lost(exc)


class _Deadline:
    """By which something has to come, or the connection is cut."""

    def __init__(self, within_s: float, transport: asyncio.Transport) -> None:
        self._within_s, self._transport = within_s, transport
        self._timer: asyncio.TimerHandle | None = None

    def set(self) -> None:
        """From now, unless it is set already."""
        if self._timer is None:
            self._timer = asyncio.get_running_loop().call_later(self._within_s, _cut, self._transport)

    def lift(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None


def _cut(transport: asyncio.Transport) -> None:
    """At once: what was written and not taken would else lie in the system's memory for many minutes."""
    with contextlib.suppress(OSError):
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    transport.abort()


class Guest:
    """One connection from when it is taken: before its TLS handshake there is no protocol yet."""

    def __init__(self, address: str, since: float, leave: Callable[[Guest], object]) -> None:
        self.address, self.since, self._leave = address, since, leave
        self.protocol: Connection | None = None
        self.shaking_hands: asyncio.Task[None] | None = None

    @property
    def may_go(self) -> tuple[int, float] | None:
        """The least goes first; None: it stays."""
        rank = 1 if self.protocol is None else self.protocol.may_go
        return None if rank is None else (rank, self.since)

    def is_in(self, taken: socket.socket, task: object) -> None:
        """Or is not, and then the socket is nobody's: a task that was called off may never have begun."""
        self.shaking_hands = None
        if self.protocol is None:
            taken.close()
            self.leave()

    def leave(self) -> None:
        self._leave(self)

    def end(self) -> None:
        self.leave()
        if self.protocol is not None and self.protocol.may_go == 0:
            self.protocol.transport.close()  # the end of its answer may still be on its way
        elif self.protocol is not None:
            _cut(self.protocol.transport)
        elif self.shaking_hands is not None:
            self.shaking_hands.cancel()


class Connections:
    """All of one server."""

    def __init__(self, settings: WebSettings) -> None:
        """Raises SettingsError where the certificate cannot be used."""
        self._settings, self._proxies = settings, settings.proxies
        self._tls = settings.tls()
        self._read = self._files()
        self._guests: dict[Guest, None] = {}
        self._from: dict[str, dict[Guest, None]] = {}
        self._taking: list[asyncio.Task[None]] = []
        self.waiting: list[socket.socket] = []
        """Who had connected before there was anybody to let them in."""

    def open(self, listening: Collection[socket.socket], make: Callable[[], Connection]) -> None:
        for one in listening:
            one.setblocking(False)
            self._taking.append(asyncio.get_running_loop().create_task(self._take(one, make)))
        while self.waiting:
            (taken := self.waiting.pop()).setblocking(False)
            try:
                self._welcome(taken, taken.getpeername()[0], make)
            except OSError:  # it has given up
                taken.close()

    async def close(self) -> None:
        """Take no more. Whoever has just come in may ask still, and what is being answered goes on."""
        for task in self._taking:
            task.cancel()
        loop = asyncio.get_running_loop()
        while any(loop.time() - one.since < JUST_IN_S and (one.may_go or (0,))[0] == 1 for one in self._guests):
            await asyncio.sleep(JUST_IN_S / 20)
        ending = [*self._taking, *(guest.shaking_hands for guest in self._guests if guest.shaking_hands)]
        for task in ending:
            task.cancel()
        await asyncio.gather(*ending, return_exceptions=True)

    async def _take(self, listening: socket.socket, make: Callable[[], Connection]) -> None:
        loop = asyncio.get_running_loop()
        while True:
            try:
                taken, there = await loop.sock_accept(listening)
            except OSError as error:
                log.warning("no more connections can be taken just now: %s", error.strerror or error)
                await asyncio.sleep(TROUBLE_S)
                continue
            self._welcome(taken, there[0], make)

    def _welcome(self, taken: socket.socket, there: str, make: Callable[[], Connection]) -> None:
        loop, address = asyncio.get_running_loop(), there.removeprefix("::ffff:")
        if not self._has_room(address):
            taken.close()
            return
        guest = Guest(address, loop.time(), self._left)
        self._guests[guest] = None
        self._from.setdefault(address, {})[guest] = None
        guest.shaking_hands = loop.create_task(self._let_in(guest, taken, make))
        guest.shaking_hands.add_done_callback(partial(guest.is_in, taken))

    async def _let_in(self, guest: Guest, taken: socket.socket, make: Callable[[], Connection]) -> None:
        _heed_silence(taken)

        def made() -> Connection:
            connection = make()
            connection.guest = guest
            return connection

        tls = self._current_tls()
        within = {"ssl_handshake_timeout": HEAD_WITHIN_S, "ssl_shutdown_timeout": PARTS_WITHIN_S} if tls else {}
        try:
            if tls is not None:
                async with asyncio.timeout(HEAD_WITHIN_S):
                    if await _is_request(taken):
                        return await _send_on(taken)
            _, protocol = await asyncio.get_running_loop().connect_accepted_socket(made, taken, ssl=tls, **within)
            guest.protocol = protocol
        except OSError:  # a handshake that failed, or came to nothing; TimeoutError is one, too
            pass

    def _has_room(self, address: str) -> bool:
        """Makes room where it can."""
        if len(self._guests) >= MOST and not self._ends_one(self._guests):
            return False
        if len(own := self._from.get(address, {})) < FROM_ADDRESS_MOST or is_trusted(address, self._proxies):
            return True
        return self._ends_one(own)

    def _ends_one(self, among: Collection[Guest]) -> bool:
        may_go = [(rank, guest) for guest in among if (rank := guest.may_go) is not None]
        if not may_go:
            return False
        min(may_go, key=lambda one: one[0])[1].end()
        return True

    def _left(self, guest: Guest) -> None:
        if self._guests.pop(guest, guest) is None:
            del self._from[guest.address][guest]
            if not self._from[guest.address]:
                del self._from[guest.address]

    def _files(self) -> tuple[int, ...]:
        """What is another once the certificate was renewed."""
        named = (self._settings.certificate, self._settings.key)
        with contextlib.suppress(OSError):
            return tuple(path.stat().st_mtime_ns for path in named if path is not None)
        return ()

    def _current_tls(self) -> ssl.SSLContext | None:
        """With the certificate that lies there now: it is renewed every few months, and a daemon runs for years."""
        if self._tls is not None and (files := self._files()) and files != self._read:
            self._read = files
            try:
                self._tls = self._settings.tls()
                log.info("the page's certificate was renewed")
            except SettingsError as error:
                log.warning("the page goes on with the certificate it had: %s", error)
        return self._tls


async def _is_request(taken: socket.socket) -> bool:
    """Whether somebody speaks in the clear where TLS is: a request begins with a letter, a handshake with the byte 22
    (RFC 8446, section 5.1). False where this cannot be told before it is taken (Windows)."""
    loop, comes = asyncio.get_running_loop(), asyncio.Event()
    try:
        loop.add_reader(taken, comes.set)
    except NotImplementedError:
        return False
    try:
        await comes.wait()
    finally:
        loop.remove_reader(taken)
    return taken.recv(1, socket.MSG_PEEK).isalpha()


async def _send_on(taken: socket.socket) -> None:
    """Whoever has the page from before it was encrypted, as the one who has just set that: to the same, by https."""
    loop, head = asyncio.get_running_loop(), b""
    while b"\r\n\r\n" not in head:
        more = await loop.sock_recv(taken, 4096)
        if not more or len(head) > HEAD_MOST:
            return
        head += more
    asked = re.match(
        rb"(?:GET|HEAD) (/[!-~]*) HTTP/1\.[01]\r\n(?:.*\r\n)*?host: *([\w.:\[\]-]+) *\r\n", head, re.IGNORECASE
    )
    if asked is None:
        words = b"400 Bad Request\r\n"
    else:
        words = b"307 Temporary Redirect\r\nlocation: https://%b%b\r\n" % (asked[2], asked[1])
    await loop.sock_sendall(taken, b"HTTP/1.1 " + words + b"content-length: 0\r\nconnection: close\r\n\r\n")


def _heed_silence(taken: socket.socket) -> None:
    with contextlib.suppress(OSError):
        taken.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            taken.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, ACKNOWLEDGED_WITHIN_MS)


class Server(uvicorn.Server):
    """uvicorn, which else wakes ten times a second to ask whether it is to end: a fifth of what an idle daemon cost."""

    TICK_S = 1.0
    """How often it looks after itself: answers carry a date to the second [s]."""

    def __init__(self, config: uvicorn.Config, connections: Connections) -> None:
        super().__init__(config)
        self._connections = connections
        self._loop: asyncio.AbstractEventLoop | None = None
        self._woken = asyncio.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        self.servers: list[asyncio.base_events.Server] = []
        given: dict[str, Any] = {"config": self.config, "server_state": self.server_state, "app_state": {}}
        self._connections.open(sockets or [], lambda: Connection(**given))
        self.started = True

    async def main_loop(self) -> None:
        self._loop = asyncio.get_running_loop()
        while not await self.on_tick(0):  # 0: each time it also renews the date that answers carry
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._woken.wait(), self.TICK_S)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        await self._connections.close()
        await super().shutdown(sockets)

    def end(self) -> None:
        """Take no more; from any thread."""
        self.should_exit = True
        if self._loop is not None:
            with contextlib.suppress(RuntimeError):  # it has ended by itself
                self._loop.call_soon_threadsafe(self._woken.set)
