"""Who gets in: hosts, other sites, passwords, sessions, tokens, a class, and what is too much to take."""

from __future__ import annotations

import os
import re
import socket
import stat
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
import requests

from curewatch.desk.refresh.refresher import Refresher
from curewatch.settings import SettingsError, WebSettings
from curewatch.store import Store, StoreError
from curewatch.web.access.credentials import Tokens, hash_of
from curewatch.web.app import make_app
from tests.refreshing import refresh
from tests.shell.parts import HandClock, free_port
from tests.shell.web_parts import NOW, PASSWORD, TIMEOUT_S, Studio, served, token_on


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    with served(tmp_path) as studio:
        yield studio


@pytest.fixture(scope="module")
def password_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("secret") / "page-password"
    path.write_text(hash_of(PASSWORD) + "\n")
    return path


@pytest.fixture
def locked(tmp_path: Path, password_file: Path) -> Iterator[Studio]:
    with served(tmp_path, password_file=password_file) as studio:
        yield studio


def log_in(studio: Studio, password: str = PASSWORD, there: str = "/") -> requests.Response:
    return studio.post("/login", {"password": password, "next": there})


# --- on loopback, without a password ---


def test_every_page_carries_the_headers_that_keep_strangers_code_out(studio: Studio) -> None:
    for path in ("/", "/pour", "/static/page.css", "/nothing", "/events"):
        with studio.get(path, stream=True) as answer:
            policy = answer.headers["content-security-policy"]
            assert "default-src 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert "server" not in answer.headers


def test_no_page_has_a_script_or_style_inside_it_or_asks_anything_of_outside(studio: Studio) -> None:
    studio.pour()
    studio.read()
    refresh(studio.desk, NOW)
    for path in ("/", "/pour", "/reading", "/alarms", "/lately", "/piece/Curlew", "/room/Shed", "/ways-in"):
        page = studio.page(path)
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?! src=\"/static/)", page), path
        assert not re.search(r'(?:src|href|action)="(?:\w+:)?//', page), path


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8730", "127.0.0.1.evil.example", "", "[::1"])
def test_a_name_that_is_not_ours_is_refused(studio: Studio, host: str) -> None:
    answer = studio.get("/", headers={"host": host})
    assert answer.status_code in (400, 421)
    assert "Nothing is drying" not in answer.text


def test_names_from_the_settings_are_answered_to(tmp_path: Path, password_file: Path) -> None:
    settings = {"hosts": ("shed",), "address": "http://Workshop.local:8730", "password_file": password_file}
    with served(tmp_path, **settings) as studio:
        for host in ("shed:8730", "workshop.local", "localhost"):
            assert studio.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://[no.address"},
    ],
)
def test_another_site_cannot_send_a_form_even_with_the_right_token(studio: Studio, headers: dict[str, str]) -> None:
    answer = studio.post("/pour", {"name": "Cuckoo"}, headers=headers)
    assert answer.status_code == 403
    assert studio.names() == []


@pytest.mark.parametrize("token", ["", "0" * 43, "é"])
def test_a_form_without_its_token_stores_nothing(studio: Studio, token: str) -> None:
    studio.page("/pour")
    answer = studio.browser.post(studio.url + "/pour", data={"token": token, "name": "Cuckoo"}, timeout=10)
    assert answer.status_code == 403
    assert "open for too long" in answer.text
    assert studio.names() == []


def test_a_token_is_worth_nothing_with_another_browsers_cookie(studio: Studio) -> None:
    token = token_on(studio.page("/pour"))
    with requests.Session() as other:
        other.get(studio.url + "/", timeout=10)
        assert other.post(studio.url + "/pour", data={"token": token}, timeout=10).status_code == 403


def test_a_body_that_is_too_long_is_not_read(studio: Studio) -> None:
    answer = studio.browser.post(studio.url + "/pour", data="x" * 70_000, timeout=10)
    assert answer.status_code == 413

    def drops() -> Iterator[bytes]:
        for _ in range(100):
            yield b"x" * 1024

    assert studio.browser.post(studio.url + "/pour", data=drops(), timeout=10).status_code == 413


# --- wider than this machine ---


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.20", "shed.local"])
def test_it_refuses_to_be_served_to_a_network_without_a_password(tmp_path: Path, host: str) -> None:
    with Store.open(tmp_path / "studio.sqlite") as store:
        from curewatch.desk import Desk
        from curewatch.settings import Settings

        with pytest.raises(SettingsError, match=r"web\.host: got .*password_file.*curewatch password"):
            make_app(Refresher(Desk(store, Settings(zone="UTC"))), WebSettings(host=host), HandClock(NOW))


