"""The one time axis that every piece of the board shares: hours near now are wide, weeks far off are narrow.

A painter decides about today and tomorrow, and only wants to know of the rest that it is there. So the axis is
logarithmic on both sides of now: x ~ sign(t) log(1 + |t|/6 h). All pieces share it, so dates compare by eye.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

NEAR = timedelta(hours=6)
"""Within this of now the axis is nearly linear."""
BACK = timedelta(days=4)
"""How far back it goes; what was poured before begins at its left end."""
AHEAD_LEAST, AHEAD_MOST = timedelta(days=4), timedelta(days=70)

_HOUR, _DAY = timedelta(hours=1), timedelta(days=1)
_TICKS = (
    (-2 * _DAY, "2 d ago"),
    (-12 * _HOUR, "12 h ago"),
    (timedelta(0), "now"),
    (6 * _HOUR, "6 h"),
    (_DAY, "1 d"),
    (3 * _DAY, "3 d"),
    (10 * _DAY, "10 d"),
    (30 * _DAY, "30 d"),
)


class Tick(NamedTuple):
    x: float
    """Percent of the width."""
    label: str


@dataclass(frozen=True)
class Axis:
    """From BACK before `now` to `ahead` after it, as percent of a width."""

    now: datetime
    ahead: timedelta

    @classmethod
    def to_show(cls, now: datetime, last: datetime | None) -> Axis:
        """The axis on which `last` is still to be seen, within reason."""
        wanted = AHEAD_LEAST if last is None else (last - now) * 1.1
        return cls(now, min(max(wanted, AHEAD_LEAST), AHEAD_MOST))

    def x(self, at: datetime) -> float:
        """Where `at` lies [%], held at the ends."""
        low, high = _bent(-BACK), _bent(self.ahead)
        return round(100 * min(max((_bent(at - self.now) - low) / (high - low), 0.0), 1.0), 2)

    def ticks(self) -> Iterator[Tick]:
        for offset, label in _TICKS:
            if offset < self.ahead * 0.8:
                yield Tick(self.x(self.now + offset), label)


def _bent(offset: timedelta) -> float:
    return math.copysign(math.log1p(abs(offset / NEAR)), offset.total_seconds())
