"""How long a person waits for the command itself, on a warm disk: best of five runs of the installed command.

The baseline is the time that is promised, so a ratio above 1 keeps the promise. Then CPU seconds, best of three: of an
estimate, and of commands that read a store of 1,000 pieces of 64 members whose forecasts are up to date.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from curewatch.store import Store
from tests.bench import bench_rolling
from tests.refreshing import refresh

COMMAND = Path(sys.executable).with_name("curewatch")
ESTIMATE = ("estimate", "--wet-thickness", "1.2mm", "--temperature", "21C", "--humidity", "50%")
PROMISED = (
    ("curewatch --help", ("--help",), 0.3),
    ("curewatch estimate", ESTIMATE, 1.0),
    ("curewatch estimate --json", (*ESTIMATE, "--json"), 1.0),
)
RUNS = 5
GOAL_CPU_S = 0.3


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

    yield from with_a_store()


def with_a_store(pieces: int = 1000) -> Iterator[dict[str, Any]]:
    """CPU seconds of the commands that people give most, each a process of its own."""
    with tempfile.TemporaryDirectory() as where, pytest.MonkeyPatch.context() as patch:
        at = datetime.now(UTC).replace(second=0, microsecond=0)
        patch.setattr(bench_rolling, "END", at - timedelta(minutes=2))
        path = Path(where) / "studio.sqlite"
        with Store.open(path) as store:
            refresh(bench_rolling.filled(store, pieces), at)
        config = Path(where) / "curewatch.toml"
        config.write_text('zone = "UTC"\n[forecast]\nmembers = 64\n')
        here = ("--store", str(path), "--config", str(config))
        due = (at + timedelta(days=40)).strftime("%Y-%m-%d")
        for name, arguments in (
            ("curewatch estimate", ESTIMATE),
            ("curewatch board", (*here, "board")),
            ("curewatch piece", (*here, "piece", "piece 7")),
            ("curewatch plan", (*here, "plan", "--due", due, "--layer", "medium")),
        ):
            seconds = min(bench_rolling.timed(partial(wall_seconds, arguments))[1] for _ in range(3))
            yield {
                "name": f"{name}: CPU" + (f", {pieces} pieces" if name != "curewatch estimate" else ""),
                "value": round(seconds, 3),
                "unit": "s",
                "baseline": GOAL_CPU_S,
                "ratio": round(GOAL_CPU_S / seconds, 2),
            }


def wall_seconds(arguments: tuple[str, ...]) -> float:
    began = time.perf_counter()
    subprocess.run([COMMAND, *arguments], stdout=subprocess.DEVNULL, check=True, timeout=60)
    return time.perf_counter() - began
