"""Who is connected: silent ones and slow ones cost nobody else the page, and a class may watch all the same."""

from __future__ import annotations

import select
import selectors
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
import requests

from curewatch.daemon import connections
from curewatch.web.access.credentials import hash_of
from curewatch.web.feeds import routes
from curewatch.web.scarce import STREAMS_A_VISITOR
from tests.shell.doors import class_link, connected, is_open, pupil, request_of, silent
from tests.shell.parts import wait_for
from tests.shell.web_parts import PASSWORD, Studio, served

SOON_S = 2.0
"""For a page that takes 20 ms, on a machine that does much else [s]."""


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    (tmp_path / "page-password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "page-password") as studio:
        yield studio


def answers(studio: Studio) -> bool:
    """Somebody new is answered, and soon."""
    began = time.monotonic()
    with requests.get(f"{studio.url}/login", timeout=10) as answer:
        return answer.status_code == 200 and time.monotonic() - began < SOON_S


def test_silent_connections_from_one_address_and_from_many_keep_nobody_out(studio: Studio) -> None:
    port = studio.web.port
    with silent(port, 200) as alone:
        assert answers(studio)
        assert sum(map(is_open, alone)) <= connections.FROM_ADDRESS_MOST
        with ExitStack() as held:
            many = [held.enter_context(silent(port, 75, f"127.0.2.{n}")) for n in range(1, 7)]
            assert answers(studio)
            assert sum(is_open(one) for some in many for one in some) <= connections.MOST


def test_a_head_that_does_not_come_and_an_answer_that_nobody_takes_end_the_connection(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "HEAD_WITHIN_S", 3.0)  # on a busy machine the lines below take a second
    monkeypatch.setattr(connections, "TAKEN_WITHIN_S", 1.0)
    port, began = studio.web.port, time.monotonic()
    with connected(port) as mute, connected(port) as slow, connected(port) as second, connected(port) as deaf:
        style = request_of("/static/page.css", port)
        second.sendall(style)
        assert second.recv(100).startswith(b"HTTP/1.1 200")
        slow.sendall(b"GET / HTTP/1.1\r\n")
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.sendall(style * 1500)

        def drips() -> bool:
            """A byte now and then, as "slowloris" does."""
            for one in (slow, second):
                try:
                    one.sendall(b"x")
                except OSError:
                    return True
            return False

        wait_for(drips, 12, "the end of a head in drops")
        assert time.monotonic() - began >= 3
        wait_for(lambda: not is_open(mute), 12, "the end of one that said nothing")
        hung_up = select.poll()  # to look whether it is open takes what was sent
        hung_up.register(deaf, select.POLLHUP | select.POLLERR)
        wait_for(lambda: hung_up.poll(0), 20, "the end of one that took nothing")


def test_idle_connections_make_room_for_who_asks(studio: Studio, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "FROM_ADDRESS_MOST", 4)
    port = studio.web.port
    with ExitStack() as held:
        silent_one = held.enter_context(connected(port))
        idle = [held.enter_context(connected(port)) for _ in range(3)]
        for one in idle:
            one.sendall(request_of("/static/icon.svg", port))
            assert one.recv(4096).startswith(b"HTTP/1.1 200")
        newest = held.enter_context(connected(port))
        newest.sendall(request_of("/static/icon.svg", port))
        assert newest.recv(100).startswith(b"HTTP/1.1 200")
        assert [is_open(one) for one in (*idle, silent_one)] == [False, True, True, True], "who asked longest ago"


def test_a_class_of_sixty_phones_behind_one_address_and_a_projector_watch_live(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(routes, "LOOK_EVERY_S", routes.HEED_END_EVERY_S)
    link, port = class_link(studio), studio.web.port
    cookies = [pupil(link) for _ in range(60)]
    cookies.append(f"curewatch={studio.browser.cookies['curewatch']}")
    with ExitStack() as held:
        listening = selectors.DefaultSelector()
        for cookie in cookies:
            one = held.enter_context(connected(port))
            one.sendall(request_of("/events", port, f"Cookie: {cookie}"))
            one.setblocking(False)
            listening.register(one, selectors.EVENT_READ, bytearray())

        def heard(word: bytes) -> int:
            for key, _ in listening.select(0.1):
                key.data.extend(key.fileobj.recv(65536))  # type: ignore[union-attr]
            return sum(word in key.data for key in listening.get_map().values())

        wait_for(lambda: heard(b"retry: 5000") == 61, 20, "every stream beginning")
        assert answers(studio), "and who comes now is answered"
        studio.pour()
        wait_for(lambda: heard(b"event: changed") == 61, 20, "the news on every phone")


def test_one_visitor_has_a_few_streams_and_no_more_and_they_end_with_the_session(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(routes, "LOOK_EVERY_S", routes.HEED_END_EVERY_S)
    monkeypatch.setattr(routes, "SAY_SOMETHING_EVERY", 2)
    link, port = class_link(studio), studio.web.port
    cookie = pupil(link)
    with ExitStack() as held:
        streams = [held.enter_context(connected(port)) for _ in range(STREAMS_A_VISITOR + 1)]
        for one in streams[:-1]:
            one.sendall(request_of("/events", port, f"Cookie: {cookie}"))
            assert one.recv(100).startswith(b"HTTP/1.1 200")
        streams[-1].sendall(request_of("/events", port, f"Cookie: {cookie}"))
        refused = streams[-1].recv(4096).decode().lower()
        assert refused.startswith("http/1.1 429")
        assert "retry-after: 60" in refused
        again = held.enter_context(connected(port))
        again.sendall(request_of("/events", port, f"Cookie: {pupil(link)}"))
        assert again.recv(100).startswith(b"HTTP/1.1 200"), "another visitor has a share of their own"
        studio.post("/ways-in/take-back", {"name": "Tuesday class"}, on="/ways-in")
        for one in (*streams[:-1], again):
            one.settimeout(10)
            tail = b""
            while more := one.recv(65536):
                tail += more
            assert tail.endswith(b"0\r\n\r\n"), "it ended by itself"
