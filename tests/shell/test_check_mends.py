"""Ways of breaking a studio: `curewatch check` names each, and doing what it says mends it.

What stands in backticks is done as it stands: a command is run, a line of the settings is put into their file.
"""

from __future__ import annotations

import io
import json
import os
import re
import shlex
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.daemon import machine
from curewatch.settings.writing import edited
from curewatch.store import Store
from curewatch.web.access.certificates import make_pair
from tests.shell.disks import small_disk
from tests.shell.parts import Broker, free_port, has_mosquitto

PASSWORD = "slack water at noon"
SECRET = "whsec_" + "A" * 32


@dataclass
class Studio:
    """A studio in a folder, well but for what each way of breaking it does."""

    folder: Path
    patch: pytest.MonkeyPatch
    capsys: pytest.CaptureFixture[str]
    until_end: ExitStack = field(default_factory=ExitStack)

    @property
    def config(self) -> Path:
        return self.folder / "studio.toml"

    @property
    def store(self) -> Path:
        return self.folder / "kept" / "studio.sqlite"

    def set(self, **changes: Any) -> None:
        """`web__port=1` is web.port."""
        edited(self.config, {name.replace("__", "."): value for name, value in changes.items()}).write()

    def begin(self) -> None:
        self.config.write_text("", encoding="utf-8")
        self.set(zone="UTC", web__port=free_port())
        Store.open(self.store).close()

    def found(self, name: str) -> dict[str, str]:
        """The worst of what check finds under that name."""
        self.capsys.readouterr()
        code = main(["check", "--json"])
        findings = json.loads(self.capsys.readouterr().out)["findings"]
        assert (code == 1) == any(one["verdict"] == "fail" for one in findings)
        assert all(bool(one["do"]) == (one["verdict"] != "ok") for one in findings), "what is amiss has its remedy"
        rank = ["ok", "warn", "fail"]
        of_it = [one for one in findings if one["name"] == name]
        return max(of_it, key=lambda one: rank.index(one["verdict"]), default={"verdict": "ok", "sentence": ""})

    def do(self, told: str) -> None:
        """As whoever reads it would."""
        changes = {}
        for line in re.findall("`([^`]+)`", told):
            if line.startswith("curewatch "):
                self.patch.setattr(sys, "stdin", io.StringIO(f"{PASSWORD}\n"))
                assert main(shlex.split(line)[1:]) == 0
            elif setting := re.fullmatch(r"([a-z_]+\.[a-z_]+) = (.*)", line):
                changes[setting[1]] = json.loads(setting[2])
            else:
                subprocess.run(line, shell=True, check=True)
        for file in re.findall(r"write the \S+.* into (\S+), and nothing else", told):
            Path(file).write_text(SECRET)
        if changes:
            edited(self.config, changes).write()


Mend = Callable[[str], None] | None
"""What mends it, where that is no command: a broker started, a clock set."""


def a_taken_port(studio: Studio) -> Mend:
    server = HTTPServer(("127.0.0.1", 0), BaseHTTPRequestHandler)
    studio.until_end.callback(server.server_close)
    studio.set(web__port=server.server_port)
    return None


def a_page_for_all_without_a_password(studio: Studio) -> Mend:
    studio.set(web__host="0.0.0.0")
    return None


def a_password_that_is_gone(studio: Studio) -> Mend:
    studio.set(web__password_file="no-such-file")
    return None


def an_address_of_another_machine(studio: Studio) -> Mend:
    (studio.folder / "page-password").write_text("$argon2id$v=19$m=65536,t=3,p=4$c2FsdHNhbHQ$aGFzaA")
    studio.set(web__host="192.0.2.7", web__password_file="page-password")
    return None


def a_certificate_that_soon_ends(studio: Studio) -> Mend:
    make_pair(studio.folder, ["localhost"], 5)
    studio.set(web={"certificate": "page-certificate.pem", "key": "page-key.pem", "port": free_port()})
    return None


def a_certificate_that_is_gone(studio: Studio) -> Mend:
    studio.set(web={"certificate": "shed.pem", "key": "shed.key", "port": free_port()})
    return None


def a_secret_that_all_may_read(studio: Studio) -> Mend:
    (studio.folder / "secret").write_text(SECRET)
    (studio.folder / "secret").chmod(0o644)
    studio.set(webhook={"url": f"http://127.0.0.1:{free_port()}/", "secret_file": "secret"})
    return None


def a_secret_that_is_gone(studio: Studio) -> Mend:
    studio.set(webhook={"url": f"http://127.0.0.1:{free_port()}/", "secret_file": "secret"})
    return None


def what_root_left_behind(studio: Studio) -> Mend:
    if os.geteuid() != 0:
        pytest.skip("only root can give files away")
    left = Path(f"{studio.store}.lock")
    left.touch()
    os.chown(studio.store, 65534, 65534)
    os.chown(left, 0, 0)
    return None


def a_full_disk(studio: Studio) -> Mend:
    disk = studio.until_end.enter_context(small_disk(studio.folder / "small", 16))
    studio.patch.setattr(machine, "LITTLE", 8e6)
    studio.patch.setattr(machine, "TOO_LITTLE", 1e6)
    moved = disk.folder / "studio.sqlite"
    Store.open(moved).close()
    studio.patch.setenv("CUREWATCH_STORE", str(moved))
    disk.fill()
    return lambda _: disk.make_room()


