"""From a page of this machine alone to one that a phone opens: what is written, what answers, and what is refused."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import subprocess
import sys
import tomllib
from pathlib import Path
from unittest import mock

import pytest

from curewatch.cli import main
from curewatch.daemon import Verdict
from curewatch.settings import WebSettings, load_settings, machine
from curewatch.settings.page import ALONE
from curewatch.web.access.credentials import hash_of
from tests.shell.parts import free_port
from tests.shell.test_page_check import page_finding
from tests.shell.web_parts import PASSWORD, get, served

ADDRESSES_FOUND, NAMES_FOUND = machine.addresses, machine.names
ADDRESSES, NAMES = ("192.0.2.7", "2001:db8::7"), ("shed.local", "shed", "shed.example")
COMMENTED = "# mine\n[web]\nport = {port} # beside the other one\n"


@pytest.fixture(autouse=True)
def this_machine() -> object:
    """A machine of which everything is known, whatever the tests run on."""
    with (
        mock.patch.object(machine, "addresses", return_value=ADDRESSES),
        mock.patch.object(machine, "names", return_value=NAMES),
        mock.patch.object(machine, "answers_by_name", return_value=False),
    ):
        yield


@pytest.fixture(scope="module")
def password_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("secret") / "page-password"
    path.write_text(hash_of(PASSWORD))
    return path


def phone(folder: Path, capsys: pytest.CaptureFixture[str], *options: str, typed: str = PASSWORD, code: int = 0) -> str:
    """What the command says, given a password on its input."""
    base = "--config", str(folder / "studio.toml"), "--store", str(folder / "studio.sqlite")
    with mock.patch.object(sys, "stdin", mock.Mock(isatty=lambda: False, readline=lambda: f"{typed}\n")):
        assert main([*base, "phone", *options]) == code
    told = capsys.readouterr()
    return told.out + told.err


def test_one_command_takes_a_page_to_a_phone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Settings with their comments, the password, run, check, page, labels and calendar: one story."""
    port = free_port()
    file = tmp_path / "studio.toml"
    file.write_text(COMMENTED.format(port=port))
    assert "\n+host = " in phone(tmp_path, capsys, "--dry-run")
    assert os.listdir(tmp_path) == ["studio.toml"]
    said = phone(tmp_path, capsys)
    there = f"http://192.0.2.7:{port}"
    assert file.read_text() == COMMENTED.format(port=port) + (
        f'password_file = "page-password"\nhost = "0.0.0.0"\naddress = "{there}"\n'
    )
    held = tmp_path / "page-password"
    assert (held.stat().st_mode & 0o777, held.read_text()[:7]) == (0o600, "$argon2")
    for way in (there, f"http://[2001:db8::7]:{port}", f"http://shed.local:{port}", f"http://shed:{port}"):
        assert f"  {way}\n" in said
    assert "in the clear" in said
    assert f"Point the phone's camera at this, which is {there}:" in said
    again = phone(tmp_path, capsys, "--json", typed="never asked for")
    assert json.loads(again)["difference"] == ""
    web = load_settings(file).web
    assert page_finding(tmp_path, web)[1].startswith(f"will be at {there} while the daemon runs")
    with served(tmp_path, **web.model_dump(include={"host", "password_file", "address"})) as studio:
        login = studio.post("/login", {"password": PASSWORD, "next": "/"})
        assert "Touch today" in login.text
        studio.pour()
        label = get(studio, "/labels")[0]
        assert label["link"] == f"{there}/p/{label['code']}"
        assert studio.page("/labels").count('class="qr"') == 1
        assert f"URL:{there}" in studio.get("/calendar.ics").text


OURS = ("192.0.2.7", "[2001:db8::7]", "10.0.0.9", "shed.local", "SHED.local.", "shed", "shed.example", "localhost")
STRANGERS = (
    "evil.example", "shed.local.evil.example", "192.0.2.7.evil.example", "shed.evil.example", "3221225991",
    "0xc0.0.2.7", "192.0.2", "0.0.0.0", "[::]", "", "shed.local@evil.example", "localhost.evil.example", "vshed.local",
)  # fmt: skip


