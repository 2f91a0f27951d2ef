"""How long a person waits for the command itself, on a warm disk: best of five runs of the installed command.

The baseline is the time that is promised, so a ratio above 1 keeps the promise.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

COMMAND = Path(sys.executable).with_name("curewatch")
ESTIMATE = ("estimate", "--wet-thickness", "1.2mm", "--temperature", "21C", "--humidity", "50%")
PROMISED = (
    ("curewatch --help", ("--help",), 0.3),
    ("curewatch estimate", ESTIMATE, 1.0),
    ("curewatch estimate --json", (*ESTIMATE, "--json"), 1.0),
)
RUNS = 5


def lines() -> Iterator[dict[str, Any]]:
    for name, arguments, promised in PROMISED:
        seconds = min(wall_seconds(arguments) for _ in range(RUNS))
        yield {
            "name": name,
            "value": round(seconds, 4),
            "unit": "s",
            "baseline": promised,
            "ratio": round(promised / seconds, 2),
        }


def wall_seconds(arguments: tuple[str, ...]) -> float:
    began = time.perf_counter()
    subprocess.run([COMMAND, *arguments], stdout=subprocess.DEVNULL, check=True, timeout=60)
    return time.perf_counter() - began
