"""From a reading to the notice of the alarm that it raises, while a thousand pieces are forecast from the facts alone.

Forty rooms beside that of the pieces, each with one of its own and about to freeze: a reading a second, each in another
room, raises an alarm there. Waited for is its notice in the store. `look_s` is how long the look took meanwhile, which
is what each alarm waited for when looks judged alarms.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import text

from curewatch.daemon.prompt_alarms import PromptAlarms
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.refresh.refresher import Refresher
from curewatch.records import Reading, ThicknessSource
from curewatch.store import Store
from tests.bench.bench_rolling import END, filled
from tests.shell.parts import HandClock

LONG = True
"""Some two minutes."""
PIECES, ROOMS, GOAL_S, WITHIN_S = 1000, 40, 2.0, 90.0
MINUTE = timedelta(minutes=1)


def _air(room: int, at: datetime) -> Reading:
    return Reading(room=f"Bay {room}", source="wall", at=at, received_at=at, temp_c=-5.0, rh_pct=55.0)


def lines() -> Iterator[Mapping[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder, Store.open(f"{folder}/s.sqlite") as store:
        desk, clock = filled(store, PIECES), HandClock(END + 9 * MINUTE)
        orders = [PourOrder(f"bay {n}", f"Bay {n}", END, 1e-3, ThicknessSource.VOLUME) for n in range(ROOMS)]
        log_pours(desk, orders, END)
        store_readings(desk, [_air(n, END + m * MINUTE) for n in range(ROOMS) for m in range(10)])
        refresher = Refresher(desk)
        refresher.refresh(clock.now())
        refresher.refresh(clock.now())
        clock.move(2 * MINUTE)
        prompt = PromptAlarms(refresher, clock, lambda: None)
        prompt.stored([_air(n, END) for n in range(ROOMS)])
        prompt.start()
        try:
            yield _measured(desk, refresher, prompt, clock)
        finally:
            prompt.stop(10.0)


def _measured(desk: Desk, refresher: Refresher, prompt: PromptAlarms, clock: HandClock) -> Mapping[str, Any]:
    with desk.store.write() as tx:
        for table in ("forecasts", "checkpoints"):
            tx._connection.execute(text(f"DELETE FROM {table}"))
    looked: list[float] = []

    def look() -> None:
        begun = time.perf_counter()
        refresher.refresh(END + 9 * MINUTE)
        looked.append(time.perf_counter() - begun)

    busy = threading.Thread(target=look)
    busy.start()
    waits = []
    for room in range(ROOMS):
        begun = time.perf_counter()
        for minute in (11, 12):
            at = [_air(room, END + minute * MINUTE)]
            clock.move(max(timedelta(0), END + minute * MINUTE - clock.now()))
            store_readings(desk, at)
            prompt.stored(at)
        while not _told(desk.store, room) and time.perf_counter() - begun < WITHIN_S:
            time.sleep(0.02)
        waits.append(time.perf_counter() - begun)
        time.sleep(max(0.0, 1.0 - waits[-1]))
    during = busy.is_alive()
    busy.join()
    waits.sort()
    return {
        "bench": "prompt",
        "pieces": PIECES,
        "alarms": ROOMS,
        "p50_s": round(waits[ROOMS // 2], 2),
        "p99_s": round(waits[-1], 2),
        "goal_s": GOAL_S,
        "look_s": round(looked[0], 1),
        "all_during_the_look": during,
    }


def _told(store: Store, room: int) -> bool:
    with store.read() as tx:
        return any(one.kind == "alarm" and one.room == f"Bay {room}" for one in tx.notices(limit=1000))
