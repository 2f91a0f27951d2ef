"""The unit of deploy/ under a systemd of its own: who hangs, dies or is misled, and whether that is noticed and mended.

What a person does with it as well: `curewatch service install` from a checkout with settings and a studio; then it is
restored, backed up, given a password, updated, downgraded and removed.

The unit is the one people install; a drop-in says where the program and its settings are, and shortens the watchdog so
that nobody waits ten minutes.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import requests

from curewatch import __version__
from curewatch.store.schema import HEAD
from tests.bench import own_systemd
from tests.shell.parts import free_port, wait_for
from tests.shell.web_parts import token_on

LONG = True
"""About six minutes."""

ROOT = Path(__file__).resolve().parents[2]
WATCHDOG_S = 12
PIECES = 400
"""So many that the forecast goes to worker processes."""
UNIT = ROOT / "deploy" / "curewatch.service"
STORE = "/var/lib/curewatch/studio.sqlite"
CONFIG = "/srv/trial/curewatch.toml"
PYTHON = "/usr/bin/python3"
"""The unit shuts homes off, and with them a Python that lives in one."""
SETTINGS = 'zone = "Europe/Helsinki"\n[forecast]\nmembers = 16\n[web]\nenabled = false\n'


class Machine(own_systemd.Machine):
    """With the unit installed and not yet started."""

    def __init__(self) -> None:
        super().__init__()
        site = next(path for path in sys.path if path.endswith("site-packages"))
        self.path("/srv/trial").mkdir()
        self.path(CONFIG).write_text(SETTINGS)
        self.path("/etc/systemd/system/curewatch.service").write_text(UNIT.read_text())
        self.logs_to_file()
        self.path("/etc/systemd/system/curewatch.service.d/trial.conf").write_text(
            f"[Service]\nWatchdogSec={WATCHDOG_S}\nExecStart=\nExecStart={PYTHON} -m curewatch run --verbose\n"
            f"Environment=PYTHONPATH={ROOT}:{site} PYTHONDONTWRITEBYTECODE=1\n"
            f"Environment=CUREWATCH_CONFIG={CONFIG}\n"
        )
        self.boot()

    @property
    def pid(self) -> int:
        """The daemon's number, as it is called out here."""
        inner = self.shown("MainPID")
        for status in Path("/proc").glob("[0-9]*/status"):
            try:
                text = status.read_text()
            except OSError:
                continue  # it has ended meanwhile
            numbers = re.search(r"^NSpid:\t(\d+)\t(\d+)$", text, re.MULTILINE)
            if numbers and numbers[2] == inner and "systemd" not in text.splitlines()[0]:
                return int(numbers[1])
        raise AssertionError(f"no process is {inner} in there: {self.log()}")

    def comes_back(self, restarts: int, within_s: float) -> float:
        """Seconds until it runs again, having been started by systemd for the so-manieth time."""
        began = time.monotonic()
        wait_for(lambda: self.shown("NRestarts") == str(restarts) and self.watching(), within_s, "the daemon back")
        return time.monotonic() - began


def lines() -> Iterator[Mapping[str, Any]]:
    with Machine() as machine:
        machine.asked("start", "curewatch")
        wait_for(machine.watching, 30, f"the daemon, which said {machine.shown('StatusText')!r}")
        yield _line("hardened unit: a schoolful forecast by its workers", _forecast(machine), "s", pieces=PIECES)
        os.kill(machine.pid, signal.SIGKILL)
        yield _line("killed: running again after", machine.comes_back(1, 60), "s")
        os.kill(machine.pid, signal.SIGSTOP)
        yield _line("stopped: noticed and running again after", machine.comes_back(2, 120), "s", watchdog_s=WATCHDOG_S)
        yield _line("alive, no progress: noticed after", _store_held(machine), "s", watchdog_s=WATCHDOG_S)
        yield _line("settings refused: started again", _refused(machine), "times")
        yield _line("exposure, of 10", _exposure(), "")
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as name, Machine() as machine:
        yield from _as_people_do(machine, Path(name))


