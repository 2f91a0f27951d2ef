"""What a plot shows: its curves, limits, marks and words, and where its times lie. `drawing.py` has it drawn.

Each plot carries its numbers as a table, for screen readers and for whoever wants to know exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import ClassVar

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from curewatch.web.texts import Words

Array = NDArray[np.float64]
HEIGHT = 190
"""[px]"""
ROWS_MOST = 25
"""Rows of the table beneath."""
_FREE = 0.02
"""What pygal leaves free at either end of an axis, as a share of it (`pygal.view.Box.margin`)."""
_TIME_STEPS = [timedelta(hours=h) for h in (1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 720)]


@dataclass(frozen=True)
class Curve:
    """One line of a plot. `css` colours it; `dash` is what tells it apart without colour."""

    label: str
    css: str
    y: Array
    dash: str = ""
    low: Array | None = None
    high: Array | None = None
    absent: str = "not known"
    """What the table says where it has no value."""


@dataclass(frozen=True)
class Plot:
    """Curves over the same times."""

    title: str
    description: str
    unit: str
    at: Array
    """Times [s since 1970], increasing."""
    curves: tuple[Curve, ...]
    words: Words
    limits: tuple[tuple[float, str], ...] = ()
    """Values to draw a line at, and what they are."""
    marks: tuple[tuple[float, str], ...] = ()
    """Times [s since 1970] to point at, and what they are."""
    points: tuple[tuple[float, float], ...] = ()
    """Readings that were not used: times [s since 1970] and values."""
    least: tuple[float, float] | None = None
    """What the scale holds at least."""
    digits: int = 0
    height: int = field(default=HEIGHT)
    cross: ClassVar[str] = "M-4-4L4 4M-4 4L4-4"
    """The sign of a reading that was not used, as an SVG path."""

    @property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value that the scale has to hold."""
        drawn = [c for curve in self.curves for c in (curve.y, curve.low, curve.high) if c is not None]
        aside = [value for _, value in self.points]
        held = np.concatenate([*drawn, [value for value, _ in self.limits], aside, list(self.least or ())])
        held = held[np.isfinite(held)]
        low, high = (float(held.min()), float(held.max())) if len(held) else (0.0, 1.0)
        return (low, high) if high - low > 1e-6 else (low - 0.5, high + 0.5)

    def x_of(self, at_s: float) -> float:
        """Where a time lies in the field [%]; pygal leaves a fiftieth free at either end."""
        begin, end = self.at[0], self.at[-1]
        share = float((at_s - begin) / max(end - begin, 1.0))
        return round(100 * (share + _FREE) / (1 + 2 * _FREE), 2)

    @property
    def drawing(self) -> Markup:
        from curewatch.web.plots.part_web_drawing import drawing

        return drawing(self)

    @property
    def ticks(self) -> list[tuple[float, str]]:
        """Whole hours or days of the studio's zone [s since 1970] and what they are called; at most six."""
        begin, end = (datetime.fromtimestamp(s, self.words.tz) for s in (self.at[0], self.at[-1]))
        step = next((s for s in _TIME_STEPS if (end - begin) / s <= 5.5), (end - begin) / 5)
        midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
        form = "%H:%M" if step < timedelta(days=1) else "%-d %b"
        found = []
        for k in range(1, 2000):
            at = midnight + k * step  # wall time: whole hours and days, whatever the clocks do
            if at.timestamp() >= end.timestamp():
                break
            if at > begin:
                label = at.strftime("%-d %b" if (at.hour, at.minute) == (0, 0) else form)
                found.append((at.timestamp(), label))
        return [tick for tick in found if 4 < self.x_of(tick[0]) < 94]

    @property
    def rows(self) -> list[tuple[float, str, list[str]]]:
        """The table: x [%], the time in words, and each curve's value, with its band where it has one."""
        every = max(1, -(-len(self.at) // ROWS_MOST))
        return [
            (self.x_of(self.at[k]), self._time(self.at[k]), [self._told(curve, k) for curve in self.curves])
            for k in range(0, len(self.at), every)
        ]

    def _time(self, at_s: float) -> str:
        return self.words.date(datetime.fromtimestamp(float(at_s), self.words.tz))

    def _told(self, curve: Curve, k: int) -> str:
        if not np.isfinite(curve.y[k]):
            return curve.absent
        said = f"{curve.y[k] + 0.0:.{self.digits}f}"
        if curve.low is None or curve.high is None or not np.isfinite(curve.low[k]):
            return f"{said} {self.unit}"
        return f"{said} ({curve.low[k]:.{self.digits}f} to {curve.high[k]:.{self.digits}f}) {self.unit}"


def thinned(at: Sequence[float] | Array, *values: Array, most: int) -> tuple[Array, ...]:
    """Times and values with at most so many points: means of equal spans of time; a gap of many spans stays one."""
    time = np.asarray(at, dtype=float)
    if len(time) <= most:
        return (time, *values)
    edges = np.linspace(time[0], time[-1], most + 1)
    which = np.clip(np.searchsorted(edges, time, "right") - 1, 0, most - 1)

    def mean(column: Array) -> Array:
        known = np.isfinite(column)
        total = np.bincount(which, np.where(known, column, 0.0), most)
        count = np.bincount(which, known, most)
        return np.asarray(np.divide(total, count, out=np.full(most, np.nan), where=count > 0))

    return ((edges[:-1] + edges[1:]) / 2, *(mean(column) for column in values))
