"""Curves in a real browser: a pointer or a finger on one reads its value, at any width, and they stand as drawn."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.refreshing import refresh
from tests.shell.browser import Browser, has_chromium
from tests.shell.parts import wait_for
from tests.shell.web_parts import NOW, Studio, served
from tests.whole.demo_page import browser as browser

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]
FRAME = "const b = document.querySelectorAll('.frame')[{}].getBoundingClientRect(); "
BANDED = r"\d+ \(\d+ to \d+\)"
MOMENT = r"[A-Za-z0-9 ]*\d\d:\d\d"
"""A date as the page says it, "yesterday 09:00" or "Wed 18 Nov 03:00"."""


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    """A piece of twenty hours in a room of fifty: curves of one line, of two, and with limits."""
    with served(tmp_path_factory.mktemp("studio")) as studio:
        studio.pour(hours_ago=20)
        studio.read(hours=50, temp_c=18, rh_pct=55)
        refresh(studio.desk, NOW)
        yield studio


def open_piece(browser: Browser, studio: Studio, width: int) -> None:
    """Its page with the curves unfolded: on a phone they are folded, on what is wide they stand open."""
    browser.look(width=width)
    browser.open(f"{studio.url}/piece/Curlew")
    is_open = "return [...document.querySelectorAll('details:has(figure.plot)')].map(one => one.open)"
    assert browser.ask(is_open) == [width > 960] * 2
    browser.ask("document.querySelectorAll('details:has(figure.plot)').forEach(one => { one.open = true })")


def at(browser: Browser, curve: int, share: float) -> dict[str, float]:
    """The point of the window at that share of a curve's width."""
    browser.ask(f"document.querySelectorAll('.frame')[{curve}].scrollIntoView({{block: 'center'}})")
    x, y = browser.ask(FRAME.format(curve) + f"return [b.left + {share} * b.width, b.top + b.height / 2]")
    return {"x": x, "y": y}


def told(browser: Browser, curve: int) -> str:
    said: str = browser.ask(f"return document.querySelectorAll('figure.plot output')[{curve}].textContent")
    return said


def send(browser: Browser, command: str, **what: Any) -> None:
    browser.driver.execute_cdp_cmd(f"Input.{command}", what)


@pytest.mark.parametrize("width", [320, 1280])
def test_a_pointer_over_a_curve_reads_its_value(studio: Studio, browser: Browser, width: int) -> None:
    open_piece(browser, studio, width)
    said = []
    for share in (0.02, 0.98):
        send(browser, "dispatchMouseEvent", type="mouseMoved", **at(browser, 0, share))
        said.append(wait_for(lambda: told(browser, 0), what="a value"))
    assert all(re.fullmatch(rf"{MOMENT} · left \d+ \(\d+ to \d+\) %", one) for one in said), said
    left = [int(re.search(r"left (\d+)", one)[1]) for one in said]  # type: ignore[index]
    assert left[0] > 90 > left[1] + 50, "it was full at the pour and is nearly empty at the end"


def test_the_row_that_is_told_lies_under_the_pointer(studio: Studio, browser: Browser) -> None:
    open_piece(browser, studio, 390)
    rows = browser.ask(
        "return [...document.querySelectorAll('figure.plot')[0].querySelectorAll('tr[data-x]')]"
        ".map(row => [Number(row.dataset.x), row.querySelector('th').textContent])"
    )
    for x, moment in rows[1:-1:5]:
        send(browser, "dispatchMouseEvent", type="mouseMoved", **at(browser, 0, x / 100))
        wait_for(lambda moment=moment: told(browser, 0).startswith(moment), what=moment)


def test_a_finger_on_a_curve_of_two_lines_reads_both(studio: Studio, browser: Browser) -> None:
    open_piece(browser, studio, 390)
    send(browser, "dispatchTouchEvent", type="touchStart", touchPoints=[at(browser, 1, 0.4)])
    send(browser, "dispatchTouchEvent", type="touchEnd", touchPoints=[])
    said = wait_for(lambda: told(browser, 1), what="a value")
    assert re.fullmatch(rf"{MOMENT} · top {BANDED} % · bottom {BANDED} %", said), said
    assert told(browser, 0) == "", "only the curve that was touched"


@pytest.mark.parametrize("width", [320, 1280])
def test_no_word_of_a_curve_is_cut_off_and_letters_keep_their_size(
    studio: Studio, browser: Browser, width: int
) -> None:
    browser.look(width=width)
    for path in ("/piece/Curlew", "/record/Curlew", "/room/Shed?span=day", "/room/Shed?span=month"):
        browser.open(studio.url + path)
        words = browser.ask(
            "return [...document.querySelectorAll('svg.drawing text')].map(word => {"
            " const b = word.getBoundingClientRect();"
            " return [word.textContent, b.left, b.right, b.height] })"
        )
        assert len(words) > 12, path
        for said, left, right, height in words:
            assert left >= 0, (path, said)
            assert right <= width, (path, said)
            assert 10 < height < 20, (path, said)
    assert browser.complaints() == []
