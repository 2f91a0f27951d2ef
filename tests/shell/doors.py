"""Visitors of a locked page: a class that came by its link, and strangers at many addresses of this machine."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import requests

from tests.shell.web_parts import PASSWORD, TIMEOUT_S, Studio


def class_link(studio: Studio, name: str = "Tuesday class") -> str:
    """The address of a link that lets look, made by the owner, who is logged in with it."""
    studio.post("/login", {"password": PASSWORD})
    made = studio.post("/ways-in", {"name": name, "kind": "class", "days": "30", "password": PASSWORD})
    link = re.search(r"<code>\S+(/class/[\w-]+)</code>", made.text)
    assert link, made.text
    return studio.url + link[1]


def pupil(link: str) -> str:
    """The Cookie header of one more browser that opened the link."""
    answer = requests.get(link, timeout=TIMEOUT_S, allow_redirects=False)
    assert answer.status_code == 303
    return f"curewatch={answer.cookies['curewatch']}"


def connected(port: int, address: str = "127.0.0.1") -> socket.socket:
    """From an address of this machine's own, of which Linux has 16 million."""
    made = socket.create_connection(("127.0.0.1", port), timeout=10, source_address=(address, 0))
    made.settimeout(10)
    return made


def request_of(path: str, port: int, *headers: str) -> bytes:
    return "\r\n".join([f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{port}", *headers, "", ""]).encode()


def is_open(one: socket.socket) -> bool:
    """Whether the other side has not closed it; what it sent is thrown away."""
    one.setblocking(False)
    try:
        while one.recv(65536):
            pass
    except BlockingIOError:
        return True
    except OSError:
        return False
    return False


@contextmanager
def silent(port: int, count: int, address: str = "127.0.1.1") -> Iterator[list[socket.socket]]:
    """Connections that say nothing."""
    with ExitStack() as held:
        yield [held.enter_context(connected(port, address)) for _ in range(count)]
