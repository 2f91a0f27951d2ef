"""From the download to a studio that watches, in one evening: gone through whole, and a painter's steps counted.

A machine with nothing on it (`own_systemd`) and a person new to it; a clone of this checkout as it is committed,
`sh deploy/start`, and from then on only the page in Chromium and what it says: own studio, broker with a password, a
sensor whose readings lie inside an object, a person told by push and mail, a program told by webhook, the page on a
phone, which is the only other machine of their network; then the service, the machine started anew, the first pour and
the first notices.

The network is one of its own, so that the page is at the port that the README names. What pip fetches is fetched
before, and kept for the next time; the installation itself is the real one.
"""

from __future__ import annotations

import ctypes
import json
import logging
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from platformdirs import user_cache_path

from tests.bench.own_systemd import Machine
from tests.shell.browser import chromium
from tests.shell.parts import Broker, Receiver, wait_for
from tests.shell.test_mail import Mailbox, serving
from tests.whole.painter import LOGIN, USER, Addresses, Painter, phone_net

LONG = True
"""About three minutes, and as much the first time."""
ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "slack water at noon"
PAGE = "http://127.0.0.1:8730"
"""As README.md says."""
NEW_NETWORK = 0x40000000  # CLONE_NEWNET of sched.h
WITHIN_S = 120.0
LIBC = ctypes.CDLL(None, use_errno=True)


def lines() -> Iterator[Mapping[str, Any]]:
    logging.getLogger("paho").setLevel(logging.CRITICAL)  # it grumbles at each message that was sent and is done
    with ExitStack() as parts:
        folder = Path(parts.enter_context(tempfile.TemporaryDirectory(prefix="curewatch-bench-")))
        machine = parts.enter_context(Machine())
        fetched = _prepare(machine)
        parts.enter_context(_own_net())
        broker = parts.enter_context(Broker(folder / "broker", users={USER: LOGIN}, port=1883))
        push, program = parts.enter_context(Receiver()), parts.enter_context(Receiver())
        mails, mail_port = parts.enter_context(serving(None, "none"))
        phone = parts.enter_context(phone_net())
        assert phone is not None
        machine.boot()
        evening = Evening(machine, Addresses(broker, push.port, mail_port, program.url), push, program, mails, phone)
        yield _line("fetched for pip before", fetched, "s")
        yield from evening.passes()


def _line(name: str, value: float, unit: str, **more: object) -> dict[str, Any]:
    return {"name": name, "value": round(value, 1), "unit": unit, "baseline": None, "ratio": None, **more}


def _prepare(machine: Machine) -> float:
    """The checkout as it is committed, to be cloned, and what pip would fetch; the seconds of that."""
    began = time.monotonic()
    git = ["git", "-C", str(ROOT), "-c", f"safe.directory={ROOT}"]
    subprocess.run(
        [*git, "bundle", "create", "--quiet", str(machine.path("/srv/curewatch.bundle")), "HEAD"], check=True
    )
    kept = user_cache_path("curewatch-bench", appauthor=False)
    pins = (ROOT / "deploy" / "constraints.txt").read_text(encoding="utf-8").partition("\n# To check it")[0]
    if not (kept / "pins.txt").is_file() or (kept / "pins.txt").read_text() != pins:
        shutil.rmtree(kept, ignore_errors=True)
        subprocess.run(["/usr/bin/python3", "-m", "venv", str(kept / "venv")], check=True)
        (kept / "wanted.txt").write_text(pins)
        pip = [str(kept / "venv/bin/python"), "-m", "pip", "download", "--quiet", "--no-deps", "--require-hashes"]
        subprocess.run([*pip, "-r", str(kept / "wanted.txt"), "-d", str(kept / "wheels")], check=True)
        (kept / "wanted.txt").rename(kept / "pins.txt")
    shutil.copytree(kept / "wheels", machine.path("/srv/wheels"))
    machine.path("/etc/pip.conf").write_text("[global]\nno-index = true\nfind-links = /srv/wheels\n")
    return time.monotonic() - began