def test_the_machines_own_names_and_any_address_are_answered_to_and_no_name_that_a_stranger_points_at_it(
    tmp_path: Path, password_file: Path
) -> None:
    with served(tmp_path, host="0.0.0.0", password_file=password_file) as studio:
        for host in OURS:
            answer = studio.get("/login", headers={"host": f"{host}:{studio.web.port}"})
            assert (host, answer.status_code, 'name="password"' in answer.text) == (host, 200, True)
        for host in STRANGERS:
            answer = studio.get("/login", headers={"host": host})
            assert (host, answer.status_code in (400, 421), 'name="password"' in answer.text) == (host, True, False)
            assert answer.status_code == 400 or "`curewatch phone` tells what it answers to" in answer.text


def test_a_page_of_this_machine_alone_answers_to_no_more_than_before(tmp_path: Path) -> None:
    with served(tmp_path) as studio:
        for host in ("192.0.2.7", "shed.local", "shed"):
            assert studio.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("wide", [False, True])
def test_what_is_printed_or_passed_on_names_no_address_that_reaches_nobody(
    tmp_path: Path, password_file: Path, wide: bool
) -> None:
    """127.0.0.1 on a phone is the phone, and 0.0.0.0 nobody: labels, calendar and links say what mends it instead."""
    settings = {"host": "0.0.0.0", "password_file": password_file} if wide else {}
    with served(tmp_path, **settings) as studio:
        if wide:
            studio.post("/login", {"password": PASSWORD, "next": "/"})
        studio.pour()
        studio.read()
        sheet = studio.page("/labels")
        assert "No codes" in sheet
        assert (sheet.count('<section class="label">'), sheet.count('class="qr"')) == (1, 0)
        assert str(ALONE) in sheet
        assert get(studio, "/labels")[0]["link"] is None
        calendar = studio.get("/calendar.ics").text.replace("\r\n ", "")
        assert str(ALONE).split(":")[0] in calendar.replace("\\", "")
        assert not re.search(r"0\.0\.0\.0|127\.0\.0\.1", sheet + calendar)
        made = studio.post("/ways-in", {"name": "Class", "kind": "class", "days": "3", "password": PASSWORD}).text
        assert f"A link opens nothing on a phone: {ALONE}" in made
        assert "0.0.0.0" not in made
        if wide:
            assert f"http://192.0.2.7:{studio.web.port}/class/" in made, "where this machine is seen now"


def test_labels_say_that_their_codes_reach_nobody_once_the_machine_has_another_address(
    tmp_path: Path, password_file: Path
) -> None:
    there = {"host": "0.0.0.0", "password_file": password_file, "address": "http://192.0.2.7:8730"}
    with served(tmp_path, **there) as studio:
        studio.post("/login", {"password": PASSWORD, "next": "/"})
        studio.pour()
        assert "reach nobody" not in studio.page("/labels")
        with mock.patch.object(machine, "addresses", return_value=("192.0.2.9",)):
            assert "These codes reach nobody: they name 192.0.2.7" in studio.page("/labels")


def test_run_and_check_name_the_address_that_opens(tmp_path: Path, password_file: Path) -> None:
    web = WebSettings(host="0.0.0.0", port=free_port(), password_file=password_file)
    verdict, said = page_finding(tmp_path, web)
    assert (verdict, f"http://192.0.2.7:{web.port}" in said, "0.0.0.0" in said) == (Verdict.WARN, True, False)
    assert "http://192.0.2.7:" in WebSettings(host="0.0.0.0").shown_address
    assert WebSettings(host="::").ways[1] == "http://[2001:db8::7]:8730"
    assert WebSettings(host="192.0.2.7").ways == ("http://192.0.2.7:8730",)


def test_an_address_that_the_machine_has_no_more_is_found_out_and_mended(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], password_file: Path
) -> None:
    port = free_port()
    text = f'[web]\nport = {port}\nhost = "0.0.0.0"\naddress = "http://192.0.2.99:{port}"\n'
    text += f'password_file = "{password_file}"\n'
    (tmp_path / "studio.toml").write_text(text)
    verdict, said = page_finding(tmp_path, load_settings(tmp_path / "studio.toml").web)
    assert verdict is Verdict.WARN
    assert "192.0.2.99 is no address of this machine any more" in said
    assert f"http://192.0.2.7:{port}" in phone(tmp_path, capsys)
    assert load_settings(tmp_path / "studio.toml").web.address == f"http://192.0.2.7:{port}"


