"""Who is in, and for how long: sessions that end on the server, passwords that change, tokens, and guessing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
import requests

from curewatch.daemon import Verdict
from curewatch.desk import Desk
from curewatch.desk.refresh.refresher import Refresher
from curewatch.settings import Settings, SettingsError, WebSettings
from curewatch.store import Store
from curewatch.web.access.credentials import IDLE, LASTS, TRIES, TRIES_OF_ALL, Password, Sessions, hash_of
from curewatch.web.app import make_app
from tests.shell.parts import HandClock
from tests.shell.test_page_check import page_finding
from tests.shell.web_parts import NOW, PASSWORD, TIMEOUT_S, Studio, served, token_on, words_of

OTHER = "spring tide at dusk"


@pytest.fixture(scope="module")
def hashes() -> dict[str, str]:
    return {word: hash_of(word) + "\n" for word in (PASSWORD, OTHER)}


@pytest.fixture
def password_file(tmp_path: Path, hashes: dict[str, str]) -> Path:
    path = tmp_path / "page-password"
    path.write_text(hashes[PASSWORD])
    return path


@pytest.fixture
def locked(tmp_path: Path, password_file: Path) -> Iterator[Studio]:
    """Behind a proxy on this machine, which says whom it asks for."""
    with served(tmp_path, password_file=password_file, trusted_proxies=("127.0.0.1",)) as studio:
        yield studio


class Browser:
    """One more, at an address of its own."""

    def __init__(self, studio: Studio, address: str = "192.0.2.7") -> None:
        self.studio, self.requests = studio, requests.Session()
        self.requests.headers["x-forwarded-for"] = address

    def get(self, path: str) -> requests.Response:
        return self.requests.get(self.studio.url + path, timeout=TIMEOUT_S)

    def post(self, path: str, on: str, **fields: str) -> requests.Response:
        fields["token"] = token_on(self.get(on).text)
        return self.requests.post(self.studio.url + path, data=fields, timeout=TIMEOUT_S)

    def log_in(self, password: str = PASSWORD) -> int:
        return self.post("/login", "/login", password=password).status_code

    @property
    def is_in(self) -> bool:
        return "Touch today" in self.get("/").text


# --- without a password only this machine's own browsers are answered ---


@pytest.mark.parametrize(
    ("settings", "quoted"),
    [
        ({"address": "https://studio.example"}, r"web\.address: got 'https://studio.example'"),
        ({"address": "http://shed.local:8730"}, r"web\.address: got 'http://shed.local:8730'"),
        ({"address": "http://localhost:8730/studio"}, r"web\.address: got"),
        ({"hosts": ("localhost", "shed.local")}, r"web\.hosts: got 'shed.local'"),
        ({"trusted_proxies": ("127.0.0.1",)}, r"web\.trusted_proxies: got '127.0.0.1'"),
    ],
)
def test_a_page_that_others_may_reach_wants_a_password_at_the_start_and_in_check(
    tmp_path: Path, settings: dict[str, object], quoted: str
) -> None:
    web = WebSettings(**settings)  # type: ignore[arg-type]
    with Store.open(tmp_path / "studio.sqlite") as store:
        with pytest.raises(SettingsError, match=rf"{quoted}.*`curewatch password FILE` makes one"):
            make_app(Refresher(Desk(store, Settings(zone="UTC"))), web, HandClock(NOW))
        for locking in (store.lock_for_daemon, None):
            if locking is not None:
                with locking():
                    verdict, said = page_finding(tmp_path, web)
            else:
                verdict, said = page_finding(tmp_path, web)
            assert verdict is Verdict.FAIL
            assert re.search(quoted, said), said


@pytest.mark.parametrize(
    "header", ["X-Forwarded-For", "Forwarded", "X-Forwarded-Proto", "X-Forwarded-Host", "X-Real-IP", "Via"]
)
def test_what_came_through_a_proxy_is_not_answered_without_a_password(tmp_path: Path, header: str) -> None:
    with served(tmp_path) as studio:
        answer = studio.get("/", headers={header: "192.0.2.7"})
        assert (answer.status_code, "set-cookie" in answer.headers) == (403, False)
        assert "`curewatch password FILE` makes a password" in answer.text
        assert studio.get("/").status_code == 200
    plain = WebSettings(address="http://127.0.0.1:8730", hosts=("localhost", "::1"))
    assert plain.password_hash() is None, "what names this machine only is no way in from outside"


def test_a_proxy_that_is_not_believed_is_told_of_once(
    tmp_path: Path, password_file: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with served(tmp_path, password_file=password_file) as studio:
        for _ in range(3):
            assert Browser(studio).get("/login").status_code == 200
    assert caplog.text.count("all who come through 127.0.0.1 are one visitor: web.trusted_proxies") == 1


# --- sessions ---


def test_logging_out_ends_the_session_here_and_not_only_in_the_browser(locked: Studio) -> None:
    phone = Browser(locked)
    assert phone.log_in() == 200
    cookie = phone.requests.cookies["curewatch"]
    phone.post("/logout", "/")
    assert not phone.is_in
    thief = Browser(locked)
    thief.requests.cookies.set("curewatch", cookie)
    assert not thief.is_in


def test_who_is_in_is_listed_and_can_be_logged_out_one_by_one_or_everywhere(locked: Studio) -> None:
    phone, laptop = Browser(locked, "192.0.2.7"), Browser(locked, "192.0.2.8")
    phone.requests.headers["user-agent"] = "Mozilla/5.0 (Linux; Android 14) AppleWebKit/537.36 Chrome/130 Safari/537.36"
    assert {phone.log_in(), laptop.log_in()} == {200}
    page = laptop.get("/ways-in").text
    assert "Chrome on Android (192.0.2.7, since today" in words_of(page).replace("( ", "(")
    found = re.search(r'name="session" value="(\w+)"><p><b>Chrome on Android', page)
    assert found
    assert laptop.requests.cookies["curewatch"] not in page
    laptop.post("/ways-in/log-out", "/ways-in", session=found[1])
    assert (phone.is_in, laptop.is_in) == (False, True)
    assert phone.log_in() == 200
    laptop.post("/ways-in/log-out", "/ways-in")
    assert (phone.is_in, laptop.is_in) == (False, False)


def test_a_session_outlives_a_restart_and_ends_idle_or_old(locked: Studio, password_file: Path) -> None:
    phone = Browser(locked)
    phone.log_in()
    cookie = phone.requests.cookies["curewatch"]

    def is_known(after: timedelta) -> bool:
        sessions = Sessions(locked.store, Password(WebSettings(password_file=password_file)))
        listed = bool(sessions.all(NOW + after))
        found = sessions.known(cookie, NOW + after) is not None
        assert listed is found
        return found

    assert is_known(timedelta(hours=1))
    assert is_known(IDLE), "an hour before it was seen"
    assert not is_known(2 * IDLE + timedelta(hours=1)), "idle since"
    for day in range(6, LASTS.days, 6):
        assert is_known(timedelta(days=day))
    assert not is_known(LASTS), "it was seen often enough, and is over all the same"


def test_a_cookie_that_was_made_up_or_tampered_with_is_none(tmp_path: Path, password_file: Path) -> None:
    with Store.open(tmp_path / "studio.sqlite") as store:
        sessions = Sessions(store, Password(WebSettings(password_file=password_file)))
        cookie = sessions.stranger().cookie
        assert sessions.known(cookie, NOW) is not None
        for nonsense in (None, "", ".", "..", "a.b.c.d", cookie[:-1], "é" * 40, "\udcff", "x" * 43):
            assert sessions.known(nonsense, NOW) is None


# --- a changed password ---


def test_a_changed_password_counts_at_once_and_ends_every_session(
    locked: Studio, password_file: Path, hashes: dict[str, str]
) -> None:
    phone, pupil = Browser(locked), Browser(locked, "192.0.2.9")
    phone.log_in()
    made = phone.post("/ways-in", "/ways-in", name="Tuesday", kind="class", days="3", password=PASSWORD).text
    link = re.search(r"<code>\S+(/class/[\w-]+)</code>", made)
    assert link
    pupil.get(link[1])
    assert phone.is_in
    assert pupil.is_in
    replaced = password_file.with_name("new")
    replaced.write_text(hashes[OTHER])
    replaced.replace(password_file)  # as `curewatch password` does it
    assert not phone.is_in
    assert not pupil.is_in
    assert phone.log_in(PASSWORD) == 401
    assert phone.log_in(OTHER) == 200
    password_file.unlink()
    assert phone.get("/").status_code == 503, "nobody can say who is let in"


# --- tokens ---


def test_a_token_is_made_for_who_knows_the_password_and_has_an_end_and_a_last_use(locked: Studio) -> None:
    phone = Browser(locked)
    phone.log_in()
    refused = phone.post("/ways-in", "/ways-in", name="Logger", kind="record", days="10", password="not it")
    assert refused.status_code == 401
    assert "Nothing was made" in refused.text
    assert 'value="Logger"' in refused.text, "what was typed is not lost"
    made = phone.post("/ways-in", "/ways-in", name="Logger", kind="record", days="10", password=PASSWORD).text
    secret = re.search(r"<code>([\w-]{43})</code>", made)
    assert secret
    assert "never used" in made

    def code() -> int:
        bearer = {"authorization": f"Bearer {secret[1]}"}
        return requests.get(f"{locked.url}/api/v1/board", headers=bearer, timeout=TIMEOUT_S).status_code

    assert code() == 200
    locked.clock.move(timedelta(hours=2))
    assert "last used 2 h ago" in words_of(phone.get("/ways-in").text)
    locked.clock.move(timedelta(days=6))
    phone.get("/")
    assert code() == 200
    locked.clock.move(timedelta(days=4))
    assert code() == 401
    assert "expired" in phone.get("/ways-in").text
    for days in ("0", "4000", "x"):
        answer = phone.post("/ways-in", "/ways-in", name="Other", kind="read", days=days, password=PASSWORD)
        assert answer.status_code == 422
        assert "a whole number between 1 and 3650" in answer.text


# --- guessing ---


def test_five_wrong_tries_lock_the_guesser_and_not_the_owner(locked: Studio) -> None:
    owner = Browser(locked, "192.0.2.7")
    owner.log_in()
    owner.post("/logout", "/")
    guesser, neighbour = Browser(locked, "192.0.2.7"), Browser(locked, "192.0.2.8")
    assert [guesser.log_in(f"guess {n}") for n in range(TRIES + 1)] == [401] * TRIES + [429]
    assert guesser.log_in() == 429, "not even the right one, until the wait is over"
    assert neighbour.log_in() == 200, "another address is another"
    assert owner.log_in() == 200, "at the guesser's own address: this browser was let in before"


def test_slips_before_the_right_password_are_not_held_against_the_next_ones(
    locked: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    from curewatch.web.access import credentials

    monkeypatch.setattr(credentials.PasswordCheck, "_verifies", lambda check, password: password == PASSWORD)
    tries = [*["slip"] * (TRIES - 1), PASSWORD] * 2
    assert [Browser(locked).log_in(word) for word in tries] == [401 if word == "slip" else 200 for word in tries]


def test_guesses_from_many_addresses_keep_strangers_out_and_not_who_was_in_before(
    locked: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    from curewatch.web.access import credentials

    owner = Browser(locked)
    owner.log_in()
    owner.post("/logout", "/")
    monkeypatch.setattr(credentials.PasswordCheck, "_verifies", lambda check, password: password == PASSWORD)
    many = [Browser(locked, f"198.51.100.{n}").log_in("guess") for n in range(TRIES_OF_ALL + 2)]
    assert many == [401] * TRIES_OF_ALL + [429] * 2
    assert Browser(locked, "203.0.113.4").log_in() == 429
    assert owner.log_in() == 200
