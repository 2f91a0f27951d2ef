"""A broker with a will of its own, and a publisher in a hurry: MQTT 3.1.1 by hand, a few packets of it."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterable
from types import TracebackType

CONNACK, SUBACK, PINGRESP = b"\x20\x02\x00\x00", 0x90, b"\xd0\x00"
CONNECT, PUBLISH, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 8, 12, 14


def packet(first: int, body: bytes) -> bytes:
    length, left = b"", len(body)
    while True:
        length += bytes([left % 128 | (0x80 if left > 127 else 0)])
        left //= 128
        if not left:
            return bytes([first]) + length + body


def words(text: str) -> bytes:
    encoded = text.encode()
    return len(encoded).to_bytes(2, "big") + encoded


def publication(
    topic: str, payload: bytes, *, qos: int = 0, mid: int = 0, dup: bool = False, retain: bool = False
) -> bytes:
    number = mid.to_bytes(2, "big") if qos else b""
    return packet(PUBLISH << 4 | dup << 3 | qos << 1 | retain, words(topic) + number + payload)


def flood(port: int, messages: Iterable[tuple[str, bytes]], *, retain: bool = False, name: str = "flood") -> None:
    """Publish at QoS 0, as fast as the broker takes it."""
    with socket.create_connection(("127.0.0.1", port), 10) as sock:
        sock.sendall(packet(CONNECT << 4, words("MQTT") + b"\x04\x02\x00\x3c" + words(name)))
        assert sock.recv(4)[:1] == CONNACK[:1]
        sock.sendall(b"".join(publication(topic, payload, retain=retain) for topic, payload in messages))
        sock.sendall(bytes([DISCONNECT << 4, 0]))
        while sock.recv(100):  # the broker hangs up once it has read all of it
            pass


class OddBroker:
    """Takes one connection after the other, and sends on what it is told to, as it is told."""

    def __init__(self, *, answers: bool = True) -> None:
        self._answers = answers
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._client: socket.socket | None = None
        self.subscribed = threading.Event()
        self.acknowledged: list[int] = []
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def send(self, *packets: bytes) -> None:
        assert self._client is not None
        self._client.sendall(b"".join(packets))

    def __enter__(self) -> OddBroker:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        if self._client is not None:
            with contextlib.suppress(OSError):
                self._client.shutdown(socket.SHUT_RDWR)
        self._thread.join(5)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._socket.accept()
                self._client = client
                with contextlib.suppress(OSError), client, client.makefile("rb") as stream:
                    while first := stream.read(1):
                        self._heard(client, first[0] >> 4, stream.read(_length(stream.read)))

    def _heard(self, client: socket.socket, kind: int, body: bytes) -> None:
        if kind == CONNECT:
            client.sendall(CONNACK)
        elif kind == PINGREQ:
            client.sendall(PINGRESP)
        elif kind == SUBSCRIBE:
            if self._answers:
                client.sendall(packet(SUBACK, body[:2] + b"\x01"))
            self.subscribed.set()
        elif kind == 4:  # PUBACK
            self.acknowledged.append(int.from_bytes(body[:2], "big"))


def _length(read: Callable[[int], bytes]) -> int:
    length = shift = 0
    while True:
        byte = read(1)[0]
        length |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            return length
