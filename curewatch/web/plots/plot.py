"""A plot: its curves, limits, marks and words, where its times lie, its numbers as a table, and its SVG."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, ClassVar
from xml.etree import ElementTree as ET

import numpy as np
import pygal
from markupsafe import Markup
from numpy.typing import NDArray
from pygal.style import Style

from curewatch.web.texts import Words

if TYPE_CHECKING:
    pass

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
        pass

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


# pygal leaves a finder of its own for maps, which nobody here draws. Python 3.11 warns of it (it has no find_spec) at
# every later import of a module that is not there.
sys.meta_path[:] = [finder for finder in sys.meta_path if not type(finder).__module__.startswith("pygal")]
WIDTH = 1000
"""What pygal draws for [its units]: the field stretches, so this is no more than how finely x is rounded."""
LETTERS = 12
"""Height of the letters, as in page.css [px]."""
BENEATH = 20
"""For the times beneath the field [px]."""
_NUMBER = re.compile(r"-?\d+\.\d+")
Points = list[tuple[float, float | None]]


@dataclass(frozen=True)
class _Series:
    """What is handed to pygal as one of its series, and the class its path gets."""

    css: str
    points: Points
    fill: bool = False
    dots: bool = False
    colour: str = ""
    """The class of the group around it."""


@dataclass(frozen=True)
class _Straight:
    """A line from one side of the field to the other, with its word."""

    css: str
    begin: tuple[float, float]
    end: tuple[float, float]
    word: str


def drawing(plot: Plot) -> Markup:
    """The plot as an `<svg>`, to stand in a page. Its name and description are the plot's own."""
    straights = _straights(plot)
    series = list(_series(plot, straights))
    inside, dots = _drawn(plot, series)
    size = inside.find("rect")
    assert size is not None
    wide, high = float(size.get("width", WIDTH)), float(size.get("height", plot.height))
    name = re.sub(r"[^a-z]+", "-", plot.title.lower()).strip("-")
    svg = ET.Element(
        "svg",
        {"class": "drawing", "width": "100%", "height": f"{high + BENEATH:g}", "role": "img",
         "aria-labelledby": f"{name}-title", "aria-describedby": f"{name}-desc"},
    )  # fmt: skip
    ET.SubElement(svg, "title", id=f"{name}-title").text = plot.title
    ET.SubElement(svg, "desc", id=f"{name}-desc").text = f"{plot.description} The table beneath has the numbers."
    field = {"class": "field", "width": "100%", "height": f"{high:g}", "viewBox": f"0 0 {wide:g} {high:g}"}
    _field(ET.SubElement(svg, "svg", field | {"preserveAspectRatio": "none"}), inside, series, straights)
    for cx, cy in dots:
        cross = ET.SubElement(svg, "svg", x=_percent(cx, wide), y=f"{cy:.1f}", overflow="visible")
        ET.SubElement(cross, "path", {"class": "aside", "d": plot.cross})
    _scale_words(svg, inside, wide)
    _line_words(svg, inside, straights, wide)
    return Markup(ET.tostring(svg, encoding="unicode"))  # built from elements, which escape


def _straights(plot: Plot) -> list[_Straight]:
    """The limits, what the marks point at, and now."""
    begin, end = float(plot.at[0]), float(plot.at[-1])
    low, high = plot.range
    now = plot.words.now.timestamp()
    lines = [_Straight("limit", (begin, value), (end, value), word) for value, word in plot.limits]
    lines += [_Straight("marks", (at, low), (at, high), word) for at, word in plot.marks]
    if begin <= now < end - 0.005 * (end - begin):
        lines.append(_Straight("nowline", (now, low), (now, high), "now"))
    return lines


def _series(plot: Plot, straights: list[_Straight]) -> Iterator[_Series]:
    """What to draw, the lowest first. The straight lines are one series: pygal fills every one up to the longest."""
    broken = [[line.begin, line.end, (line.end[0], None)] for line in straights]
    yield _Series("straight", [point for line in broken for point in line])
    for curve in plot.curves:
        if curve.low is not None and curve.high is not None:
            yield _Series("spread", _outline(plot.at, curve.low, curve.high), fill=True, colour=curve.css)
    for curve in plot.curves:
        yield _Series(f"curve {curve.dash}".strip(), _line(plot.at, curve), colour=curve.css)
    if plot.points:
        yield _Series("aside", list(plot.points), dots=True)


def _line(at: Array, curve: Curve) -> Points:
    """A missing value is None, where pygal lifts the pen."""
    return [(x, y if math.isfinite(y) else None) for x, y in zip(at.tolist(), curve.y.tolist(), strict=True)]


def _outline(at: Array, low: Array, high: Array) -> Points:
    """A band as one closed line: there along its upper edge, back along the lower."""
    edges = [
        [(x, y) for x, y in zip(at.tolist(), edge.tolist(), strict=True) if math.isfinite(y)] for edge in (high, low)
    ]
    return [*edges[0], *reversed(edges[1])]