def _line(name: str, value: float, unit: str, **more: object) -> dict[str, Any]:
    return {"name": name, "value": value, "unit": unit, "baseline": None, "ratio": None, **more}


def _forecast(machine: Machine) -> float:
    """Pour a schoolful through the command; the seconds of the look in which the daemon forecasts it."""
    for words in (
        "reading --room shed --temperature 18C --humidity 55%",
        *(f"pour Plank{k} --room shed --wet-thickness 1mm --times 100" for k in range(PIECES // 100)),
    ):
        done = _curewatch(machine, *words.split())
        assert done.returncode == 0, done.stderr
    # The commands have forecast them already; what is derived may be deleted, and the daemon makes all of it at once.
    machine.asked("stop", "curewatch")
    forget = f"import sqlite3; db = sqlite3.connect({STORE!r}); db.execute('DELETE FROM forecasts'); db.commit()"
    subprocess.run(machine.inside(sys.executable, "-c", forget), check=True)
    machine.asked("start", "curewatch")
    whole = rf"looked: {PIECES} forecasts, .* in ([\d.]+) s"
    return float(wait_for(lambda: re.search(whole, machine.log()), 120, "the forecasts")[1])


def _curewatch(machine: Machine, *words: str) -> subprocess.CompletedProcess[str]:
    command = machine.inside(sys.executable, "-m", "curewatch", "--store", STORE, *words)
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=120)


def _store_held(machine: Machine) -> float:
    """Somebody holds the store's lock for ever: the loop turns, and nothing gets done."""
    words = (
        f"import sqlite3, time; db = sqlite3.connect({STORE!r}, isolation_level=None)",
        "db.execute('BEGIN IMMEDIATE'); print('held', flush=True); time.sleep(600)",
    )
    command = machine.inside(sys.executable, "-c", "; ".join(words))
    holder = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        began = time.monotonic()
        wait_for(lambda: machine.shown("NRestarts") == "3", 300, "the watchdog")
        noticed = time.monotonic() - began
    finally:
        for child in Path(f"/proc/{holder.pid}/task/{holder.pid}/children").read_text().split():
            os.kill(int(child), signal.SIGKILL)  # nsenter's own, which holds it
        holder.kill()
        holder.wait(10)
    machine.comes_back(int(machine.shown("NRestarts")), 120)
    return noticed


def _refused(machine: Machine) -> int:
    """Settings that cannot be used: it ends with 2, and is left alone until a person has mended them."""
    before = int(machine.shown("NRestarts"))
    machine.path(CONFIG).write_text("zone = 5\n")
    machine.asked("restart", "curewatch")
    wait_for(lambda: machine.shown("ActiveState") == "failed", 30, "the refusal")
    time.sleep(8)  # longer than RestartSec
    assert machine.shown("ExecMainStatus") == "2", machine.log()
    assert machine.shown("ActiveState") == "failed"
    return max(0, int(machine.shown("NRestarts")) - before)


def _exposure() -> float:
    told = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)], capture_output=True, text=True
    )
    found = re.search(r"exposure level for \S+: ([\d.]+)", told.stdout)
    assert found, told
    return float(found[1])


SERVED = "/usr/local/bin/curewatch"
LATER = """
from alembic import op

revision, down_revision = "9999", "{head}"


def upgrade() -> None:
    op.execute("CREATE TABLE later (id INTEGER PRIMARY KEY)")
"""
"""A migration of a program that is not written yet."""
OWN = """zone = "Europe/Helsinki"
[web]
port = {port} # mine
[webhook]
url = "http://127.0.0.1:9/"
secret_file = "hook"
[backup]
folder = "/srv/disk/copies"
"""