def test_a_password_in_the_clear_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "page-password"
    path.write_text("hunter2 in the clear")
    with pytest.raises(SettingsError, match="holds no hash") as refusal:
        WebSettings(password_file=path).password_hash()
    assert "hunter2" not in str(refusal.value)


# --- with a password ---


def test_nobody_sees_anything_before_the_password_and_everything_after(locked: Studio) -> None:
    locked.pour()
    answer = locked.get("/room/Shed?span=week", allow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/login?next=%2Froom%2FShed%3Fspan%3Dweek"
    assert "Curlew" not in locked.page("/login")
    assert log_in(locked, "not it").status_code == 401
    assert log_in(locked, there="/room/Shed?span=week").url.endswith("/room/Shed?span=week")
    assert "Curlew" in locked.page("/")
    cookie = locked.browser.get(locked.url + "/login", timeout=10).request.headers["cookie"]
    assert PASSWORD not in cookie


def test_guessing_is_slowed_down(locked: Studio) -> None:
    codes = [log_in(locked, f"guess {number}").status_code for number in range(6)]
    assert codes == [401] * 5 + [429]
    answer = log_in(locked)
    assert answer.status_code == 429, "not even the right one, until the wait is over"
    assert 0 < int(answer.headers["retry-after"]) <= 301


def test_guesses_that_come_all_at_once_are_no_more_than_those_that_come_one_by_one(locked: Studio) -> None:
    """The brake is asked and the password tried as one: else every guess of a volley would pass it. Common practice."""
    token = token_on(locked.get("/login").text)

    def guess(number: int) -> int:
        fields = {"token": token, "password": f"guess {number}"}
        answer = requests.post(f"{locked.url}/login", data=fields, cookies=locked.browser.cookies, timeout=TIMEOUT_S)
        return answer.status_code

    with ThreadPoolExecutor(12) as volley:
        assert sorted(volley.map(guess, range(12))) == [401] * 5 + [429] * 7


@pytest.mark.parametrize(
    "there", ["//evil.example", "https://evil.example", "/\\evil.example", "//[evil.example", "javascript:x", "/a\nb"]
)
def test_logging_in_never_leads_to_another_site(locked: Studio, there: str) -> None:
    answer = locked.post("/login", {"password": PASSWORD, "next": there}, allow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_a_class_link_lets_look_and_no_more_and_can_be_taken_back(locked: Studio, tmp_path: Path) -> None:
    locked.pour()
    log_in(locked)
    made = locked.post("/ways-in", {"name": "Tuesday class", "kind": "class", "password": PASSWORD})
    link = re.search(r"<code>\S+(/class/[\w-]+)</code>", made.text)
    assert link
    with requests.Session() as pupil:
        board = pupil.get(locked.url + link[1], timeout=10)
        assert "Curlew" in board.text
        assert 'href="/pour"' not in board.text
        piece = pupil.get(locked.url + "/piece/Curlew", timeout=20)
        assert re.findall(r'action="([^"]+)"', piece.text) == ["/logout"], "nothing to press but to leave"
        assert pupil.get(locked.url + "/record/Curlew", timeout=20).status_code == 200
        assert pupil.get(locked.url + "/ways-in", timeout=10).status_code == 403
        token = token_on(pupil.get(locked.url + "/", timeout=10).text)
        answer = pupil.post(locked.url + "/piece/Curlew/gone", data={"token": token}, timeout=10)
        assert answer.status_code == 403
    assert locked.names() == ["Curlew"]
    locked.post("/ways-in/take-back", {"name": "Tuesday class"}, on="/ways-in")
    assert requests.get(locked.url + link[1], timeout=10).status_code == 404
    assert link[1].split("/")[-1].encode() not in (tmp_path / "studio.sqlite").read_bytes()


def test_a_class_link_taken_back_ends_the_sessions_that_it_opened_and_no_other(locked: Studio) -> None:
    locked.pour()
    log_in(locked)
    with requests.Session() as tuesday, requests.Session() as friday:
        for name, pupil in (("Tuesday class", tuesday), ("Friday class", friday)):
            made = locked.post("/ways-in", {"name": name, "kind": "class", "password": PASSWORD})
            link = re.search(r"<code>\S+(/class/[\w-]+)</code>", made.text)
            assert link
            assert "Curlew" in pupil.get(locked.url + link[1], timeout=10).text
        locked.post("/ways-in/take-back", {"name": "Tuesday class"}, on="/ways-in")
        answer = tuesday.get(locked.url + "/", timeout=10, allow_redirects=False)
        assert (answer.status_code, answer.headers["location"]) == (303, "/login?next=%2F")
        assert "Curlew" in friday.get(locked.url + "/", timeout=10).text
    assert "Curlew" in locked.page("/"), "the password's own session goes on"


def test_the_command_writes_a_hash_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "page-password"
    command = [sys.executable, "-m", "curewatch", "password", str(path)]
    done = subprocess.run(command, input=PASSWORD + "\n", text=True, capture_output=True, timeout=60, check=True)
    assert "password_file" in done.stdout
    assert PASSWORD not in done.stdout + path.read_text()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert WebSettings(host="0.0.0.0", password_file=path).password_hash() is not None
    short = subprocess.run(command, input="short\n", text=True, capture_output=True, timeout=60, check=False)
    assert short.returncode == 2
    assert "8 to 200 characters" in short.stderr
    assert sorted(os.listdir(tmp_path)) == ["page-password"]


def test_a_store_that_cannot_say_whose_a_token_is_is_said_in_words(
    locked: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither let in nor told that the token is wrong. RFC 9110, section 15.6.4."""

    def fails(*given: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr(Tokens, "known", fails)
    answer = locked.get("/api/v1/board", headers={"authorization": "Bearer anything"})
    assert (answer.status_code, answer.json()["detail"]) == (503, "the store did not answer: the disk is full")
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_who_may_not_send_a_large_body_is_refused_without_waiting_for_one_that_comes(locked: Studio) -> None:
    log_in(locked)
    cookies = "; ".join(f"{name}={value}" for name, value in locked.browser.cookies.items())
    with socket.create_connection(("127.0.0.1", locked.web.port)) as slow:
        slow.sendall(
            f"POST /api/v1/import HTTP/1.1\r\nHost: 127.0.0.1:{locked.web.port}\r\nCookie: {cookies}\r\n"
            "Content-Type: application/json\r\nContent-Length: 1000\r\nExpect: 100-continue\r\n\r\n".encode()
        )
        assert b"100 Continue" in slow.recv(1000)  # its turn has come: the server asks for the body
        json = {"content-type": "application/json"}
        assert requests.post(f"{locked.url}/api/v1/import", data="{}", headers=json, timeout=10).status_code == 401
        waiting = {**json, "cookie": cookies}
        with pytest.raises(requests.Timeout):  # who may takes turns
            requests.post(f"{locked.url}/api/v1/import", data="{}", headers=waiting, timeout=1)


def test_what_needs_nothing_said_is_posted_bare_and_a_session_says_where_from(locked: Studio) -> None:
    """The type of a body keeps other sites' forms out, which always have one; scripts of theirs tell where from."""
    locked.pour()
    log_in(locked)
    mine, there = dict(locked.browser.cookies), {"origin": locked.url}
    form = {"content-type": "application/x-www-form-urlencoded"}

    def sent(way: str, **options: Any) -> tuple[int, str]:
        answer = requests.post(f"{locked.url}/api/v1{way}", timeout=20, **options)
        return answer.status_code, answer.json().get("detail", "")

    way, typed = "/pieces/Curlew/gone", "content-type: application/json is what this takes"
    assert sent(way)[0] == 401
    assert sent(way, cookies=mine) == (415, typed)
    assert sent(way, cookies=mine, headers=form | there) == (415, typed)
    assert sent(way, cookies=mine, headers={"origin": "http://evil.example"}) == (403, "sent by another web site")
    assert sent(way, cookies=mine, headers=there, data=iter([b"{}"])) == (415, typed)  # in chunks, so not empty
    assert sent("/undo", cookies=mine, headers=there)[0] == 422
    assert sent(way, cookies=mine, headers=there) == (200, "")
    assert locked.names() == []


def test_a_port_that_is_taken_costs_the_page_only(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    from curewatch.daemon.page_server import PageServer
    from curewatch.desk import Desk
    from curewatch.settings import Settings

    with socket.socket() as taken, Store.open(tmp_path / "studio.sqlite") as store:
        taken.bind(("127.0.0.1", free_port()))
        taken.listen()
        settings = WebSettings(port=taken.getsockname()[1])
        server = PageServer(Refresher(Desk(store, Settings(zone="UTC"))), settings, HandClock(NOW), lambda: None)
        assert server.start() is None
        server.stop()
    assert "web.port in the settings names another" in caplog.text
