"""How long a person waits for the page: the board of a thousand pieces from the server, and the demo's first paint.

The baseline is what is promised (100 ms, 1 s, 100 kB), so a ratio above 1 keeps the promise. Beside the board stands
the JSON of the same thousand pieces, of the same run: what reading them takes without drawing any. `cpu_s` is what the
process worked, the asking included: on a machine that does much else the seconds of the clock say little.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any, NamedTuple

import requests

from curewatch.clock import SystemClock
from curewatch.daemon.page_server import PageServer
from curewatch.demo import seed_demo
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import ForecastSettings, Settings, WebSettings
from curewatch.store import Store
from tests.refreshing import refresh, refresher_of
from tests.shell.browser import chromium, has_chromium
from tests.shell.parts import free_port

PIECES, ROOMS, LOOKS, PAINTS = 1000, 10, 40, 5
BOARD_S, PAINT_S, PAGE_BYTES = 0.1, 1.0, 100_000
PAGES = (
    "/", "/pour", "/reading", "/plan", "/plan?due={due}&room=Boat shed&thickness=medium&for=handle&pieces=4",
    "/alarms", "/piece/Low tide", "/record/Low tide", "/room/Boat shed?span=month", "/labels", "/lately", "/ways-in",
)  # fmt: skip


def lines() -> Iterator[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder:
        yield from _thousand(Path(folder))
        yield from _demo(Path(folder))


def _thousand(folder: Path) -> Iterator[dict[str, Any]]:
    with _served(folder / "thousand.sqlite", members=8) as (desk, url), requests.Session() as browser:
        _pour(desk)
        board, beside = (_median(lambda path=path: _got(browser, url + path)) for path in ("/", "/api/v1/board"))
        yield _line(f"board of {PIECES} pieces, server", board, "s", BOARD_S)
        yield _line(f"JSON of {PIECES} pieces, beside it", beside, "s", None)
        danger, grouped = (_median(lambda q=q: _got(browser, f"{url}/?{q}")) for q in ("ask=danger", "by=place"))
        yield _line(f"board of {PIECES} pieces, one question of it", danger, "s", BOARD_S)
        yield _line(f"board of {PIECES} pieces, grouped by place", grouped, "s", BOARD_S)

        def after_a_reading() -> Took:
            now = SystemClock().now()
            store_readings(desk, [Reading(room="Room 0", at=now, temp_c=20, rh_pct=50, source="wall", received_at=now)])
            return _got(browser, url + "/")

        yield _line(f"board of {PIECES} pieces, just after a reading", _median(after_a_reading), "s", BOARD_S)


def _demo(folder: Path) -> Iterator[dict[str, Any]]:
    with _served(folder / "demo.sqlite", members=32) as (desk, url):
        seed_demo(desk, SystemClock().now())
        due = f"{SystemClock().now() + timedelta(days=10):%Y-%m-%d}"
        with requests.Session() as browser:
            for path in PAGES:
                name = f"{path.split('?')[0]}{'?…' if '?' in path else ''} of the demo"
                there = url + path.format(due=due)
                seconds = _median(lambda there=there: _got(browser, there), 3)
                yield _line(f"{name}, size", len(browser.get(there, timeout=60).content), "B", PAGE_BYTES)
                yield _line(f"{name}, server", seconds, "s", None)
        if has_chromium:
            yield _line("first paint of the demo's board", _paint(url), "s", PAINT_S)


def _paint(url: str) -> float:
    """First contentful paint [s], as the browser itself takes it (W3C Paint Timing): the median of fresh windows."""
    taken = []
    for _ in range(PAINTS):
        with chromium() as browser:
            browser.look(width=390)
            browser.open(url + "/")
            asked = "return (performance.getEntriesByName('first-contentful-paint')[0] || {}).startTime || null"
            deadline = time.perf_counter() + 10
            while (told := browser.ask(asked)) is None and time.perf_counter() < deadline:
                time.sleep(0.02)
            if told is None:
                raise RuntimeError("the browser painted nothing within 10 s")
            taken.append(float(told) / 1000)
    return statistics.median(taken)


def _pour(desk: Desk) -> None:
    """A thousand pieces of the last weeks, in ten rooms that were read every hour."""
    now = SystemClock().now()
    for room in range(ROOMS):
        moments = [now - timedelta(hours=k) for k in range(24 * 21)]
        store_readings(
            desk,
            [
                Reading(room=f"Room {room}", at=at, temp_c=14 + room, rh_pct=50, source="wall", received_at=at)
                for at in reversed(moments)
            ],
        )
    log_pours(desk, [
            PourOrder(
                f"Piece {k}", f"Room {k % ROOMS}", now - timedelta(hours=0.5 * k), 1e-3 + 1e-6 * k,
                ThicknessSource.GAUGE, place=f"rack {k // ROOMS}", size_m=(0.3, 0.4),
            )
            for k in range(PIECES)
        ],
        now,
    )  # fmt: skip
    refresh(desk, now)


@contextmanager
def _served(path: Path, *, members: int) -> Iterator[tuple[Desk, str]]:
    with Store.open(path) as store:
        web = WebSettings(port=free_port())
        desk = Desk(store, Settings(zone="Europe/Lisbon", forecast=ForecastSettings(members=members), web=web))
        server = PageServer(refresher_of(desk), web, SystemClock(), lambda: None)
        address = server.start()
        if address is None:
            raise RuntimeError(f"port {web.port} could not be had")
        try:
            yield desk, address
        finally:
            server.stop()


class Took(NamedTuple):
    wall_s: float
    """From asking to the last byte."""
    cpu_s: float


def _got(browser: requests.Session, url: str) -> Took:
    began, worked = time.perf_counter(), time.process_time()
    answer = browser.get(url, timeout=60)
    took = Took(time.perf_counter() - began, time.process_time() - worked)
    answer.raise_for_status()
    return took


def _median(once: Callable[[], Took], times: int = LOOKS) -> Took:
    once()  # warm
    taken = [once() for _ in range(times)]
    return Took(statistics.median(one.wall_s for one in taken), statistics.median(one.cpu_s for one in taken))


def _line(name: str, value: float | Took, unit: str, promised: float | None) -> dict[str, Any]:
    told = value.wall_s if isinstance(value, Took) else value
    line = {
        "name": name,
        "value": round(told, 4),
        "unit": unit,
        "baseline": promised,
        "ratio": None if promised is None else round(promised / told, 2),
    }
    return line | {"cpu_s": round(value.cpu_s, 4)} if isinstance(value, Took) else line
