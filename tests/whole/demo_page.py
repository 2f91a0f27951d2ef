"""The demo studio as a process of its own, for looking at its pages."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.shell.parts import free_port, wait_for


@contextmanager
def demo_page(folder: Path) -> Iterator[str]:
    """Where it is served by `curewatch run`; as in every start, the address is in the ready line."""
    port = free_port()
    (folder / "curewatch.toml").write_text(f'zone = "Europe/Lisbon"\n[forecast]\nmembers = 16\n[web]\nport = {port}\n')
    argv = [sys.executable, "-m", "curewatch", "--store", str(folder / "studio.sqlite"), "--config",
            str(folder / "curewatch.toml"), "run", "--or-demo"]  # fmt: skip
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen(argv, stdout=log, stderr=log)
    try:
        told = wait_for(
            lambda: re.search(r"ready: .*the page is at (http://\S+)", (folder / "log").read_text()), 40, "the page"
        )
        yield told[1]
    finally:
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(20) == 0, (folder / "log").read_text()
    assert "Traceback" not in (folder / "log").read_text()