def _drawn(plot: Plot, series: Iterable[_Series]) -> tuple[ET.Element, list[tuple[float, float]]]:
    """What pygal makes of it: its group of axes and lines, and where its dots are."""
    low, high = plot.range
    chart = pygal.XY(
        width=WIDTH,
        height=plot.height + BENEATH,
        margin=0,
        spacing=BENEATH - LETTERS,  # pygal adds this to the letters' height, beneath the field
        style=Style(label_font_size=LETTERS),
        show_legend=False,
        show_dots=False,
        range=(low, high),
        xrange=(float(plot.at[0]), float(plot.at[-1])),
        x_labels=[{"value": at, "label": label} for at, label in plot.ticks],
        truncate_label=-1,
        show_x_labels=bool(plot.ticks),
        min_scale=3,
        max_scale=6,
        value_formatter=lambda value: f"{value + 0.0:.6g}",
        zero=low,  # a filled line is closed at its own foot
        js=[],
        strict=True,  # the values are numbers or None already
    )
    for one in series:
        chart.add(
            "", one.points, fill=one.fill, stroke=not one.dots, show_dots=one.dots, allow_interruptions=not one.fill
        )
    groups = {str(group.get("class")): group for group in chart.render_tree().iter("g")}
    dots = [(float(dot.get("cx")), float(dot.get("cy"))) for dot in groups["plot overlay"].iter("circle")]
    return groups["plot"], dots


def _field(field: ET.Element, inside: ET.Element, series: list[_Series], straights: list[_Straight]) -> None:
    """Put pygal's paths into the field, each with its class."""
    ET.SubElement(field, "rect", {"class": "frame", "width": "100%", "height": "100%"})
    grid = "".join(_short(path) for axis in _axes(inside) for path in _paths(axis))
    ET.SubElement(field, "path", {"class": "grid", "d": grid})
    for line, path in zip(straights, _paths(_of_series(inside, 0)), strict=True):
        ET.SubElement(field, "path", {"class": line.css, "d": _short(path)})
    for number, one in enumerate(series[1:], 1):
        path = "".join(_short(path) for path in _paths(_of_series(inside, number)))
        if path:
            around = ET.SubElement(field, "g", {"class": one.colour})
            ET.SubElement(around, "path", {"class": one.css, "d": path})


def _scale_words(svg: ET.Element, inside: ET.Element, wide: float) -> None:
    """The numbers of the scale, left of the field; and the times beneath it."""
    across, up = _axes(inside)
    for text in up.iter("text"):
        place = {"class": "scaled", "x": text.get("x", ""), "y": f"{float(text.get('y', 0)):.1f}"}
        ET.SubElement(svg, "text", place | {"text-anchor": "end"}).text = text.text
    for text in across.iter("text"):
        x, y = float(text.get("x", 0)), float(text.get("y", 0))
        ET.SubElement(svg, "text", {"x": _percent(x, wide), "y": f"{y:.1f}", "text-anchor": "middle"}).text = text.text


def _line_words(svg: ET.Element, inside: ET.Element, straights: list[_Straight], wide: float) -> None:
    """What each limit is, at its right end; beside the upright lines what they point at, one beneath another.

    "now" comes after the marks, but where there are limits to the foot: the word of the upper one ends at the top.
    """
    marks, limited = 0, any(line.css == "limit" for line in straights)
    for line, path in zip(straights, _paths(_of_series(inside, 0)), strict=True):
        x, y = (float(number) for number in _NUMBER.findall(path)[:2])
        if line.css == "limit":
            place = {"class": "limit", "x": "100%", "dx": "-4", "y": f"{y + (13 if y < 16 else -4):.1f}"}
            ET.SubElement(svg, "text", place | {"text-anchor": "end"}).text = line.word
            continue
        left = x > 0.55 * wide
        if line.css == "nowline" and limited:
            y -= 20
        else:
            y, marks = 16 + 17 * marks, marks + 1
        place = {"x": _percent(x, wide), "y": f"{y:.1f}", "dx": "-4" if left else "4"}
        ET.SubElement(svg, "text", place | ({"text-anchor": "end"} if left else {})).text = line.word


def _axes(inside: ET.Element) -> tuple[ET.Element, ET.Element]:
    """pygal's two axes: along the bottom and up the side; one that it left out is empty."""
    return _group(inside, "axis x"), _group(inside, "axis y")


def _of_series(inside: ET.Element, number: int) -> ET.Element:
    return _group(inside, f"series serie-{number}")


def _group(inside: ET.Element, begins: str) -> ET.Element:
    """pygal's group whose classes begin so."""
    found = (group for group in inside.findall("g") if f"{group.get('class')} ".startswith(f"{begins} "))
    return next(found, ET.Element("g"))


def _paths(group: ET.Element) -> list[str]:
    return [path.get("d", "") for path in group.iter("path")]


def _short(path: str) -> str:
    """A path with tenths instead of millionths: a third of the bytes."""
    return _NUMBER.sub(lambda number: f"{float(number[0]):.1f}".removesuffix(".0"), path)


def _percent(x: float, wide: float) -> str:
    return f"{100 * x / wide:.2f}%"