def test_https_makes_the_pair_and_one_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "studio.toml").write_text(f"[web]\nport = {free_port()}\n")
    said = phone(tmp_path, capsys, "--https", "--address", "https://shed.local:8730/")
    web = load_settings(tmp_path / "studio.toml").web
    assert (web.reached_at, web.is_secure, web.tls() is not None) == ("https://shed.local:8730", True, True)
    told = ["openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", str(tmp_path / "page-certificate.pem")]
    assert subprocess.run(told, capture_output=True, text=True, check=True).stdout.split("=")[1] in said
    assert "in the clear" not in said
    shown = subprocess.run(
        ["openssl", "x509", "-in", str(tmp_path / "page-certificate.pem"), "-noout", "-ext", "subjectAltName"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    for name in ("DNS:shed.local", "IP Address:192.0.2.7", "DNS:shed.example"):
        assert name in shown


def test_behind_a_proxy_nothing_is_opened_wider(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "studio.toml").write_text('[web]\ntrusted_proxies = ["127.0.0.1"]\n')
    assert "--address: missing, expected the address at which the proxy" in phone(tmp_path, capsys, code=2)
    assert "  https://house.example/studio\n" in phone(tmp_path, capsys, "--address", "https://house.example/studio")
    held = tomllib.loads((tmp_path / "studio.toml").read_text())["web"]
    assert (held.get("host"), held["address"]) == (None, "https://house.example/studio")


@pytest.mark.parametrize(
    ("options", "typed", "says"),
    [
        ((), "short", "the password: got '5 characters', expected"),
        (("--address", "shed"), PASSWORD, "web.address: got 'shed', expected an http:// or https:// address"),
    ],
)
def test_what_cannot_be_taken_leaves_everything_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], typed: str, says: str
) -> None:
    (tmp_path / "studio.toml").write_text('zone = "UTC"\n')
    assert says in phone(tmp_path, capsys, *options, typed=typed, code=2)
    assert (tmp_path / "studio.toml").read_text() == 'zone = "UTC"\n'
    assert os.listdir(tmp_path) == ["studio.toml"]


def test_root_means_the_machines_service_once_it_is_set_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from curewatch.settings import config_path, loading, store_location

    monkeypatch.setattr(loading, "SYSTEM_CONFIG", tmp_path / "curewatch.toml")
    monkeypatch.setattr(os, "geteuid", lambda: 0, raising=False)
    assert store_location(None, {}, config_path(None, {})) != str(loading.SYSTEM_STORE)
    (tmp_path / "curewatch.toml").write_text("")
    assert config_path(None, {}) == tmp_path / "curewatch.toml"
    assert store_location(None, {}, config_path(None, {})) == str(loading.SYSTEM_STORE)
    assert store_location("x.sqlite", {}, config_path(None, {})) == str(Path("x.sqlite").absolute())
    monkeypatch.setattr(os, "geteuid", lambda: 1000, raising=False)
    assert config_path(None, {}) != tmp_path / "curewatch.toml"


def test_in_a_container_no_address_is_guessed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Those it sees lead to it from its host alone."""
    monkeypatch.setenv(machine.IN_CONTAINER, "1")
    monkeypatch.setattr(machine, "addresses", ADDRESSES_FOUND)
    monkeypatch.setattr(machine, "names", NAMES_FOUND)
    (tmp_path / "studio.toml").write_text("")
    assert "--address: missing, expected what phones type" in phone(tmp_path, capsys, code=2)
    said = phone(tmp_path, capsys, "--address", "http://shed.local:8730")
    assert [line for line in said.splitlines() if line.startswith("  http")] == ["  http://shed.local:8730"]
    assert load_settings(tmp_path / "studio.toml").web.reached_at == "http://shed.local:8730"


def test_a_question_that_is_broken_off_ends_as_interrupted(tmp_path: Path) -> None:
    """By Ctrl-D: who runs the tests in the background has Ctrl-C ignored for all that they start."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "curewatch", "--store", str(tmp_path / "s.sqlite"), "setup", "person"]
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True) as asked:
        said = b""
        while b"Who is told" not in said:
            said += os.read(ours, 1024)
        for _ in range(100):  # until it reads, what is typed may be taken for a line of text
            os.write(ours, b"\x04")
            try:
                code = asked.wait(0.2)
                break
            except subprocess.TimeoutExpired:
                continue
        else:
            asked.kill()
            pytest.fail("it goes on asking")
        said += os.read(ours, 4096) if select.select([ours], [], [], 0.2)[0] else b""
    os.close(theirs)
    os.close(ours)
    assert code == 130
    assert b"should not have happened" not in said
