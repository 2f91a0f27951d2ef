"""Whether the oldest of each package that pyproject.toml names still does: they are installed, and tests run with them.

uv finds them, with the newest of what they need themselves (`--resolution lowest-direct`); it is taken from the path or
installed into the trial's own environment. Asks the package index, as an installation does.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

LONG = True
"""Some minutes, and the net."""
ROOT = Path(__file__).resolve().parents[2]
TESTS = (
    "tests/core/test_settings.py", "tests/core/test_settings_writing.py", "tests/shell/test_store_facts.py",
    "tests/shell/test_scheduler.py", "tests/shell/test_photos.py", "tests/shell/test_web_board.py",
    "tests/shell/test_web_feeds.py", "tests/shell/test_web_sessions.py", "tests/shell/test_cli_studio.py",
    "tests/shell/test_mqtt_intake.py", "tests/shell/test_webhook.py",
)  # fmt: skip
"""Each package is used by some of them."""
TO_TEST = ("pytest", "pytest-timeout", "hypothesis", "standardwebhooks", "freezegun")


def lines() -> Iterator[Mapping[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-lowest-") as name:
        folder = Path(name)
        subprocess.run([sys.executable, "-m", "venv", folder / "v"], check=True)
        python, found = folder / "v" / "bin" / "python", folder / "lowest.txt"
        if (uv := shutil.which("uv")) is None:
            subprocess.run([python, "-m", "pip", "install", "-q", "uv"], check=True)
            uv = str(folder / "v" / "bin" / "uv")
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        asked = [uv, "pip", "compile", "-q", "--resolution", "lowest-direct", "--python-version", version]
        subprocess.run([*asked, "-o", found, "pyproject.toml"], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
        install = [uv, "pip", "install", "-q", "--python", python]
        subprocess.run([*install, "-r", found, *TO_TEST], check=True)
        subprocess.run([*install, "--no-deps", "--editable", ROOT], check=True)  # for the command
        # that an old one warns of what it will do otherwise one day is no fault of a bound
        run = [python, "-m", "pytest", "-q", "-o", "filterwarnings=default", "-p", "no:cacheprovider", *TESTS]
        done = subprocess.run(run, cwd=ROOT, capture_output=True, text=True)
        oldest = dict(re.findall(r"^([\w.-]+)==(\S+)$", found.read_text(encoding="utf-8"), re.M))
        if done.returncode != 0:
            raise RuntimeError(f"{done.stdout[-3000:]}\nwith {oldest}")
        passed = re.search(r"(\d+) passed", done.stdout)
        assert passed is not None, done.stdout
        yield {"name": "tests passed with the oldest of each package", "value": int(passed[1]), "unit": "tests",
               "baseline": None, "ratio": None, "oldest": oldest}  # fmt: skip
