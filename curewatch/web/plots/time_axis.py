"""The one time axis that every piece of the board shares: hours near now are wide, weeks far off are narrow.

A painter decides about today and tomorrow, and only wants to know of the rest that it is there. So the axis is
logarithmic on both sides of now: x ~ log(1 + t/6 h), and half of that on the side of what has passed. From the first
pour to the last ready to varnish it has room for all, and all pieces share it, so dates compare by eye.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

NEAR = timedelta(hours=6)
"""Within this of now the axis is nearly linear."""
BACK_LEAST, BACK_MOST = timedelta(days=4), timedelta(days=400)
AHEAD_LEAST, AHEAD_MOST = timedelta(days=4), timedelta(days=400)
"""However little or much there is to show."""
PASSED = 0.5
"""How wide the past is drawn beside the future: it cannot be acted on."""

_HOUR, _DAY = timedelta(hours=1), timedelta(days=1)
_TICKS = (
    (-100 * _DAY, "100 d ago"),
    (-30 * _DAY, "30 d ago"),
    (-10 * _DAY, "10 d ago"),
    (-2 * _DAY, "2 d ago"),
    (6 * _HOUR, "6 h"),
    (_DAY, "1 d"),
    (3 * _DAY, "3 d"),
    (10 * _DAY, "10 d"),
    (30 * _DAY, "30 d"),
    (100 * _DAY, "100 d"),
)
_APART, _APART_AGO = 6.5, 14.0
"""Ticks stand at least so far apart [%], those with the longer words of the past further; where two would not, the one
nearer to now does without."""
NOW = "now"
EDGE = 8.0
"""A label within this of an end [%] stands on the inner side of its tick."""


class Tick(NamedTuple):
    x: float
    """Percent of the width."""
    label: str

    @property
    def anchor(self) -> str:
        return "start" if self.x < EDGE else "end" if self.x > 100 - EDGE else "middle"


@dataclass(frozen=True)
class Axis:
    """From `back` before `now` to `ahead` after it, as percent of a width."""

    now: datetime
    back: timedelta
    ahead: timedelta

    @classmethod
    def to_show(cls, now: datetime, first: datetime | None, last: datetime | None) -> Axis:
        """The axis on which all from `first` to `last` is to be seen, within reason."""
        before = BACK_LEAST if first is None else (now - first) * 1.1
        after = AHEAD_LEAST if last is None else (last - now) * 1.1
        return cls(now, min(max(before, BACK_LEAST), BACK_MOST), min(max(after, AHEAD_LEAST), AHEAD_MOST))

    def x(self, at: datetime) -> float:
        """Where `at` lies [%], held at the ends."""
        low, high = _bent(-self.back), _bent(self.ahead)
        return round(100 * min(max((_bent(at - self.now) - low) / (high - low), 0.0), 1.0), 2)

    def ticks(self) -> Iterator[Tick]:
        """From left to right, none on another's toes."""
        now = Tick(self.x(self.now), NOW)
        there = [
            Tick(self.x(self.now + offset), label)
            for offset, label in _TICKS
            if -0.8 * self.back < offset < 0.8 * self.ahead
        ]
        kept = [now]
        for tick in sorted(there, key=lambda one: -abs(one.x - now.x)):
            if all(abs(tick.x - one.x) >= (_APART_AGO if max(tick.x, one.x) < now.x else _APART) for one in kept):
                kept.append(tick)
        return iter(sorted(kept))


def _bent(offset: timedelta) -> float:
    width = PASSED if offset < timedelta(0) else 1.0
    return math.copysign(width * math.log1p(abs(offset / NEAR)), offset.total_seconds())
