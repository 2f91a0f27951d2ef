"""A machine with systemd as its first process, in namespaces made for it: its files outlast a start, and it can be
started anew. Needs root, and a kernel that lets root make them.

It sees no other services, and its /etc, /home, /opt, /srv, /usr/local and /var/lib are its own; /usr, /root and /tmp
are those of the machine that it runs on. Of what Debian begins at a start only what is asked for is begun: else it
would mount, set and clean what is not its own.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Self

from tests.shell.parts import wait_for

PROGRAMS = ("unshare", "nsenter", "systemctl", "setpriv", "/usr/bin/python3")
APART = ("--ipc", "--uts", "--mount", "--propagation=private")
DISK = """
for one in /var/lib /opt /srv /home; do mount -t tmpfs -o mode=755 tmpfs $one; done
mkdir -p /srv/over/etc /srv/over/usr/local /srv/work/etc /srv/work/usr/local /var/lib/systemd/linger /srv/root
for one in etc usr/local; do
    mount -t overlay -o lowerdir=/$one,upperdir=/srv/over/$one,workdir=/srv/work/$one overlay /$one
done
mount -t tmpfs tmpfs /etc/systemd/system
for one in sysinit basic multi-user network-online; do
    printf '[Unit]\\nDescription=nothing but what is asked for\\n' >/etc/systemd/system/$one.target
done
for one in /lib/systemd/system/*.wants; do mount -t tmpfs tmpfs $one; done
echo made
exec sleep infinity
"""
BOOT = """
mount -t tmpfs tmpfs /run
mount --make-rshared /   # as a machine has it: what the manager mounts for a service has to reach it
exec env -i container=other PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
    /lib/systemd/systemd --system --unit=multi-user.target --log-level=warning
"""
PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
LOG = "/srv/log"
"""What services say: there is no journal in there."""


class Machine:
    """Its files are there from the beginning; `boot` and `halt` start and end it, as often as one likes."""

    def __init__(self) -> None:
        require_all()
        words = ["unshare", "--mount", "--propagation=private", "sh", "-ec", DISK]
        self._disk = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self._disk.stdout is not None
        assert self._disk.stdout.readline() == "made\n", "its disk cannot be made"
        self._process: subprocess.Popen[bytes] | None = None
        self._init = self._disk.pid
        self.path(LOG).touch()

    def boot(self) -> float:
        """Start it; the seconds until its manager is up."""
        began = time.monotonic()
        into = ["nsenter", "-t", str(self._disk.pid), "--mount"]
        apart = ["unshare", "--pid", *APART, "--fork", "--kill-child", "--mount-proc"]
        self._process = subprocess.Popen([*into, *apart, "sh", "-ec", BOOT])
        self._init = wait_for(self._first, 20, "systemd")
        wait_for(lambda: self.asked("is-system-running") in ("running", "degraded"), 60, "systemd being up")
        return time.monotonic() - began

    def halt(self) -> None:
        """As when it is switched off properly: services are told to end, and then it ends."""
        assert self._process is not None
        self.asked("poweroff")
        self._process.wait(90)
        self._process, self._init = None, self._disk.pid

    def _first(self) -> int | None:
        assert self._process is not None
        children = Path(f"/proc/{self._process.pid}/task/{self._process.pid}/children").read_text().split()
        return int(children[0]) if children else None

    def inside(self, *argv: str) -> list[str]:
        """The command to run `argv` among these files and processes."""
        return ["nsenter", "-t", str(self._init), "--pid", "--mount", *argv]

    def typed(
        self, command: str, *, by: int = 0, env: Mapping[str, str] = {}, may_fail: bool = False, typed: str = ""
    ) -> str:
        """What it says to a command that somebody types at their home's prompt."""
        argv = self.at_prompt(command, by=by, env=env)
        done = subprocess.run(argv, capture_output=True, text=True, input=typed, timeout=900)
        assert may_fail or done.returncode == 0, (command, done.stdout, done.stderr, self.log())
        return done.stdout + done.stderr

    def at_prompt(self, command: str, *, by: int, env: Mapping[str, str] = {}) -> list[str]:
        """With nothing in its environment but what a login puts there; `by` is the number of who types it."""
        home = self.home(by)
        said = {"HOME": home, "PATH": PATH, "LANG": "C.UTF-8", "XDG_RUNTIME_DIR": f"/run/user/{by}", **env}
        who = ["setpriv", f"--reuid={by}", f"--regid={by}", "--init-groups"] if by else []
        words = [f"{name}={value}" for name, value in said.items()]
        return self.inside(*who, "env", "-i", *words, "sh", "-c", f"cd {home} && {command}")

    def home(self, by: int) -> str:
        return f"/home/u{by}" if by else "/srv/root"

    def add_user(self) -> int:
        """Somebody new, with an empty home; their number, which nobody has on the machine that this one runs on."""
        number = 4711
        subprocess.run(self.inside("useradd", "--uid", str(number), "--user-group", "--create-home", f"u{number}"),
                       check=True, capture_output=True)  # fmt: skip
        return number

    def asked(self, *words: str) -> str:
        command = self.inside("systemctl", *words)
        return subprocess.run(command, capture_output=True, text=True, timeout=120).stdout.strip()

    def shown(self, name: str) -> str:
        return self.asked("show", "--property", name, "--value", "curewatch")

    def path(self, inside: str) -> Path:
        return Path(f"/proc/{self._init}/root{inside}")

    def log(self) -> str:
        return self.path(LOG).read_text()

    def logs_to_file(self, unit: str = "/etc/systemd/system/curewatch.service") -> None:
        """Have what the service says written down."""
        drop_in = self.path(f"{unit}.d/log.conf")
        drop_in.parent.mkdir(parents=True, exist_ok=True)
        drop_in.write_text(f"[Service]\nStandardOutput=append:{LOG}\nStandardError=append:{LOG}\n")

    def watching(self) -> bool:
        return self.shown("ActiveState") == "active" and self.shown("StatusText") == "watching"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        for one in filter(None, (self._process, self._disk)):
            one.kill()
            one.wait(10)


def require_all() -> None:
    missing = [program for program in PROGRAMS if shutil.which(program) is None]
    if missing or os.geteuid() != 0:
        raise RuntimeError(f"needs root and these programs: {', '.join(missing) or 'all are here'}")
