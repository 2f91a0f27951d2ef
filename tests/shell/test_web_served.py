"""The page as the daemon serves it: its address, its live line, and its end."""

from __future__ import annotations

import logging
import re
import socket
import threading
import time
from contextlib import closing, suppress
from pathlib import Path

import pytest
import requests

from curewatch.daemon import Daemon
from curewatch.daemon.process import Doors
from curewatch.desk.reports.board import BoardCache
from curewatch.settings import ForecastSettings, Settings, SettingsError, WebhookSettings, WebSettings
from curewatch.store import Store, StoreError
from curewatch.web.feeds import routes
from tests.shell.parts import HandClock, Receiver, free_port, wait_for
from tests.shell.web_parts import NOW, served, token_on


def test_an_open_page_hears_of_what_is_logged_and_does_not_hold_up_the_end(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    heard: list[str] = []
    with served(tmp_path) as studio:
        lines = requests.get(studio.url + "/events", stream=True, timeout=20)

        def listen() -> None:
            try:
                heard.extend(line for line in lines.iter_lines(decode_unicode=True) if line)
            except requests.RequestException:
                heard.append("cut off")

        thread = threading.Thread(target=listen, daemon=True)
        thread.start()
        wait_for(lambda: "retry: 5000" in heard, what="the stream's beginning")
        studio.pour()
        wait_for(lambda: "event: changed" in heard, 15, "the news")
        began = time.monotonic()
    assert time.monotonic() - began < 6
    thread.join(5)
    assert not thread.is_alive()
    lines.close()
    assert "cut off" not in heard, "it ends by itself before the server would cut it"
    assert [record for record in caplog.records if record.levelno >= logging.WARNING] == []


@pytest.mark.parametrize(("changes", "first"), [(True, b"event: changed"), (False, b"event: here")])
def test_a_page_hears_of_what_was_logged_between_its_making_and_its_listening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, changes: bool, first: bytes
) -> None:
    monkeypatch.setattr(routes, "LOOK_EVERY_S", routes.HEED_END_EVERY_S)
    monkeypatch.setattr(routes, "SAY_SOMETHING_EVERY", 2)
    with served(tmp_path) as studio:
        studio.read()
        (mark,) = re.findall(r'data-live="([^"]+)"', studio.page("/"))
        if changes:
            studio.pour()
        with requests.get(f"{studio.url}/events", params={"since": mark}, stream=True, timeout=20) as lines:
            heard = (line for line in lines.iter_lines() if line and not line.startswith(b"retry"))
            assert next(heard) == first


