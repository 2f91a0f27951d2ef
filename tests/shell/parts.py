"""Real parts for tests, on loopback: an MQTT broker, certificates, an HTTP receiver; and a clock set by hand."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import ssl
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from paho.mqtt import publish

has_mosquitto = shutil.which("mosquitto") is not None


def wait_for(condition: Callable[[], Any], within_s: float = 10.0, what: str = "the condition") -> Any:
    """Poll until `condition()` is true and return what it gave: ever more seldom, since asking costs."""
    begun = time.monotonic()
    while True:
        if found := condition():
            return found
        waited = time.monotonic() - begun
        assert waited < within_s, f"{what} did not come true within {within_s:g} s"
        time.sleep(min(0.05, max(0.005, 0.1 * waited)))


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class HandClock:
    """Wall time stands still until it is moved, as if the machine slept; the monotonic clock is real, so that waits
    are. Each is of a start of the machine of its own."""

    def __init__(self, now: datetime) -> None:
        self._now, self._moved_s = now, 0.0
        self.is_vouched = False

    def now(self) -> datetime:
        return self._now

    def move(self, by: timedelta) -> datetime:
        self._now += by
        self._moved_s += max(0.0, by.total_seconds())
        return self._now

    def monotonic(self) -> float:
        return time.monotonic()

    def boottime(self) -> float:
        return time.monotonic() + self._moved_s

    def boot_id(self) -> str | None:
        return f"start {id(self)}"

    def vouched(self) -> datetime | None:
        """As a time daemon does that keeps it, where a test has one."""
        return self.now() if self.is_vouched else None

    def wait(self, event: threading.Event, timeout: float) -> bool:
        return event.wait(max(0.0, timeout))


@dataclass(frozen=True)
class Certificates:
    """A private authority, and a certificate it made for 127.0.0.1 and localhost."""

    ca: Path
    cert: Path
    key: Path


def make_certificates(folder: Path) -> Certificates:
    folder.mkdir(parents=True, exist_ok=True)
    made = Certificates(folder / "ca.pem", folder / "cert.pem", folder / "key.pem")
    ca_key, request, names = folder / "ca.key", folder / "request.pem", folder / "names"
    names.write_text("subjectAltName=IP:127.0.0.1,DNS:localhost\nauthorityKeyIdentifier=keyid\n")
    ec = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
    for command in (
        # which from Python 3.13 on is read as RFC 5280 has it: an authority says that it signs certificates
        f"req -x509 {ec} -days 30 -subj /CN=boat-shed -addext keyUsage=critical,keyCertSign,cRLSign"
        f" -keyout {ca_key} -out {made.ca}",
        f"req {ec} -subj /CN=localhost -keyout {made.key} -out {request}",
        f"x509 -req -in {request} -CA {made.ca} -CAkey {ca_key} -CAcreateserial -days 30"
        f" -extfile {names} -out {made.cert}",
    ):
        subprocess.run(["openssl", *command.split()], check=True, capture_output=True)
    return made


@dataclass
class Broker:
    """mosquitto in a process of its own. Starts again on the same port, with its sessions if `persistent`."""

    folder: Path
    users: dict[str, str] = field(default_factory=dict)
    certificates: Certificates | None = None
    acl: str | None = None
    persistent: bool = False
    max_queued: int = 100_000
    """mosquitto's own default is 1000: what comes for an absent client beyond that is thrown away."""
    max_inflight: int = 20
    """So many messages are sent on unacknowledged; 20 is mosquitto's own default."""
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Broker:
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()

    def start(self) -> None:
        config = self.folder / "mosquitto.conf"
        self.folder.mkdir(parents=True, exist_ok=True)
        config.write_text("\n".join(self._config()) + "\n")
        with (self.folder / "mosquitto.log").open("ab") as log:
            self.process = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=log, stderr=log)
        wait_for(self._listens, what="mosquitto listening")

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)
        self.process = None

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 1, retain: bool = False) -> None:
        """Send one message and wait until the broker has it."""
        self.publish_all([(topic, payload)], qos=qos, retain=retain)

    def publish_all(self, messages: Iterable[tuple[str, bytes | str]], *, qos: int = 1, retain: bool = False) -> None:
        user = next(iter(self.users.items()), None)
        publish.multiple(
            [(topic, payload, qos, retain) for topic, payload in messages],
            hostname="127.0.0.1",
            port=self.port,
            auth=None if user is None else {"username": user[0], "password": user[1]},
            tls=None if self.certificates is None else {"ca_certs": str(self.certificates.ca)},
        )

    def _config(self) -> Iterator[str]:
        yield f"listener {self.port} 127.0.0.1"
        yield f"max_queued_messages {self.max_queued}"
        yield "max_queued_bytes 0"
        yield f"max_inflight_messages {self.max_inflight}"
        if os.geteuid() == 0:
            yield "user root"  # else it gives up its rights, and with them this folder
        yield f"allow_anonymous {'false' if self.users else 'true'}"
        if self.users:
            passwords = self.folder / "passwords"
            passwords.touch(mode=0o600)
            for user, password in self.users.items():
                subprocess.run(["mosquitto_passwd", "-b", str(passwords), user, password], check=True)
            yield f"password_file {passwords}"
        if self.acl is not None:
            rules = self.folder / "acl"
            rules.write_text(self.acl)
            yield f"acl_file {rules}"
        if self.certificates is not None:
            yield f"certfile {self.certificates.cert}"
            yield f"keyfile {self.certificates.key}"
        if self.persistent:
            yield "persistence true"
            yield f"persistence_location {self.folder}/"

    def _listens(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "mosquitto.log").read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
            return True
        return False


