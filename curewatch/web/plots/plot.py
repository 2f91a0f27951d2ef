"""A plot: its curves, limits, marks and words, where its times lie, its numbers as a table, and its SVG."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import ClassVar
from xml.etree import ElementTree as ET

import numpy as np
from markupsafe import Markup

from curewatch.physics.air import Array
from curewatch.web.texts import Words

HEIGHT = 190
"""[px]"""
ROWS_MOST = 16
"""Rows of the table beneath."""
_FREE = 0.02
"""What stays free at either end of an axis, as a share of it."""
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
    absent: str = ""
    """What the table says where it has no value; empty: that it is not known."""


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
    cross: ClassVar[str] = "M-4-4L4 4M-4 4L4-4"
    """The sign of a reading that was not used, as an SVG path."""

    @cached_property
    def range(self) -> tuple[float, float]:
        """Lowest and highest value that the scale has to hold."""
        drawn = [c for curve in self.curves for c in (curve.y, curve.low, curve.high) if c is not None]
        aside = [value for _, value in self.points]
        held = np.concatenate([*drawn, [value for value, _ in self.limits], aside, list(self.least or ())])
        held = held[np.isfinite(held)]
        low, high = (float(held.min()), float(held.max())) if len(held) else (0.0, 1.0)
        return (low, high) if high - low > 1e-6 else (low - 0.5, high + 0.5)

    @cached_property
    def steps(self) -> list[float]:
        """The values that the scale names: multiples of 1, 2 or 5 times a power of ten, at most six."""
        low, high = self.range
        power = 10.0 ** math.floor(math.log10((high - low) / 6))
        for step in (power, 2 * power, 5 * power, 10 * power, 20 * power):
            first, last = math.ceil(low / step), math.floor(high / step)
            if last - first < 6:
                break
        return [k * step for k in range(first, last + 1)]

    def x_of(self, at_s: float) -> float:
        """Where a time lies in the field [%]."""
        begin, end = self.at[0], self.at[-1]
        share = float((at_s - begin) / max(end - begin, 1.0))
        return round(100 * (share + _FREE) / (1 + 2 * _FREE), 2)

    def y_of(self, value: float) -> float:
        """Where a value lies in the field, from its top [px]."""
        low, high = self.range
        return HEIGHT * ((high - value) / (high - low) + _FREE) / (1 + 2 * _FREE)

    @property
    def uprights(self) -> list[tuple[str, float, str]]:
        """The upright lines, their class, time and word: the marks, then now."""
        begin, end, now = float(self.at[0]), float(self.at[-1]), self.words.now.timestamp()
        lines = [("marks", at, word) for at, word in self.marks]
        return lines + (
            [("nowline", now, self.words.reader.phrase("now"))] if begin <= now < end - 0.005 * (end - begin) else []
        )

    @property
    def drawing(self) -> Markup:
        return drawing(self)

    @property
    def ticks(self) -> list[tuple[float, str]]:
        """Whole hours or days of the studio's zone [s since 1970] and what they are called; at most six."""
        begin, end = (datetime.fromtimestamp(s, self.words.tz) for s in (self.at[0], self.at[-1]))
        step = next((s for s in _TIME_STEPS if (end - begin) / s <= 5.5), (end - begin) / 5)
        midnight = begin.replace(hour=0, minute=0, second=0, microsecond=0)
        found = []
        for k in range(1, 2000):
            at = midnight + k * step  # wall time: whole hours and days, whatever the clocks do
            if at.timestamp() >= end.timestamp():
                break
            if at > begin:
                by_day = step >= timedelta(days=1) or (at.hour, at.minute) == (0, 0)
                found.append((at.timestamp(), self._tick(at, by_day=by_day)))
        return [tick for tick in found if 4 < self.x_of(tick[0]) < 94]

    def _tick(self, at: datetime, *, by_day: bool) -> str:
        reader = self.words.reader
        return reader.day(at, at, weekday=False) if by_day else reader.time(at)

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
        reader = self.words.reader
        if not np.isfinite(curve.y[k]):
            return curve.absent or reader.phrase("not known")
        said = reader.number(float(curve.y[k]), self.digits)
        if curve.low is None or curve.high is None or not np.isfinite(curve.low[k]):
            return f"{said} {self.unit}"
        low, high = (reader.number(float(edge[k]), self.digits) for edge in (curve.low, curve.high))
        return reader.phrase("{value} ({low} to {high}) {unit}", value=said, low=low, high=high, unit=self.unit)


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


BENEATH = 20
"""For the times beneath the field [px]."""
WIDE = 1000
"""The field's own units across; it stretches, so this is no more than how finely x is rounded."""


