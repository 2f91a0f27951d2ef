"""Where the system is none of POSIX: estimate, store and page run without what only that has.

No such machine runs the tests: a Python is stripped here of what Windows' has not, by its documentation of `os`,
`fcntl` and `socket`. Whether it runs on a real one nobody has tried.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from tests.shell.parts import free_port

STRIPPED = """
import fcntl as kept, os, shutil, socket, sys, types
shutil.disk_usage = lambda path: types.SimpleNamespace(free=1 << 40)  # which asks the system's own calls there
sys.path.insert(0, {root!r})
import asyncio, logging, subprocess, tempfile, uvicorn, multiprocessing  # of the library itself, whatever it needs
flock, exclusive, at_once, none = kept.flock, kept.LOCK_EX, kept.LOCK_NB, kept.LOCK_UN
for name in ("fcntl", "pwd", "grp", "resource", "termios", "pty"):
    sys.modules[name] = None
for name in ("geteuid", "getuid", "fchmod", "fchown", "chown", "statvfs", "pread", "pwrite", "fork", "O_NOFOLLOW",
             "ST_RDONLY", "mkfifo", "killpg"):
    delattr(os, name)
for name in ("AF_NETLINK",):
    delattr(socket, name)
msvcrt = types.ModuleType("msvcrt")
msvcrt.LK_NBLCK = 2
def locking(descriptor, mode, length):
    try:
        flock(descriptor, exclusive | at_once)
    except BlockingIOError:
        raise PermissionError(13, "Permission denied")  # as Windows says it
msvcrt.locking = locking
sys.modules["msvcrt"] = msvcrt
from curewatch.cli import main
for words in {lines!r}:
    code = main(["--config", {config!r}, "--store", {store!r}, *words])
    assert code == 0, (words, code)
"""
SERVED = """
import threading, urllib.request
from curewatch.store import AlreadyRunning, Store
from pathlib import Path
from curewatch.store.disk.lock import is_held
from curewatch.settings import load_settings
from curewatch.clock import SystemClock
from curewatch.daemon.page_server import PageServer
from curewatch.desk import Desk
from curewatch.desk.refresh.refresher import Refresher
settings = load_settings(Path({config!r}))
with Store.open({store!r}) as store, store.lock_for_daemon():
    assert is_held(Path({store!r}))
    try:
        with store.lock_for_daemon():
            raise SystemExit("two daemons")
    except AlreadyRunning as held:
        assert held.pid == os.getpid() or held.pid is None, held
    page = PageServer(Refresher(Desk(store, settings)), settings.web, SystemClock(), lambda: None)
    there = page.start()
    text = urllib.request.urlopen(there, timeout=60).read().decode()
    assert "Low tide" in text, text
    page.stop()
assert not is_held(Path({store!r}))
print("all of it")
"""


def test_estimate_store_and_page_run_without_what_only_posix_has(tmp_path: Path) -> None:
    (tmp_path / "studio.toml").write_text(f'zone = "UTC"\n[web]\nport = {free_port()}\n[forecast]\nmembers = 4\n')
    lines = [
        ["estimate", "--wet-thickness", "1mm", "--temperature", "21C", "--humidity", "50%", "--members", "4"],
        ["reading", "--room", "shed", "--temperature", "19C", "--humidity", "55%"],
        ["pour", "Low tide", *["--room", "shed", "--wet-thickness", "1mm", "--size", "30x40cm"]],
        ["board"], ["backup"], ["phone", "--dry-run"],
    ]  # fmt: skip
    told = {
        "root": str(Path(__file__).parents[2]), "lines": lines,
        "config": str(tmp_path / "studio.toml"), "store": str(tmp_path / "studio.sqlite"),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", (STRIPPED + SERVED).format(**told)], capture_output=True, text=True, timeout=240
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-4000:]
    assert done.stdout.endswith("all of it\n")


def test_no_date_is_written_in_a_way_that_only_glibc_knows() -> None:
    """`%-d` is none of C's: strftime raises ValueError at it on Windows."""
    inside = Path(__file__).parents[2] / "curewatch"
    written = [path for ending in ("py", "html") for path in inside.rglob(f"*.{ending}")]
    assert [str(path) for path in written if re.search(r"%[-_^#][a-zA-Z]", path.read_text(encoding="utf-8"))] == []