def _as_people_do(machine: Machine, folder: Path) -> Iterator[Mapping[str, Any]]:
    """Each step by a command without options, as root; after each the daemon watches what is its own."""
    port = free_port()
    _bare(machine, OWN.format(port=port))
    own = "--config", "/srv/trial/own/studio.toml", "--store", "/srv/trial/own/studio.sqlite"
    this = sys.executable, "-m", "curewatch"
    _typed(machine, *this, *own, *["reading", "--room", "shed", "--temperature", "18C", "--humidity", "55%"])
    took, said = _install(machine, ROOT, *own)
    yield _line("installed and watching after", took, "s")
    assert "handed to the service as /run/credentials/curewatch.service/curewatch.webhook" in said
    assert "shed" in _typed(machine, SERVED, "board")
    told = _typed(machine, SERVED, "check", may_fail=True)
    assert "127.0.0.1:9, signed" in told, told
    _typed(machine, SERVED, "backup")
    copies = machine.path("/srv/disk/copies")
    assert {one.stat().st_uid for one in copies.iterdir()} == {copies.stat().st_uid} != {0}
    _typed(machine, SERVED, *["reading", "--room", "loft", "--temperature", "18C", "--humidity", "55%"])
    machine.asked("stop", "curewatch")
    _typed(machine, SERVED, "restore")
    yield _line("restored and watching after", _started(machine), "s")
    assert "loft" not in _typed(machine, SERVED, "board")
    _typed(machine, SERVED, "password", typed="slack water at noon\n")
    wait_for(lambda: _let_in(port, "slack water at noon"), 30, "the page with its new password")
    took, said = _install(machine, _later_version(folder / "later"))
    yield _line("updated and watching after", took, "s")
    before = max(copies.glob("*.sqlite"))
    assert str(before.name) in said
    assert "0.2.0" in _typed(machine, SERVED, "--version")
    _, said = _install(machine, ROOT, may_fail=True)
    assert "journalctl -u curewatch" in said
    assert "newer" in machine.log()
    machine.asked("stop", "curewatch")
    _typed(machine, SERVED, "restore", f"/srv/disk/copies/{before.name}")
    yield _line("downgraded, restored and watching after", _started(machine), "s")
    assert "shed" in _typed(machine, SERVED, "board")
    yield from _as_one_person_does(machine)
    _typed(machine, *this, "service", "remove")
    gone = ("/opt/curewatch", "/etc/systemd/system/curewatch.service", "/etc/systemd/system/curewatch.service.d")
    yield _line("removed: left of the program", sum(machine.path(one).exists() for one in gone), "places")
    assert machine.path("/var/lib/private/curewatch/studio.sqlite").exists()


def _as_one_person_does(machine: Machine) -> Iterator[Mapping[str, Any]]:
    """A service of their own, by the program that lies there for all; then the machine is started anew."""
    by = machine.add_user()
    config = f"{machine.home(by)}/.config/curewatch"
    machine.typed(f"mkdir -p {config} && printf '[web]\\nport = {free_port()}\\n' >{config}/curewatch.toml", by=by)
    machine.typed(f"{SERVED} reading --room attic --temperature 18C --humidity 55%", by=by)
    _logins(machine)
    # their own `--linger` needs polkit, which a machine without a desktop may not have
    machine.typed(f"loginctl enable-linger u{by}")
    wait_for(lambda: machine.path(f"/run/user/{by}/systemd/private").exists(), 30, "their manager")
    began = time.monotonic()
    said = machine.typed(f"{SERVED} service install", by=by)
    assert "Your service is active (watching) and starts when you log in." in said, said
    assert "It ends when you log out" not in said, "it lingers"
    yield _line("a person's own: installed and watching after", time.monotonic() - began, "s")
    machine.halt()
    machine.boot()
    began = time.monotonic()
    wait_for(machine.watching, 60, f"the machine's service, which said {machine.log()}")
    _logins(machine)
    status = f"{SERVED} service status --json"
    wait_for(lambda: '"watching"' in machine.typed(status, by=by, may_fail=True), 60, "their own service")
    yield _line("started anew: both watching after", time.monotonic() - began, "s")
    for whose, room in ((0, "shed"), (by, "attic")):
        assert room in machine.typed(f"{SERVED} board", by=whose)
    assert "is gone" in machine.typed(f"{SERVED} service remove", by=by)
    assert not machine.path(f"{machine.home(by)}/.config/systemd/user/curewatch.service").exists()
    assert "attic" in machine.typed(f"{SERVED} board", by=by)