def drawing(plot: Plot) -> Markup:
    """The plot as an `<svg>`, to stand in a page. Its name and description are the plot's own."""
    name = re.sub(r"[^a-z]+", "-", plot.title.lower()).strip("-")
    svg = ET.Element(
        "svg",
        {"class": "drawing", "width": "100%", "height": f"{HEIGHT + BENEATH}", "role": "img",
         "aria-labelledby": f"{name}-title", "aria-describedby": f"{name}-desc"},
    )  # fmt: skip
    _add(svg, "title", f"{name}-title", "id").text = plot.title
    numbers = plot.words.reader.phrase("The table beneath has the numbers.")
    _add(svg, "desc", f"{name}-desc", "id").text = f"{plot.description} {numbers}"
    _draw_field(_add(svg, "svg", "field", width="100%", height=f"{HEIGHT}", viewBox=f"0 0 {WIDE} {HEIGHT}",
                     preserveAspectRatio="none"), plot)  # fmt: skip
    for at, value in plot.points:
        at_point = {"x": f"{plot.x_of(at):.2f}%", "y": f"{plot.y_of(value):.1f}", "overflow": "visible"}
        _add(ET.SubElement(svg, "svg", at_point), "path", "aside", d=plot.cross)
    for value in plot.steps:
        _say(svg, f"{value:.6g}", "-5", plot.y_of(value) + 4, "end", "scaled")
    for at, word in plot.ticks:
        _say(svg, word, f"{plot.x_of(at):.2f}%", HEIGHT + 16, "middle")
    _say_lines(svg, plot)
    return Markup(ET.tostring(svg, encoding="unicode"))  # built from elements, which escape


def _draw_field(field: ET.Element, plot: Plot) -> None:
    """What stretches with the width, the lowest first: grid, limits, marks, bands, lines."""
    _add(field, "rect", "frame", width="100%", height="100%")
    grid = [f"M{_x(plot, at)} 0v{HEIGHT}" for at, _ in plot.ticks]
    grid += [f"M0 {plot.y_of(value):.1f}h{WIDE}" for value in plot.steps]
    _add(field, "path", "grid", d="".join(grid))
    for value, _ in plot.limits:
        _add(field, "path", "limit", d=f"M0 {plot.y_of(value):.1f}L{WIDE} {plot.y_of(value):.1f}")
    for css, at, _ in plot.uprights:
        _add(field, "path", css, d=f"M{_x(plot, at)} 0v{HEIGHT}")
    for curve in plot.curves:
        if curve.low is not None and curve.high is not None:
            times, edges = np.concatenate([plot.at, plot.at[::-1]]), np.concatenate([curve.high, curve.low[::-1]])
            known = np.isfinite(edges)
            _draw(field, curve.css, "spread", _path(plot, times[known], edges[known]), end="Z")
    for curve in plot.curves:
        _draw(field, curve.css, f"curve {curve.dash}".strip(), _path(plot, plot.at, curve.y))


def _draw(field: ET.Element, colour: str, css: str, path: str, end: str = "") -> None:
    if path:
        _add(_add(field, "g", colour), "path", css, d=path + end)


def _path(plot: Plot, at: Array, values: Array) -> str:
    """A line through the points; where a value is not known the pen is lifted."""
    path, pen = "", "M"
    for at_s, value in zip(at.tolist(), values.tolist(), strict=True):
        known = math.isfinite(value)
        path += f"{pen}{_x(plot, at_s)} {plot.y_of(value):.1f}" if known else ""
        pen = "L" if known else "M"
    return path


def _say_lines(svg: ET.Element, plot: Plot) -> None:
    """What each limit is, at its right end; beside the upright lines what they point at, one beneath another.

    "now" comes after the marks, but where there are limits to the foot: the word of the upper one ends at the top.
    """
    for value, word in plot.limits:
        y = plot.y_of(value)
        _say(svg, word, "100%", y + (13 if y < 16 else -4), "end", "limit", dx="-4")
    for k, (css, at, word) in enumerate(plot.uprights):
        x, at_foot = plot.x_of(at), css == "nowline" and plot.limits
        y = HEIGHT - 24 if at_foot else 16 + 17 * k
        _say(svg, word, f"{x:.2f}%", y, "end" if x > 55 else "start", dx="-4" if x > 55 else "4")


def _say(svg: ET.Element, word: str, x: str, y: float, anchor: str, css: str = "", **more: str) -> None:
    place = {"class": css, "x": x, "y": f"{y:.1f}", **more, "text-anchor": anchor}
    if anchor == "start":
        del place["text-anchor"]
    ET.SubElement(svg, "text", {key: value for key, value in place.items() if value}).text = word


def _add(parent: ET.Element, tag: str, name: str, what: str = "class", /, **attributes: str) -> ET.Element:
    return ET.SubElement(parent, tag, {what: name, **attributes})


def _x(plot: Plot, at_s: float) -> str:
    return f"{WIDE / 100 * plot.x_of(at_s):.1f}"