def backups_that_go_nowhere(studio: Studio) -> Mend:
    (studio.folder / "stick").touch()
    studio.set(backup__folder=str(studio.folder / "stick" / "shed"))
    return None


def a_damaged_store(studio: Studio) -> Mend:
    assert main(["backup"]) == 0
    for beside in studio.store.parent.glob("studio.sqlite-*"):
        beside.unlink()
    studio.store.write_bytes(b"bilge water" * 1000)
    return lambda do: studio.do(f"`{do[do.index('curewatch --store') :]}`")


def a_clock_that_is_off(studio: Studio) -> Mend:
    """Against the web's; setting this machine's comes to the same as the web's being set by it."""
    ahead = timedelta(hours=3)

    class Receiver(BaseHTTPRequestHandler):
        def date_time_string(self, timestamp: float | None = None) -> str:
            return format_datetime(datetime.now(UTC) + ahead, usegmt=True)

        def log_message(self, *_: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Receiver)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    studio.until_end.callback(server.server_close)
    studio.until_end.callback(server.shutdown)
    studio.set(heartbeat__url=f"http://127.0.0.1:{server.server_port}/alive")

    def set_clock(do: str) -> None:
        nonlocal ahead
        assert "set this machine's clock" in do
        ahead = timedelta(0)

    return set_clock


def a_broker_that_does_not_run(studio: Studio) -> Mend:
    if not has_mosquitto:
        pytest.skip("needs mosquitto")
    broker = Broker(studio.folder / "broker")
    studio.until_end.callback(broker.stop)
    sensor = {"id": "window", "room": "Shed", "topic": "shed/air"}
    studio.set(broker={"host": "127.0.0.1", "port": broker.port}, sensors=[sensor])
    return lambda _: broker.start()


def push_without_its_package(studio: Studio) -> Mend:
    (studio.folder / "push").write_text("json://127.0.0.1:9/\n")
    studio.set(services__addresses_file="push")
    studio.patch.setitem(sys.modules, "apprise", None)

    def install(do: str) -> None:
        assert f"`{sys.executable} -m pip install apprise`" in do
        studio.patch.delitem(sys.modules, "apprise")

    return install


def a_key_that_nobody_knows(studio: Studio) -> Mend:
    text = studio.config.read_text(encoding="utf-8")
    studio.config.write_text(f"{text}[walrus]\nshy = true\n", encoding="utf-8")
    return lambda _: Path(studio.config).write_text(text, encoding="utf-8") and None


def nobody_who_hears_of_a_dead_daemon(studio: Studio) -> Mend:
    return lambda _: studio.set(heartbeat__url=f"http://127.0.0.1:{free_port()}/alive")


WAYS = [
    (a_taken_port, "page", "port \\d+ is taken"),
    (a_page_for_all_without_a_password, "page", "web.host: got '0.0.0.0'"),
    (a_password_that_is_gone, "page", "no-such-file"),
    (an_address_of_another_machine, "page", "192.0.2.7"),
    (a_certificate_that_soon_ends, "page", "certificate /.*/page-certificate.pem is over on"),
    (a_certificate_that_is_gone, "page", "/shed.pem"),
    (a_secret_that_all_may_read, "files", "/secret .*may be read by everybody"),
    (a_secret_that_is_gone, "webhook", "/secret'"),
    (what_root_left_behind, "files", "of another owner than the store"),
    (a_full_disk, "disk", "only .* are free where"),
    (backups_that_go_nowhere, "backups", "/stick/shed cannot be written"),
    (a_damaged_store, "store", "is damaged"),
    (a_clock_that_is_off, "clock", "3 h behind what 127.0.0.1 says"),
    (a_broker_that_does_not_run, "broker", "nothing listens"),
    (push_without_its_package, "services", "not installed"),
    (a_key_that_nobody_knows, "settings", "walrus"),
    (nobody_who_hears_of_a_dead_daemon, "heartbeat", "nobody hears of it"),
]


@contextmanager
def well(folder: Path, patch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Iterator[Studio]:
    studio = Studio(folder, patch, capsys)
    patch.setenv("CUREWATCH_CONFIG", str(studio.config))
    patch.setenv("CUREWATCH_STORE", str(studio.store))
    studio.begin()
    with studio.until_end:
        yield studio


@pytest.mark.parametrize(("break_it", "name", "says"), WAYS, ids=[way.__name__ for way, _, _ in WAYS])
def test_what_is_broken_is_named_with_what_mends_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    break_it: Callable[[Studio], Mend],
    name: str,
    says: str,
) -> None:
    with well(tmp_path, monkeypatch, capsys) as studio:
        mend = break_it(studio) or studio.do
        found = studio.found(name)
        assert found["verdict"] != "ok"
        assert re.search(says, found["sentence"]), found
        for _ in range(3):  # what is mended may show what else is amiss there
            mend(found["do"])
            found = studio.found(name)
            if found["verdict"] == "ok":
                break
        assert not re.search(says, found["sentence"]), found
        assert found["verdict"] == "ok", found


def test_each_line_for_people_ends_with_the_one_thing_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    with well(tmp_path, monkeypatch, capsys):
        main(["check"])
        findings, by_the_clock = capsys.readouterr().out.split("\n\n")
        assert by_the_clock.startswith("by the clock")
        for line in findings.splitlines():
            assert line.startswith("OK ") != (". To do: " in line), line