def _logins(machine: Machine) -> None:
    """What Debian begins at each start: it begins the managers of those who linger."""
    machine.asked("start", "dbus.socket", "systemd-logind")


def _bare(machine: Machine, settings: str) -> None:
    """Nothing is installed, and a person has settings, a secret and an empty folder."""
    machine.path("/etc/systemd/system/curewatch.service").unlink()
    machine.path("/etc/systemd/system/curewatch.service.d/trial.conf").unlink()
    own = machine.path("/srv/trial/own")
    own.mkdir()
    (own / "studio.toml").write_text(settings)
    (own / "hook").write_text("whsec_c2hlZC1zaGVkLXNoZWQtc2hlZC1zaGVk")


def _typed(machine: Machine, *command: str, typed: str = "", may_fail: bool = False, of: Path = ROOT) -> str:
    environ = {**os.environ, "PYTHONPATH": str(of) if command[0] == sys.executable else ""}
    done = subprocess.run(
        machine.inside(*command), cwd=of, env=environ, input=typed, capture_output=True, text=True, timeout=600
    )
    assert may_fail or done.returncode == 0, (command, done.stdout, done.stderr, machine.log())
    return done.stdout + done.stderr


def _install(machine: Machine, of: Path, *own: str, may_fail: bool = False) -> tuple[float, str]:
    """From a checkout; the seconds until it watches, and what was said."""
    began = time.monotonic()
    command = (sys.executable, "-m", "curewatch", *own, "service", "install")
    said = _typed(machine, *command, may_fail=may_fail, of=of)
    if not may_fail:
        wait_for(machine.watching, 60, f"the daemon, which said {machine.log()}")
        owners = {one.stat().st_uid for one in machine.path("/var/lib/private/curewatch").rglob("*")}
        assert len(owners) == 1, owners
        assert 0 not in owners
    return time.monotonic() - began, said


def _started(machine: Machine) -> float:
    began = time.monotonic()
    machine.asked("reset-failed", "curewatch")
    machine.asked("start", "curewatch")
    wait_for(machine.watching, 60, f"the daemon, which said {machine.log()}")
    return time.monotonic() - began


def _let_in(port: int, password: str) -> bool:
    there = f"http://127.0.0.1:{port}"
    with requests.Session() as browser:
        page = browser.get(f"{there}/login", timeout=20).text
        if 'name="password"' not in page:
            return False
        fields = {"token": token_on(page), "password": password, "next": "/"}
        return "Touch today" in browser.post(f"{there}/login", data=fields, timeout=20).text


def _later_version(tree: Path) -> Path:
    """A copy of this checkout that is a version on, and has changed the store."""
    leave = shutil.ignore_patterns("__pycache__", "*.so", "*.egg-info", "build")
    for name in ("curewatch", "config", "deploy"):
        shutil.copytree(ROOT / name, tree / name, symlinks=True, ignore=leave)
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, tree / name)
    schema = tree / "curewatch" / "store" / "schema.py"
    versions = tree / "curewatch" / "store" / "migrations" / "versions"
    (versions / "v9999_later.py").write_text(LATER.format(head=HEAD))
    for path, old, new in (
        (schema, f'HEAD = "{HEAD}"', 'HEAD = "9999"'),
        (tree / "curewatch" / "__init__.py", f'__version__ = "{__version__}"', '__version__ = "0.2.0"'),
        (tree / "pyproject.toml", f'version = "{__version__}"', 'version = "0.2.0"'),
    ):
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))
    return tree
