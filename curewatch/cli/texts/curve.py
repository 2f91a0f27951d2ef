"""A drying curve in plain text: the median and its band over the time from the pour.

100 ┤●●░
    │  ░●●░░
 50 ┤    ░░●●●░░░
    │        ░░░●●●●░░░░░
  0 ┼──────┬──────┬──────┬─
    0     6 h    12 h   18 h
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from curewatch.language import reads

LEFT = 6
"""Columns before the plot: the scale and its line."""
HEIGHT = 11
"""Rows of the plot: one for every tenth, from 100 down to 0."""
TICKS_H = (1 / 6, 1 / 4, 1 / 2, 1, 2, 3, 6, 12, 24, 48, 72, 168, 336, 672, 1344, 2688)
"""Distances between marks of the time axis that people count in [h]."""
TICK_ROOM = 10
"""Columns that a mark and its label need."""


class Signs(NamedTuple):
    median: str
    band: str
    wall: str
    notch: str
    corner: str
    floor: str
    tick: str
    pointer: str


UNICODE = Signs("●", "░", "│", "┤", "┼", "─", "┬", "↑")
ASCII = Signs("*", ":", "|", "+", "+", "-", "+", "^")


def draw(
    hours: Sequence[float],
    band: tuple[Sequence[float], Sequence[float], Sequence[float]],
    marks: Sequence[tuple[str, float]],
    *,
    unicode: bool,
) -> list[str]:
    """Lines of a plot with one column for each of `hours` [h], evenly spaced from 0.

    `band`: low, median and high of a share (0-1) at each of them. `marks`: names and times [h] to point at; those
    beyond the last hour are left out.
    """
    signs = UNICODE if unicode else ASCII
    rows = [[" "] * len(hours) for _ in range(HEIGHT)]
    for column, (low, median, high) in enumerate(zip(*band, strict=True)):
        for row in range(_row(high), _row(low) + 1):
            rows[row][column] = signs.band
        rows[_row(median)][column] = signs.median
    scale = [f"{100 - 10 * row:>4} {signs.notch}" if row % 5 == 0 else f"     {signs.wall}" for row in range(HEIGHT)]
    plot = [f"{left}{''.join(row)}".rstrip() for left, row in zip(scale, rows, strict=True)]
    return [*plot, *_time_axis(hours, signs), *_pointers(hours, marks, signs)]


def _row(share: float) -> int:
    return min(max(round((1 - share) * (HEIGHT - 1)), 0), HEIGHT - 1)


def _time_axis(hours: Sequence[float], signs: Signs) -> list[str]:
    last, columns = hours[-1], len(hours)
    step = next((t for t in TICKS_H if t / last * (columns - 1) >= TICK_ROOM), last)
    line, labels = [signs.floor] * columns, [" "] * (LEFT + columns)
    for count in range(int(last / step + 1e-9) + 1):
        column = round(count * step / last * (columns - 1))
        line[column] = signs.tick
        label = _label(count * step, step)
        start = LEFT + column - (len(label) - 1) // 2
        if start + len(label) <= len(labels):
            labels[start : start + len(label)] = label
    return [f"     {signs.corner}{''.join(line)}", "".join(labels).rstrip()]


def _label(at_h: float, step_h: float) -> str:
    """`0`, `30 min`, `6 h`, `2 d`: all marks of one axis in one unit."""
    if at_h == 0:
        return "0"
    if step_h < 1:
        return reads().phrase("{n} min", n=round(at_h * 60))
    hours, days = round(at_h), round(at_h / 24)
    return reads().phrase("{n} h", n=hours) if step_h < 24 else reads().phrase("{n} d", n=days)


def _pointers(hours: Sequence[float], marks: Sequence[tuple[str, float]], signs: Signs) -> list[str]:
    """Names under the times they stand for, on as many lines as they need so as not to overlap."""
    lines: list[str] = []
    for name, at in marks:
        if at > hours[-1]:
            continue
        column = LEFT + round(at / hours[-1] * (len(hours) - 1))
        fits = column + len(name) + 2 <= LEFT + len(hours)
        text, start = (
            (f"{signs.pointer} {name}", column) if fits else (f"{name} {signs.pointer}", column - len(name) - 1)
        )
        for index, line in enumerate(lines):
            if len(line) + 2 <= start:
                lines[index] = line.ljust(start) + text
                break
        else:
            lines.append(" " * start + text)
    return lines