@dataclass(frozen=True)
class Answer:
    """What the receiver answers to one request."""

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b"{}"
    hang: bool = False
    """Take the request and say nothing until the receiver is closed."""
    after_s: float = 0.0
    """Answer only then."""
    drip: bool = False
    """Send the answer's head one byte every 50 ms, without end."""


@dataclass(frozen=True)
class Request:
    path: str
    headers: dict[str, str]
    """Names in lower case."""
    body: bytes


class Receiver:
    """An HTTP server that keeps every request and answers by script: `answers` in turn, then `otherwise`."""

    def __init__(self, *, certificates: Certificates | None = None, port: int = 0) -> None:
        self.requests: list[Request] = []
        self.answers: deque[Answer] = deque()
        self.otherwise = Answer()
        self._closing = threading.Event()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                receiver._take(self)

            do_GET = do_POST

            def log_message(self, format: str, *args: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.handle_error = lambda request, address: None  # type: ignore[method-assign]  # cut off: expected
        self._scheme = "http"
        if certificates is not None:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(certificates.cert, certificates.key)
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
            self._scheme = "https"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        port: int = self._server.server_address[1]
        return port

    @property
    def url(self) -> str:
        return f"{self._scheme}://127.0.0.1:{self.port}/notices"

    def keys(self) -> list[str]:
        """The notice's key of every request, in the order they came: what its id stands for."""
        return [unquote(request.headers["webhook-id"].replace("~", "%")) for request in list(self.requests)]

    def __enter__(self) -> Receiver:
        return self

    def __exit__(self, *exc: object) -> None:
        self._closing.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(10)

    def _take(self, handler: BaseHTTPRequestHandler) -> None:
        length = int(handler.headers.get("content-length", 0))
        body = handler.rfile.read(length)
        if len(body) < length:
            return  # the sender died in the middle: nothing was told
        headers = {name.lower(): value for name, value in handler.headers.items()}
        answer = self.answers.popleft() if self.answers else self.otherwise
        self.requests.append(Request(handler.path, headers, body))
        if answer.hang:
            self._closing.wait(60)
            return
        self._closing.wait(answer.after_s)
        if answer.drip:
            for byte in b"HTTP/1.1 200 OK\r\nx-slow: " + b"y" * 10_000:
                handler.wfile.write(bytes([byte]))
                if self._closing.wait(0.05):
                    return
        handler.send_response(answer.status)
        for name, value in answer.headers.items():
            handler.send_header(name, value)
        handler.send_header("content-length", str(len(answer.body)))
        handler.end_headers()
        handler.wfile.write(answer.body)
