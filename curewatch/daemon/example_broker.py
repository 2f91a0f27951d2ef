"""The bundled example of a broker: mosquitto, set up from the settings, started and ended with the daemon.

Its configuration is `config/mosquitto.conf`, which deploy/compose.yaml uses too; what differs here is where its files
lie, whom it listens to, and that its one user is that of the settings.
"""

from __future__ import annotations

import base64
import hashlib
import logging
import os
import secrets
import signal
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

from curewatch.clock import Clock
from curewatch.settings import BrokerSettings, Settings, SettingsError, machine
from curewatch.settings.writing import write_whole

log = logging.getLogger(__name__)
AGAIN_AFTER_S, ENDS_WITHIN_S = 5.0, 5.0
ROUNDS = 101
"""Of PBKDF2, as mosquitto_passwd makes them."""


@contextmanager
def example_broker(settings: Settings, store: str, clock: Clock) -> Iterator[None]:
    """Runs within the block if it is set so. Where it cannot be started the watch goes on without."""
    broker, example = settings.broker, None
    if broker is not None and broker.start is not None:
        beside = (
            settings.file.parent if "://" in store and settings.file else Path(store).expanduser().absolute().parent
        )
        try:
            example = ExampleBroker(broker, beside / "broker", clock)
            example.start()
        except (SettingsError, OSError) as error:
            log.error("the example broker is not started: %s", error)
    try:
        yield
    finally:
        if example is not None:
            example.stop()


class ExampleBroker:
    """`start` and `stop` once each; in between it is started again whenever it ends."""

    def __init__(self, broker: BrokerSettings, folder: Path, clock: Clock) -> None:
        """SettingsError where there is no mosquitto, or its password cannot be read."""
        program, password = machine.mosquitto(), broker.password()
        if program is None:
            raise SettingsError([f"broker.start: {machine.NO_MOSQUITTO}"])
        assert password is not None  # the settings see to it
        self._program, self._broker, self._folder, self._clock = program, broker, folder, clock
        self._password = password.get_secret_value()
        self._stopping = threading.Event()
        self._process: subprocess.Popen[bytes] | None = None
        self._thread = threading.Thread(target=self._keep, name="example broker", daemon=True)

    def start(self) -> None:
        """OSError where its files cannot be written."""
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        write_whole(self._folder / "passwords", f"{self._broker.user}:{_hashed(self._password)}\n".encode())
        write_whole(self._folder / "mosquitto.conf", self._configured().encode())
        self._end_left_over()
        self._process = self._started()
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._process is None:
            return
        self._process.terminate()
        self._thread.join(ENDS_WITHIN_S)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()

    def _configured(self) -> str:
        here = {
            "listener": f"{self._broker.port} 127.0.0.1" if self._broker.start == "here" else str(self._broker.port),
            "password_file": f"{self._folder}/passwords",
            "persistence_location": f"{self._folder}/",
            "log_dest": "stderr",
        }
        lines = (files("curewatch") / "_config" / "mosquitto.conf").read_text(encoding="utf-8").splitlines()
        given = [line.partition(" ")[0] for line in lines]
        told = [f"{key} {here[key]}" if key in here else line for key, line in zip(given, lines, strict=True)]
        # started by root it would become another user, who may not read this folder
        own = ["user root"] if os.geteuid() == 0 else []
        return "\n".join([*told[1:], *own, f"pid_file {self._folder}/pid", "log_type error", "log_type warning", ""])

    def _end_left_over(self) -> None:
        """One that an earlier run was killed before it could end: it has the port still."""
        try:
            pid = int((self._folder / "pid").read_text())
            if str(self._folder) in Path(f"/proc/{pid}/cmdline").read_text():
                os.kill(pid, signal.SIGTERM)
                self._clock.wait(threading.Event(), 0.5)
        except (OSError, ValueError):
            pass  # there is none

    def _started(self) -> subprocess.Popen[bytes]:
        with (self._folder / "log").open("wb") as said:
            return subprocess.Popen(
                [self._program, "-c", str(self._folder / "mosquitto.conf")], stdin=subprocess.DEVNULL, stdout=said,
                stderr=said,
            )  # fmt: skip

    def _keep(self) -> None:
        complained = ""
        while self._process is not None:
            code = self._process.wait()
            if self._stopping.is_set():
                return
            said = (self._folder / "log").read_text(errors="replace").strip().splitlines()
            why = said[-1] if said else f"code {code}"
            if why != complained:  # once, however often it fails
                log.warning("the example broker ended (%s): it is started again every %g s", why, AGAIN_AFTER_S)
            complained = why
            if self._clock.wait(self._stopping, AGAIN_AFTER_S):
                return
            self._process = self._started()


def _hashed(password: str) -> str:
    """As mosquitto 2 keeps it: PBKDF2 with HMAC-SHA-512, from memory; a test has the program read it."""
    salt = secrets.token_bytes(12)
    made = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ROUNDS, 64)
    return f"$7${ROUNDS}${base64.b64encode(salt).decode()}${base64.b64encode(made).decode()}"
