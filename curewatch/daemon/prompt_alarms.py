"""Alarms judged as readings come, whatever is being forecast: a look at a full studio takes up to a minute.

Most readings say what the one before said. Judged at once are those that have moved by a deadband since their sensor
was last judged, and those that come once the delay of an alarm that is about to be raised is over; so a quiet room
costs nothing, and its readings may be stored in groups.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence

from curewatch.clock import Clock, plausible
from curewatch.desk.refresh.refresher import Refresher
from curewatch.records import Reading
from curewatch.store import StoreError

log = logging.getLogger(__name__)

GATHER_S = 0.3
"""Temperature and humidity often come apart [s]."""
APART_S = 1.0
"""Between two [s]."""


class PromptAlarms:
    """A thread of its own. `start` and `stop` once each; `on_told` is called after notices were written."""

    def __init__(self, refresher: Refresher, clock: Clock, on_told: Callable[[], object]) -> None:
        self._refresher, self._clock, self._on_told = refresher, clock, on_told
        limits = refresher.desk.settings.alarms
        self._moves = limits.deadband_c, limits.deadband_rh_pct
        self._judged: dict[tuple[str, str], Reading] = {}
        self._heard: dict[tuple[str, str], Reading] = {}
        self._bell, self._stopping = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="prompt-alarms", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float) -> None:
        self._stopping.set()
        self._bell.set()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def is_urgent(self, reading: Reading) -> bool:
        """Whether it may raise an alarm, or let one go, that is not known of yet."""
        due = self._refresher.pending.get(reading.room)
        if due is not None and reading.at >= due:
            return True
        before = self._judged.get((reading.room, reading.source))
        return before is not None and any(
            now is not None and then is not None and abs(now - then) >= moved
            for now, then, moved in zip(_values(reading), _values(before), self._moves, strict=True)
        )

    def stored(self, readings: Sequence[Reading]) -> None:
        """They are in the store: judge what they come to, where they are urgent. From any thread."""
        for reading in readings:
            key = reading.room, reading.source
            urgent = self.is_urgent(reading)
            self._heard[key] = reading
            self._judged.setdefault(key, reading)
            if urgent:
                self._bell.set()

    def _run(self) -> None:
        while True:
            self._bell.wait()
            if self._stopping.wait(GATHER_S):
                return
            self._bell.clear()
            self._judge()
            if self._stopping.wait(APART_S - GATHER_S):
                return

    def _judge(self) -> None:
        now = self._clock.now()
        if not plausible(now):
            return
        self._judged = dict(self._heard)
        try:
            if told := self._refresher.judge_alarms(now):
                log.info("%d notices of alarms written", told)
                self._on_told()
        except StoreError as error:
            log.warning("alarms are judged with the next look: %s", error)
        except Exception:
            log.exception("alarms are judged with the next look")


def _values(reading: Reading) -> tuple[float | None, float | None]:
    return reading.temp_c, reading.rh_pct