def test_a_page_opened_while_the_store_does_not_answer_hears_once_it_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it showed then may be old. Common practice, no source."""
    mark, asked = BoardCache.mark, list[int]()

    def fails_first(board: BoardCache) -> str:
        asked.append(1)
        if len(asked) == 1:
            raise StoreError("locked")
        return mark(board)

    monkeypatch.setattr(BoardCache, "mark", fails_first)
    with served(tmp_path) as studio, requests.get(studio.url + "/events", stream=True, timeout=20) as lines:
        assert b"event: changed" in lines.iter_lines()


def test_an_answer_that_nobody_takes_is_cut_at_the_end_without_ado(
    tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(routes, "LOOK_EVERY_S", 60.0)
    monkeypatch.setattr(routes, "HEED_END_EVERY_S", 60.0)
    with served(tmp_path) as studio:
        lines = requests.get(studio.url + "/events", stream=True, timeout=20)
        assert next(lines.iter_lines()) == b"retry: 5000"
        began = time.monotonic()
    assert time.monotonic() - began < 8
    lines.close()
    assert [record for record in caplog.records if record.exc_info] == []


def test_the_daemon_serves_says_where_and_stops(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    port = free_port()
    settings = Settings(zone="UTC", forecast=ForecastSettings(members=8), web=WebSettings(port=port))
    daemon = Daemon(settings, str(tmp_path / "studio.sqlite"), HandClock(NOW))
    thread = threading.Thread(target=daemon.run, daemon=True)
    thread.start()
    wait_for(lambda: f"the page is at http://127.0.0.1:{port}" in caplog.text, 20, "the ready line")
    assert requests.get(f"http://127.0.0.1:{port}/", timeout=20).status_code == 200
    daemon.stop()
    thread.join(20)
    assert not thread.is_alive()
    with pytest.raises(requests.ConnectionError):
        requests.get(f"http://127.0.0.1:{port}/", timeout=5)


def test_what_is_logged_on_the_page_is_looked_at_by_the_daemon_at_once(tmp_path: Path) -> None:
    with served(tmp_path) as studio:
        fields = {"room_typed": "Shed", "temperature": "20", "unit": "C", "humidity": "50", "when": "now"}
        assert studio.post("/reading", fields).status_code == 200
        assert studio.told == 1


def test_what_is_to_be_told_of_what_was_logged_on_the_page_goes_out_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """However seldom the outbox is looked into by itself."""
    caplog.set_level(logging.INFO)
    monkeypatch.setattr("curewatch.daemon.delivery.TICK_S", 600.0)
    with Receiver() as program, requests.Session() as browser:
        web, hook = WebSettings(port=free_port()), WebhookSettings(url=program.url)
        settings = Settings(zone="UTC", forecast=ForecastSettings(members=8), web=web, webhook=hook)
        daemon = Daemon(settings, str(tmp_path / "studio.sqlite"), HandClock(NOW))
        thread = threading.Thread(target=daemon.run, daemon=True)
        thread.start()
        there = f"http://127.0.0.1:{web.port}"
        wait_for(lambda: "ready: " in caplog.text, 20, "the ready line")
        for path, fields in (
            ("reading", {"room_typed": "Shed", "temperature": "20", "unit": "C", "humidity": "50", "when": "now"}),
            ("pour", {"name": "Curlew", "room": "Shed", "thickness": "thin", "when": "typed", "when_typed": "5 d ago"}),
        ):
            token = token_on(browser.get(f"{there}/{path}", timeout=20).text)
            said = browser.post(f"{there}/{path}", data={"token": token, **fields}, timeout=20)
            assert said.status_code == 200, said.text
        wait_for(lambda: program.requests, 20, "the notice that it may be touched")
        daemon.stop()
        thread.join(20)


def test_who_waits_at_a_door_is_let_in_at_the_one_that_takes_its_place_if_that_is_open_to_them() -> None:
    """As a browser does that is told to come again, while the page opens to the network."""
    with closing(Doors()) as doors:
        port = free_port()
        doors.at("127.0.0.1", port).close()
        with socket.create_connection(("127.0.0.1", port), timeout=10) as asks:
            doors.at("0.0.0.0", port).close()
            (held,) = doors.waiting()
            with held:
                assert held.getpeername() == asks.getsockname()
            assert doors.waiting() == []
        with socket.create_connection(("127.0.0.1", port), timeout=10) as asks:
            doors.at("127.0.0.1", port).close()
            assert doors.waiting() == [], "it may have come from outside"
            with suppress(ConnectionError):
                assert asks.recv(1) == b""


def test_a_page_that_is_switched_off_is_not_served(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    settings = Settings(zone="UTC", web=WebSettings(enabled=False, port=free_port()))
    daemon = Daemon(settings, str(tmp_path / "studio.sqlite"), HandClock(NOW))
    thread = threading.Thread(target=daemon.run, daemon=True)
    thread.start()
    wait_for(lambda: "ready: " in caplog.text, 20, "the ready line")
    daemon.stop()
    thread.join(20)
    assert "the page is at" not in caplog.text
    with socket.socket() as sock:
        assert sock.connect_ex(("127.0.0.1", settings.web.port)) != 0


def test_a_daemon_open_to_a_network_without_a_password_does_not_start(tmp_path: Path) -> None:
    settings = Settings(zone="UTC", web=WebSettings(host="0.0.0.0", port=free_port()))
    with pytest.raises(SettingsError, match="password_file"):
        Daemon(settings, str(tmp_path / "studio.sqlite"), HandClock(NOW)).run()
    with Store.open(tmp_path / "studio.sqlite") as store, store.lock_for_daemon():
        pass  # the lock is free again
