"""From the demo to one's own studio, and settings that are changed under a running daemon: as a person meets both."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
import requests

from tests.shell.parts import free_port, wait_for
from tests.shell.web_parts import token_on

pytestmark = pytest.mark.whole
WITHIN_S = 30.0


@dataclass
class Machine:
    """A new one: an empty home, the commands, and nothing that says where things are."""

    home: Path
    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def config(self) -> Path:
        return self.home / ".config" / "curewatch" / "curewatch.toml"

    @property
    def own(self) -> Path:
        return self.home / ".local" / "share" / "curewatch" / "studio.sqlite"

    def set(self, text: str) -> None:
        self.config.parent.mkdir(parents=True, exist_ok=True)
        self.config.write_text(text)

    def environ(self) -> dict[str, str]:
        ours = {k: v for k, v in os.environ.items() if not k.startswith(("CUREWATCH_", "XDG_"))}
        return {**ours, "HOME": str(self.home), "PYTHONUNBUFFERED": "1"}

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        argv = [sys.executable, "-m", "curewatch", *words]
        return subprocess.run(argv, env=self.environ(), capture_output=True, text=True, timeout=60)

    def log(self) -> str:
        return (self.home / "log").read_text()

    @contextmanager
    def start(self) -> Iterator[None]:
        """As `sh deploy/start` runs it."""
        argv = [sys.executable, "-m", "curewatch", "run", "--or-demo"]
        with (self.home / "log").open("wb") as log:
            daemon = subprocess.Popen(argv, env=self.environ(), stdout=log, stderr=log)
        try:
            wait_for(lambda: "ready: " in self.log(), WITHIN_S, "the daemon being ready")
            yield
        finally:
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(20) == 0, self.log()
        assert "Traceback" not in self.log()


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    made = Machine(tmp_path, free_port())
    made.set(
        f'# the page\n[web]\nport = {made.port}\n\n[forecast]\nmembers = 8\n\n[webhook]\nurl = "http://127.0.0.1:9/"\n'
    )
    return made


def names(told: str) -> list[str]:
    return [piece["name"] for piece in json.loads(told)["pieces"]]


def test_the_demo_is_said_to_be_one_everywhere_until_ones_own_begins_in_a_store_that_never_held_it(
    machine: Machine,
) -> None:
    with machine.start(), requests.Session() as browser:
        for path in ("/", "/pour", "/plan", "/alarms", "/piece/Low%20tide", "/room/Sail%20loft", "/nothing/here"):
            assert "Demo: all of this is invented." in browser.get(machine.url + path, timeout=30).text, path
        assert not machine.own.exists()
        shown = machine.command("board", "--json")
        assert "Low tide" in names(shown.stdout)
        assert "this is the demo studio, all of it invented; `curewatch setup` begins your own" in shown.stderr
        assert "nobody is told" in machine.log(), "the webhook hears nothing of invented pieces"

        token = token_on(browser.get(f"{machine.url}/setup", timeout=30).text)
        begun = browser.post(f"{machine.url}/setup/begin", data={"token": token}, timeout=30)
        assert "Your studio is begun." in begun.text
        board = browser.get(f"{machine.url}/", timeout=30).text
        assert "Demo" not in board
        assert "Low tide" not in board
        shown = machine.command("board", "--json")
        assert names(shown.stdout) == []
        assert shown.stderr == ""
        assert "webhook 127.0.0.1" in machine.log(), "what is told of one's own is told"
    with machine.start():
        assert names(machine.command("board", "--json").stdout) == [], "from then on it is one's own that is watched"
        assert str(machine.own) in machine.log()


def test_a_studio_begun_at_the_command_line_takes_the_demos_place_under_the_running_daemon(machine: Machine) -> None:
    with machine.start():
        assert "has now begun" in machine.command("setup").stdout
        wait_for(lambda: f"ready: store {machine.own}, 0 pieces" in machine.log(), 15, "the daemon changing over")
        assert "is kept in" in machine.command("setup").stdout
        assert machine.command("pour", "Curlew", "--room", "Shed", "--layer", "thin").stderr == ""
        assert names(machine.command("board", "--json").stdout) == ["Curlew"]


def test_changed_settings_are_taken_up_while_it_runs_and_bad_ones_change_nothing(machine: Machine) -> None:
    machine.command("setup")
    sound = machine.config.read_text()

    def zone_shown() -> str:
        return re.search(r"\(([A-Za-z/]+)\)\. Dates", requests.get(machine.url, timeout=30).text)[1]  # type: ignore[index]

    with machine.start():
        machine.set(f'zone = "Europe/Madrid"\n{sound}')
        wait_for(lambda: zone_shown() == "Europe/Madrid", 15, "the new zone on the page")
        for broken, said in (
            ('zone = "Europe/Madird"\n' + sound, "did you mean 'Europe/Madrid'?"),
            (sound + 'secret_file = "nowhere"\n', "webhook.secret_file: cannot read"),
        ):
            machine.set(broken)
            wait_for(lambda said=said: said in machine.log(), 15, said)
            assert "what was set before goes on" in machine.log()
            assert zone_shown() == "Europe/Madrid"
        machine.set(f'zone = "Europe/Rome"\n{sound}')
        wait_for(lambda: zone_shown() == "Europe/Rome", 15, "what is sound again")
