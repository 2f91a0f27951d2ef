"""The demo studio as a process of its own, for looking at its pages, and a browser; fixtures of both."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from tests.shell.browser import Browser, chromium
from tests.shell.parts import free_port, wait_for
from tests.whole.clock_faults import LIBRARY, WALL_ALONE

MOMENT = datetime(2030, 12, 4, 16, 5, tzinfo=ZoneInfo("Europe/Lisbon"))
"""A winter's afternoon: the demo's dates and steps hang on the hour at which it is looked at, and with them how long
some lines are. Where the clock cannot be set (libfaketime) it is now."""


@contextmanager
def demo_page(folder: Path, at: datetime | None = None) -> Iterator[str]:
    """Where it is served by `curewatch run`; as in every start, the address is in the ready line. `at`: the moment at
    which its clock begins."""
    port = free_port()
    (folder / "curewatch.toml").write_text(f'zone = "Europe/Lisbon"\n[forecast]\nmembers = 16\n[web]\nport = {port}\n')
    argv = [sys.executable, "-m", "curewatch", "--store", str(folder / "studio.sqlite"), "--config",
            str(folder / "curewatch.toml"), "run", "--or-demo"]  # fmt: skip
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen(argv, stdout=log, stderr=log, env=os.environ | ({} if at is None else faked(at)))
    try:
        told = wait_for(
            lambda: re.search(r"ready: .*the page is at (http://\S+)", (folder / "log").read_text()), 40, "the page"
        )
        yield told[1]
    finally:
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(20) == 0, (folder / "log").read_text()
    assert "Traceback" not in (folder / "log").read_text()


def faked(at: datetime) -> dict[str, str]:
    """The environment in which a process takes that for now."""
    ahead_s = round((at - datetime.now(UTC)).total_seconds())
    return {"LD_PRELOAD": str(LIBRARY), "FAKETIME": f"{ahead_s:+d}s", **WALL_ALONE} if LIBRARY else {}


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with demo_page(tmp_path_factory.mktemp("studio"), MOMENT) as address:
        yield address


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser
