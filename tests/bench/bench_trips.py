"""How many files of curewatch one use passes through: what a reader must open to follow it.

The baseline is the goal: a ratio above 1 keeps it. Counted are the functions called while the use lasts, in whatever
thread, on a small studio in a store of its own and after the same use once before: loading, first looks and caches do
not count. `calls` counts every call, `functions` each function once, `rooms` the files of each room, named in `files`.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from types import CodeType, FrameType
from typing import Any
from unittest import mock

import curewatch
from curewatch.cli import main
from tests.refreshing import refresh
from tests.shell.web_parts import Studio, served, token_on

PACKAGE = str(Path(curewatch.__file__).parent) + os.sep
UNCOUNTED = ("comp>", "main_loop")
"""Comprehensions, which are calls in some Pythons and none in others; the page's server looking after itself."""


class Trip:
    """Counts calls between `with` and its end. Its hook must be set before the threads begin that it is to see."""

    def __init__(self) -> None:
        self.seen: Counter[CodeType] = Counter()
        self.on = False

    def hook(self, frame: FrameType, event: str, _: Any) -> None:
        code = frame.f_code
        if (
            self.on
            and event == "call"
            and code.co_filename.startswith(PACKAGE)
            and not code.co_name.endswith(UNCOUNTED)
        ):
            self.seen[code] += 1

    def __enter__(self) -> Trip:
        self.seen.clear()
        self.on = True
        return self

    def __exit__(self, *_: object) -> None:
        self.on = False

    def line(self, name: str, goal: int | None) -> dict[str, Any]:
        files = sorted({code.co_filename.removeprefix(PACKAGE) for code in self.seen})
        return {
            "name": name,
            "value": len(files),
            "unit": "files",
            "baseline": goal,
            "ratio": None if goal is None else round(goal / len(files), 2),
            "calls": self.seen.total(),
            "functions": len(self.seen),
            "rooms": dict(Counter(file.split(os.sep)[0] for file in files)),
            "files": files,
        }


def lines() -> Iterator[dict[str, Any]]:
    trip = Trip()
    threading.setprofile(trip.hook)
    sys.setprofile(trip.hook)
    try:
        with tempfile.TemporaryDirectory() as folder:
            yield from _on_the_page(Path(folder), trip)
        with tempfile.TemporaryDirectory() as folder:
            yield from _by_command(Path(folder), trip)
    finally:
        sys.setprofile(None)
        threading.setprofile(None)  # type: ignore[arg-type]


def _on_the_page(folder: Path, trip: Trip) -> Iterator[dict[str, Any]]:
    with served(folder) as studio:
        for name, hours in (("Curlew", 20), ("Heron", 4)):
            studio.pour(name, hours_ago=hours)
        studio.read(hours=30)
        for warm in (True, False):
            _a_reading(studio)
            with trip:
                refresh(studio.desk, studio.clock.now())
            if not warm:
                yield trip.line("one refresh, after a reading", 40)
            with trip:
                studio.page("/")
            if not warm:
                yield trip.line("board, as a page", 25)
            found = {"what": "tacky", "when": "now", "token": token_on(studio.page("/reading"))}
            with trip:
                answer = studio.browser.post(studio.url + "/piece/Curlew/found", found, allow_redirects=False)
            if not warm:
                yield trip.line("a finger test on the page", 60)
            refresh(studio.desk, studio.clock.now())
            with trip:
                studio.page(answer.headers["Location"])
            if not warm:
                yield trip.line("the piece's page after it", 60)


def _a_reading(studio: Studio) -> None:
    """One more, a little warmer, a minute later."""
    studio.clock.move(timedelta(minutes=1))
    studio.read(temp_c=21.2, hours=0)


def _by_command(folder: Path, trip: Trip) -> Iterator[dict[str, Any]]:
    config = folder / "curewatch.toml"
    config.write_text('zone = "UTC"\n[forecast]\nmembers = 8\n')
    pour = ("pour", "Curlew", "--room", "Shed", "--wet-thickness", "1.2mm", "--size", "30x40cm", "--at", "20 h ago")
    read = ("reading", "--room", "Shed", "--temperature", "21C", "--humidity", "50%", "--at")
    uses = (
        ("one typed reading", read, ("5 h ago", "4 h ago"), None),
        ("a finger test by command", ("feel", "Curlew", "tacky", "--at"), ("3 h ago", "2 h ago"), None),
        ("board, by command, decided anew", ("board",), (), None),
    )
    with mock.patch.dict(os.environ, CUREWATCH_STORE=str(folder / "s.sqlite"), CUREWATCH_CONFIG=str(config)):
        _typed(*read, "21 h ago")
        _typed(*pour)
        for name, words, moments, goal in uses:
            for at in moments or ("", ""):
                with trip:
                    _typed(*words, *filter(None, [at]))
            yield trip.line(name, goal)


def _typed(*words: str) -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        if code := main(words):
            raise RuntimeError(f"`curewatch {' '.join(words)}` ended with code {code}")
