"""How a plot is drawn: scale, times, gaps, bands, words, and nothing that the page's policy forbids."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from curewatch.language import Reader
from curewatch.web.plots.plot import Curve, Plot, thinned
from curewatch.web.texts import Words
from tests.shell.web_parts import NOW


def plot(*y: list[float], hours: float = 48, **more: Any) -> Plot:
    """Curves over so many hours from NOW on."""
    at = NOW.timestamp() + np.linspace(0, hours * 3600, len(y[0]))
    curves = tuple(Curve(f"c{k}", "temp", np.array(values)) for k, values in enumerate(y))
    more = {"words": Words(NOW, Reader(zone=ZoneInfo("Europe/Lisbon"))), "curves": curves, **more}
    return Plot("Air, °C", "As read.", "°C", at, **more)


def drawn(one: Plot) -> ET.Element:
    return ET.fromstring(one.drawing)


def paths(svg: ET.Element, css: str) -> list[str]:
    return [path.get("d", "") for path in svg.iter("path") if path.get("class") == css]


def corners(path: str) -> list[tuple[float, float]]:
    numbers = [float(number) for number in re.findall(r"-?[\d.]+", path)]
    return list(zip(numbers[::2], numbers[1::2], strict=True))


def words(svg: ET.Element) -> list[tuple[str, dict[str, str]]]:
    return [(text.text or "", text.attrib) for text in svg.iter("text")]


def scale(svg: ET.Element) -> dict[float, float]:
    """The numbers at the left, and where they stand."""
    return {float(said): float(how["y"]) for said, how in words(svg) if how.get("class") == "scaled"}


def test_a_gap_in_the_record_is_a_gap_in_the_line() -> None:
    (line,) = paths(drawn(plot([1, 2, np.nan, 3, 4])), "curve")
    assert line.count("M") == 2
    assert len(corners(line)) == 4


def test_the_scale_holds_every_value_in_round_steps() -> None:
    for values in ([0.0, 0.0], [-3.2, 18.9], [9.95, 10.05], [0.0, 100.0], [17.0, 17.0]):
        svg = drawn(plot(values))
        numbers = sorted(scale(svg))
        steps = np.diff(numbers)
        assert 2 <= len(numbers) <= 8, values
        assert steps == pytest.approx(steps[0])
        assert float(f"{steps[0]:.1g}") == pytest.approx(steps[0]), "a round step"
        assert all(0 < y < 190 for _, y in corners(paths(svg, "curve")[0])), values


def test_a_line_lies_where_the_scale_says() -> None:
    svg = drawn(plot([0, 100], limits=((60.0, "damp 60 %"),)))
    (limit,) = paths(svg, "limit")
    grid = {y for x, y in corners(re.sub(r"[hv][\d.]+", "", paths(svg, "grid")[0])) if x == 0}
    assert corners(limit)[0][1] == corners(limit)[1][1]
    assert corners(limit)[0][1] in grid, "60 is one of the steps"
    assert corners(paths(svg, "curve")[0])[0][1] == max(y for y in grid if y < 190)
    ((said, place),) = [(said, how) for said, how in words(svg) if how.get("class") == "limit"]
    assert (said, place["x"], place["text-anchor"]) == ("damp 60 %", "100%", "end")


def test_ticks_are_whole_hours_or_days_of_the_studios_zone() -> None:
    told = ["12:00", "18:00", "21 Nov", "06:00"]
    assert [label for _, label in plot([1, 2], hours=24).ticks] == told
    assert [said for said, how in words(drawn(plot([1, 2], hours=24))) if how.get("text-anchor") == "middle"] == told
    assert all(re.fullmatch(r"\d+ [A-Z][a-z]+", label) for _, label in plot([1, 2], hours=24 * 30).ticks)


def test_a_row_of_the_table_lies_where_its_time_is_drawn() -> None:
    """What a finger reads is taken from the row nearest to it."""
    one = plot([5, 6, 7, 8, 9], hours=24 * 30)
    svg = drawn(one)
    field = next(part for part in svg.iter("svg") if part.get("class") == "field")
    wide = float(field.get("viewBox", "").split()[2])
    drawn_at = [100 * x / wide for x, _ in corners(paths(svg, "curve")[0])]
    assert [x for x, _, _ in one.rows] == pytest.approx(drawn_at, abs=0.02)  # both are rounded to a hundredth


def test_a_band_is_closed_between_its_edges_and_has_no_foot() -> None:
    low, high = np.array([np.nan, 1.0, 2.0, 3.0]), np.array([np.nan, 4.0, 6.0, 8.0])
    curve = Curve("foreseen", "damp", (low + high) / 2, "second", low, high)
    svg = drawn(plot([0, 0, 0, 0], curves=(curve,), least=(0.0, 10.0)))
    (spread,) = paths(svg, "spread")
    edge = corners(spread)
    assert len(edge) == 6
    assert spread.endswith("Z")
    assert edge[0][1] < edge[-1][1], "there along the upper edge, back along the lower"
    assert edge[0][0] == edge[-1][0]
    assert len(paths(svg, "curve second")) == 1
    assert {group.get("class") for group in svg.iter("g")} == {"damp"}


def test_now_marks_and_unused_readings_are_drawn_with_their_words() -> None:
    start = NOW.timestamp()
    marks = ((start + 12 * 3600, "touch-dry"), (start + 40 * 3600, "can be handled"))
    svg = drawn(plot([1, 2], marks=marks, points=((start + 24 * 3600, 99.0),)))
    assert len(paths(svg, "nowline")) == 1
    assert len(paths(svg, "marks")) == 2
    said = dict(words(svg))
    assert said["touch-dry"].get("text-anchor") is None
    assert said["can be handled"]["text-anchor"] == "end", "its word is not cut off at the right"
    (cross,) = [part for part in svg.iter("svg") if part.get("overflow") == "visible"]
    assert cross.get("x") == "50.00%"
    assert float(cross.get("y", 0)) < 10, "the scale holds it"


def test_a_drawing_has_name_and_description_and_nothing_the_policy_forbids() -> None:
    """No style, script or address of another site."""
    svg = drawn(plot([1, 2], limits=((1.5, "<b>&"),)))
    named = {part.get("id"): (part.tag, part.text) for part in svg if part.get("id")}
    assert named[svg.get("aria-labelledby")] == ("title", "Air, °C")
    assert named[svg.get("aria-describedby")] == ("desc", "As read. The table beneath has the numbers.")
    assert {part.tag for part in svg.iter()} == {"svg", "title", "desc", "rect", "path", "text", "g"}
    assert not {"style", "onclick", "href"} & {key for part in svg.iter() for key in part.attrib}
    assert "http" not in plot([1, 2]).drawing
    assert "<!--" not in plot([1, 2]).drawing
    assert "&lt;b&gt;&amp;" in plot([1, 2], limits=((1.5, "<b>&"),)).drawing


def test_curves_that_hold_nothing_are_drawn_empty() -> None:
    svg = drawn(plot([np.nan, np.nan]))
    assert paths(svg, "curve") == []
    assert len(paths(svg, "grid")) == 1


def test_thinning_keeps_means_and_gaps() -> None:
    at = np.arange(1000.0)
    value = np.where((at > 400) & (at < 600), np.nan, at)
    time, thin = thinned(at, value, most=10)
    assert len(time) == 10
    assert np.isnan(thin).sum() == 1
    # the spans are 99.9 long, so a value more or less falls into the first
    assert thin[0] == pytest.approx(49.5, abs=0.5)


def test_the_table_tells_the_unit_of_what_is_known_alone() -> None:
    one = plot([20.0, np.nan, 22.0])
    missing = Curve("foreseen", "temp", np.array([np.nan, 21.0, 22.0]), low=np.full(3, 19.0), high=np.full(3, 23.0),
                    absent="no air was read")  # fmt: skip
    rows = replace(one, curves=(*one.curves, missing)).rows
    assert [values for _, _, values in rows] == [
        ["20 °C", "no air was read"], ["not known", "21 (19 to 23) °C"], ["22 °C", "22 (19 to 23) °C"],
    ]  # fmt: skip
