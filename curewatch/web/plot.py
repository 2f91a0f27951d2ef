"""Curves as SVG made here: x in percent and y in pixels, so that text keeps its size at any width.

Each plot carries its numbers as a table, for screen readers and for whoever wants to know exactly.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from curewatch.web.words import Words

Array = NDArray[np.float64]
HEIGHT = 190
"""[px]"""
ROWS_MOST = 25
"""Rows of the table beneath."""
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
    least: tuple[float, float] | None = None
    """What the scale holds at least."""
    digits: int = 0
    height: int = field(default=HEIGHT)

    @property
    def scale(self) -> tuple[float, float, float]:
        """Lowest and highest value of the axis, and the step of its grid."""
        drawn = [c for curve in self.curves for c in (curve.y, curve.low, curve.high) if c is not None]
        held = np.concatenate([*drawn, [value for value, _ in self.limits], list(self.least or ())])
        held = held[np.isfinite(held)]
        low, high = (float(held.min()), float(held.max())) if len(held) else (0.0, 1.0)
        step = _round_step(max(high - low, 1e-6) / 4)
        return math.floor(low / step) * step, max(math.ceil(high / step), math.floor(low / step) + 1) * step, step

    def y_of(self, value: float) -> float:
        low, high, _ = self.scale
        return round(self.height * (1 - (value - low) / (high - low)), 1)

    def x_of(self, at_s: float) -> float:
        begin, end = self.at[0], self.at[-1]
        return round(100 * float((at_s - begin) / max(end - begin, 1.0)), 2)

    @property
    def grid(self) -> list[tuple[float, str]]:
        """Height [px] and label of each line of the scale, lowest first."""
        low, high, step = self.scale
        digits = 0 if step >= 1 else 1
        return [(self.y_of(v), f"{v + 0.0:.{digits}f}") for v in np.arange(low, high + step / 2, step)]

    @property
    def ticks(self) -> list[tuple[float, str]]:
        """Where whole hours or days of the studio's zone lie [%]; at most six."""
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
                found.append((self.x_of(at.timestamp()), label))
        return [tick for tick in found if 4 < tick[0] < 94]

    @property
    def now_x(self) -> float | None:
        x = self.x_of(self.words.now.timestamp())
        return x if 0 <= x <= 100 else None

    def path(self, curve: Curve) -> str:
        """The line in a box of 1000 x 1000, broken where a value is missing."""
        return self._line(curve.y)

    def spread(self, curve: Curve) -> str:
        """The closed outline of a curve's band."""
        if curve.low is None or curve.high is None:
            return ""
        there, back = self._points(curve.high), self._points(curve.low)
        return "M" + "L".join([*there, *reversed(back)]) + "z"

    def _line(self, values: Array) -> str:
        parts, pen = [], "M"
        for x, y in zip(self.at, values, strict=True):
            if not np.isfinite(y):
                pen = "M"
                continue
            parts.append(f"{pen}{self.x_of(x) * 10:.0f} {self.y_of(y) * 1000 / self.height:.0f}")
            pen = "L"
        return "".join(parts)

    def _points(self, values: Array) -> list[str]:
        pairs = zip(self.at, values, strict=True)
        return [f"{self.x_of(x) * 10:.0f} {self.y_of(y) * 1000 / self.height:.0f}" for x, y in pairs if np.isfinite(y)]

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
            return "not known"
        said = f"{curve.y[k] + 0.0:.{self.digits}f}"
        if curve.low is None or curve.high is None:
            return said
        return f"{said} ({curve.low[k]:.{self.digits}f} to {curve.high[k]:.{self.digits}f})"


def _round_step(raw: float) -> float:
    """The next of 1, 2, 5 times a power of ten."""
    power = 10 ** math.floor(math.log10(raw))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.999))


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