class Evening:
    def __init__(
        self, machine: Machine, at: Addresses, push: Receiver, program: Receiver, mails: Mailbox, phone: str
    ) -> None:
        self.machine, self.at, self.push, self.program, self.mails, self.phone = (
            machine,
            at,
            push,
            program,
            mails,
            phone,
        )
        self.by = machine.add_user()
        self.home = machine.path(machine.home(self.by))

    def passes(self) -> Iterator[Mapping[str, Any]]:
        began = time.monotonic()
        with self._started() as took, chromium(self_signed=True) as browser:
            yield _line("cloned, installed and watching after", took, "s")
            painter = Painter(browser)
            painter.done["commands"] += 2
            browser.look(width=1000)
            browser.open(PAGE)
            painter.sets_up(self.at)
            there = self._on_the_phone(painter)
            says = self._service_on_page(painter)
        painter.done["commands"] += 2  # Ctrl-C, and what the page says
        yield _line("service installed and watching after", self._installed(says), "s")
        before = self._board()
        self.machine.halt()
        yield _line("machine started anew: watching after", self.machine.boot() + self._watching(), "s")
        assert self._board() == before
        with chromium(self_signed=True) as browser:
            painter.browser = browser
            browser.open(there)
            painter.fill(password=PASSWORD)
            painter.press("button.go")
            painter.pours()
            yield _line("first pour: the program told after", self._told(), "s")
            painter.reads("2", "55", "30 min ago", new_room="loft")
            painter.pours("1 h ago", room="loft")
            yield _line("frost by wet paint: told by push and mail after", self._warned(), "s")
        yield _line("a person's steps", painter.steps, "steps", **painter.done)
        yield _line("a person's time", painter.minutes, "min", pace_s="common practice, no source")
        yield _line("the machine's time, its waits for nobody among it", (time.monotonic() - began) / 60, "min")
        assert painter.minutes < 15

    @contextmanager
    def _started(self) -> Iterator[float]:
        """The README's first command, in a fresh clone, until Ctrl-C; the seconds until the page is there."""
        began = time.monotonic()
        clone = "git -c advice.detachedHead=false clone --quiet /srv/curewatch.bundle curewatch"
        command = f"{clone} && cd curewatch && exec sh deploy/start"
        with self.machine.path("/srv/started").open("wb") as said:
            argv = self.machine.at_prompt(command, by=self.by)
            terminal = subprocess.Popen(argv, stdout=said, stderr=said)
        try:
            wait_for(lambda: f"the page is at {PAGE}" in self._said() or terminal.poll(), 900, "the page")
            assert f"the page is at {PAGE}" in self._said(), self._said()
            yield time.monotonic() - began
        except BaseException:
            print(self._said()[-4000:], file=sys.stderr)
            raise
        finally:
            (daemon,) = Path(f"/proc/{terminal.pid}/task/{terminal.pid}/children").read_text().split()
            os.kill(int(daemon), signal.SIGINT)
            code = terminal.wait(30)
        assert code == 0, (code, self._said())
        assert "Traceback" not in self._said()

    def _said(self) -> str:
        return self.machine.path("/srv/started").read_text()

    def _on_the_phone(self, painter: Painter) -> str:
        """Set the password, go by what the page proposes and says, and open it there; the address."""
        painter.take("phone", "Saved", password=PASSWORD, https="yes")
        painter.sees("Password")  # past the warning, of which this browser makes none
        painter.done["presses"] += 2
        painter.fill(password=PASSWORD)
        painter.press("button.go")
        painter.sees("on the phone")
        there = re.search(r"open (https://\S+) there", painter.browser.text())
        assert there, painter.browser.text()
        with _in_net(self.phone), chromium(self_signed=True) as other:
            phone = Painter(other)
            other.look(width=390)
            other.open(there[1])
            phone.fill(password=PASSWORD)
            phone.press("button.go")
            phone.sees("boat shed")
            phone.done["presses"] += 2  # past the warning of a certificate that nobody vouches for
        painter.done.update(phone.done)
        return there[1]

    def _service_on_page(self, painter: Painter) -> str:
        """The command that the page names."""
        painter.press('footer a[href="/setup"]')
        painter.sees("opened at")
        found = re.search(r"sudo \S+ service install", painter.browser.text())
        assert found, painter.browser.text()
        return found[0]

    def _installed(self, says: str) -> float:
        began = time.monotonic()
        self.machine.logs_to_file()
        said = self.machine.typed(says.removeprefix("sudo "), env={"SUDO_USER": self.home.name})
        assert "The machine's service is active" in said, said
        for secret in ("broker", "webhook", "person-1"):
            assert f"is handed to the service as /run/credentials/curewatch.service/curewatch.{secret}." in said, said
        self._watching()
        roots = {str(one) for one in self.home.rglob("*") if one.lstat().st_uid != self.by}
        kept = sorted(one for one in roots if "__pycache__" not in one)  # Python goes on without writing those
        assert kept == [], f"what root leaves there its owner cannot replace: {kept}"
        return time.monotonic() - began

    def _watching(self) -> float:
        began = time.monotonic()
        wait_for(self.machine.watching, WITHIN_S, f"the service, of which there is {self.machine.log()!r}")
        return time.monotonic() - began

    def _board(self) -> Any:
        told = json.loads(self.machine.typed("curewatch board --json"))
        return [(room["name"], room["temp_c"]) for room in told["rooms"]]

    def _told(self) -> float:
        began = time.monotonic()
        wait_for(lambda: any(b'"milestone"' in one.body for one in self.program.requests), WITHIN_S, "the first notice")
        return time.monotonic() - began

    def _warned(self) -> float:
        """Ada, who is told of milestones once a day, of frost at once."""
        began = time.monotonic()
        wait_for(lambda: any(b"frost" in one.body for one in self.push.requests), WITHIN_S, "the push")
        wait_for(lambda: any("frost" in one["Subject"] for one in self.mails.mails), WITHIN_S, "the mail")
        return time.monotonic() - began


@contextmanager
def _own_net() -> Iterator[None]:
    """This thread, and what it starts, in a network of its own, with nothing in it but loopback."""
    with _in_net(None):
        subprocess.run(["ip", "link", "set", "lo", "up"], check=True)
        yield


@contextmanager
def _in_net(name: str | None) -> Iterator[None]:
    """In the named network namespace, or a new one."""
    with Path("/proc/thread-self/ns/net").open() as before:
        if name is None:
            done = LIBC.unshare(NEW_NETWORK)
        else:
            with Path(f"/run/netns/{name}").open() as there:
                done = LIBC.setns(there.fileno(), NEW_NETWORK)
        assert done == 0, os.strerror(ctypes.get_errno())
        try:
            yield
        finally:
            LIBC.setns(before.fileno(), NEW_NETWORK)
