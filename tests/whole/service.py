"""curewatch as people run it: the commands in processes of their own, over one folder with settings and store."""

from __future__ import annotations

import functools
import os
import signal
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from curewatch.desk import Desk
from curewatch.records import DeliveryState
from curewatch.settings import load_settings
from curewatch.store import Store
from tests.shell.parts import Broker, Receiver, wait_for

SECRET = "whsec_" + "Ym9hdC1zaGVkLWJ5LXRoZS1yaXZlci0wMDE="
READY_WITHIN_S = 20.0


@dataclass
class Service:
    """The daemon as a subprocess, on the settings and the store in `folder`."""

    folder: Path
    process: subprocess.Popen[bytes] | None = None

    @property
    def store(self) -> Path:
        return self.folder / "studio.sqlite"

    def settings(self, receiver: Receiver, broker: Broker | None = None, sensors: str = "", members: int = 16) -> None:
        """Write the settings file; `sensors` is TOML."""
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "secret").write_text(SECRET)
        hook = f'[webhook]\nurl = "{receiver.url}"\nsecret_file = "secret"\ntimeout_s = 2\n'
        mqtt = f'[broker]\nhost = "127.0.0.1"\nport = {broker.port}\n' if broker else ""
        text = f'zone = "Europe/Helsinki"\n{mqtt}{sensors}\n{hook}\n[forecast]\nmembers = {members}\n'
        (self.folder / "curewatch.toml").write_text(text)

    def command(self, *arguments: str, fails_with: int = 0) -> str:
        """Run one command to its end; what it printed, stderr after stdout."""
        done = subprocess.run(self._argv(*arguments), env=self._environ(), capture_output=True, text=True, timeout=60)
        assert done.returncode == fails_with, done
        return done.stdout + done.stderr

    def start(self, within_s: float = READY_WITHIN_S) -> None:
        """Start the daemon and wait until it says that it is ready."""
        before = self.log().count("ready: ")
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self._argv("run", "--verbose"), env=self._environ(), stdout=log, stderr=log)
        wait_for(lambda: self.alive() and self.log().count("ready: ") > before, within_s, "the daemon being ready")

    def alive(self) -> bool:
        """True; an assertion with its log where it has ended."""
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        return True

    def log(self) -> str:
        path = self.folder / "log"
        return path.read_text() if path.exists() else ""

    def kill(self) -> None:
        """As a power cut would, as far as the process goes."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def end(self, number: signal.Signals = signal.SIGTERM) -> int:
        """Send the signal; the exit code."""
        assert self.process is not None
        self.process.send_signal(number)
        return self.process.wait(15)

    @functools.cached_property
    def desk(self) -> Desk:
        """A desk of this process on the same store, closed with the service."""
        return Desk(Store.open(self.store), load_settings(self.folder / "curewatch.toml"))

    def readings(self) -> int:
        with self.desk.store.read() as tx:
            return tx.counts()["readings"]

    def undelivered(self) -> int:
        with self.desk.store.read() as tx:
            return sum(delivery.state is not DeliveryState.DELIVERED for delivery in tx.deliveries())

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        if "desk" in self.__dict__:
            self.desk.store.close()
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)

    def _argv(self, *arguments: str) -> list[str]:
        where = ["--store", str(self.store), "--config", str(self.folder / "curewatch.toml")]
        return [sys.executable, "-m", "curewatch", *where, *arguments]

    def _environ(self) -> dict[str, str]:
        ours = {name: value for name, value in os.environ.items() if not name.startswith("CUREWATCH_")}
        return {**ours, "HOME": str(self.folder), "PYTHONUNBUFFERED": "1"}
