"""The page in a real browser, served by the daemon as a process of its own."""

from __future__ import annotations

import base64
import os
import re
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.web.access.credentials import hash_of
from tests.shell.browser import SHOTS, Browser, chromium, has_chromium
from tests.shell.parts import wait_for
from tests.shell.web_parts import PASSWORD, served
from tests.whole.demo_page import address as address
from tests.whole.demo_page import browser as browser

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]

IN_TEN_DAYS = f"{datetime.now(UTC) + timedelta(days=10):%Y-%m-%d}"
PAGES = (
    "/", "/wall", "/?ask=danger&by=place", "/pour", "/reading", "/plan",
    f"/plan?due={IN_TEN_DAYS}&room=Boat%20shed&thickness=medium&for=handle&pieces=4", "/plan?due=1999-01-01",
    "/alarms", "/piece/Low%20tide", "/piece/Winter%20mooring", "/record/Low%20tide", "/room/Sail%20loft?span=week",
    "/room/Boat%20shed", "/ways-in", "/labels", "/setup", "/setup/sensor", "/setup/person", "/setup/phone",
    "/lately", "/names", "/offline", "/nothing/here",
    "/language", "/help", "/help/alarms", "/help/commands", "/help/example", "/help/phone",
)  # fmt: skip
"""Every page that is served without a password, and what is said where there is none."""
AXE = os.environ.get("CUREWATCH_TEST_AXE")
"""The path of axe-core's axe.min.js (npm install axe-core), to have every page looked at for WCAG 2.2 A and AA."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


def test_a_pour_logged_on_a_phone_stands_on_the_board_with_its_dates(browser: Browser, address: str) -> None:
    browser.look(width=390)
    browser.open(f"{address}/")
    browser.press('.tools a[href="/pour"]')
    name = browser.find('input[name="name"]')
    name.clear()
    name.send_keys("Otter at dusk")
    browser.press('input[name="thickness"][value="medium"]')
    browser.press("button.go")
    wait_for(lambda: "Logged: Otter at dusk." in browser.text(), what="the board")
    card = "[...document.querySelectorAll('li.piece')].find(li => li.innerText.includes('Otter at dusk'))"
    wait_for(lambda: "worth checking" in browser.ask(f"return {card}.innerText"), 30, "its dates, by themselves")
    browser.keep("logged")
    browser.press('.done a[href^="/piece/"], .who a[href="/piece/Otter%20at%20dusk"]')
    wait_for(lambda: len(browser.all("table.dates rect.band")) >= 2, what="its own page, with more than the next date")
    browser.driver.back()
    browser.press(".done button")
    wait_for(lambda: "Taken back." in browser.text(), what="the undo")
    assert "Otter at dusk" not in browser.text()
    assert browser.complaints() == []


def test_a_finger_test_moves_the_date_and_its_undo_moves_it_back(browser: Browser, address: str) -> None:
    browser.look(width=390)
    browser.open(f"{address}/piece/Tar%20and%20gulls")
    dates = "return document.querySelector('table.dates').innerText"
    before = browser.ask(dates)
    browser.press('button[value="tacky"]')
    wait_for(
        lambda: "Logged: still tacky. Its dates follow from that in a moment." in browser.text(), what="the finding"
    )
    wait_for(lambda: browser.ask(dates) != before, 30, "the new dates, by themselves")
    assert "Why these dates" in browser.text()
    browser.keep("found")
    browser.press(".done button")
    wait_for(lambda: "Taken back." in browser.text(), what="the undo")
    wait_for(lambda: browser.ask(dates) == before, 30, "the old dates, by themselves")
    assert "finger test" not in browser.text()


class Thumb:
    """One hand at a phone of 390 x 800: what it taps, and how long it has been at it."""

    def __init__(self, browser: Browser) -> None:
        self.browser, self.taps, self.began = browser, 0, time.monotonic()

    def tap(self, css: str) -> None:
        self.browser.press(css)
        self.taps += 1

    @property
    def seconds(self) -> float:
        """What the studio took, and a second and a half a tap for a person to find the next [no source: a guess]."""
        return time.monotonic() - self.began + 1.5 * self.taps


def test_four_of_the_same_again_are_two_taps_from_the_board_and_undone_by_a_third(
    browser: Browser, address: str
) -> None:
    browser.look(width=390)
    browser.open(f"{address}/")
    thumb = Thumb(browser)
    thumb.tap('.tools a[href="/pour"]')
    where = "const b = document.querySelector('.again button[value=\"4\"]').getBoundingClientRect(); "
    assert browser.ask(where + "return b.bottom < innerHeight - 60 && b.height >= 44 && b.width >= 44"), "no scrolling"
    thumb.tap('.again button[value="4"]')
    said = wait_for(lambda: re.search(r"Logged: (.*?)\.", browser.text()), what="the board")[1]
    assert len(said.split(", ")) == 4
    assert thumb.taps <= 6
    assert thumb.seconds < 20
    browser.press(".done button")
    wait_for(lambda: "Taken back." in browser.text(), what="the undo")


def test_it_all_works_with_scripts_off(browser: Browser, address: str) -> None:
    browser.look(width=390, scripts=False)
    browser.open(f"{address}/reading")
    browser.find('input[name="temperature"]').send_keys("11.5")
    browser.find('input[name="humidity"]').send_keys("61")
    browser.press("button.go")
    wait_for(lambda: "logged." in browser.text(), what="the board")
    browser.press('.rooms a[href="/room/Boat%20shed"]')
    wait_for(lambda: "typed" in browser.text(), what="the room")
    browser.open(f"{address}/?ask=danger")
    assert browser.all("li.piece")


def test_what_is_logged_elsewhere_appears_by_itself(browser: Browser, address: str) -> None:
    browser.look(width=390)
    browser.open(f"{address}/")
    with chromium() as other:
        other.look(width=390)
        other.open(f"{address}/pour")
        name = other.find('input[name="name"]')
        name.clear()
        name.send_keys("Seen live")
        other.press("button.go")
        wait_for(lambda: "Logged: Seen live." in other.text(), what="the other's board")
        wait_for(lambda: "Seen live" in browser.text(), 15, "the piece appearing without a reload")
        other.press(".done button")
        wait_for(lambda: "Taken back." in other.text(), what="the undo")
        wait_for(lambda: "Seen live" not in browser.text(), 15, "the piece going again")


def named(path: str) -> str:
    """A path as the name of a picture."""
    return re.sub(r"%20|[^a-z]+", "-", path.lower().removeprefix("/")).strip("-") or "board"


@pytest.mark.parametrize(("width", "dark"), [(320, True), (1280, False)])
def test_no_page_is_wider_than_the_window_and_each_follows_light_and_dark(
    browser: Browser, address: str, width: int, dark: bool
) -> None:
    browser.look(width=width, dark=dark)
    for path in PAGES:
        browser.open(address + path)
        assert browser.width_of_page() <= width, path
        assert (sum(browser.background()) < 300) == dark, path
        assert browser.complaints() == [], path
        browser.keep(f"{named(path)}-{width}-{'dark' if dark else 'light'}")


def test_the_wall_is_read_across_the_room_turns_by_itself_and_has_nothing_to_press(
    browser: Browser, address: str
) -> None:
    """From three metres; common practice, no source: from 1.6 of a page's usual letters on, at 96 dpi."""
    letters = (
        "return ['.piece .who', '.piece .next'].map(css => "
        "Number.parseFloat(getComputedStyle(document.querySelector(css)).fontSize) / 16)"
    )
    hasty = (
        "const real = setInterval; window.setInterval = (what, ms) => real(what, ms === 10000 ? 100 : ms);"
        "window.tops = []; addEventListener('scroll', () => tops.push(scrollY));"
    )
    tell = browser.driver.execute_cdp_cmd
    made = tell("Page.addScriptToEvaluateOnNewDocument", {"source": hasty})
    try:
        for width in (1280, 1920):
            browser.look(width=width, height=500)
            tell("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]})
            browser.open(f"{address}/wall")
            assert all(1.6 <= size <= 3 for size in browser.ask(letters)), width
            assert browser.width_of_page() <= width
            assert browser.all("a, button, input, select, summary") == []
            wait_for(lambda: 0 in browser.ask("return tops"), what="the beginning, after the end")
            end = browser.ask("return document.documentElement.scrollHeight - innerHeight - Math.max(...tops)")
            assert end < 4, "every piece was seen"
    finally:
        tell("Page.removeScriptToEvaluateOnNewDocument", made)


@pytest.mark.parametrize("page", ["piece", "record"])
def test_a_printed_piece_is_one_sheet_with_its_record_and_nothing_to_press(
    browser: Browser, address: str, page: str
) -> None:
    browser.look(width=900)
    browser.open(f"{address}/{page}/Tar%20and%20gulls")
    sheet = base64.b64decode(
        browser.driver.execute_cdp_cmd(
            "Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": False}
        )["data"]
    )
    if SHOTS is not None:
        Path(SHOTS, f"printed-{page}.pdf").write_bytes(sheet)
    assert len(re.findall(rb"/Type\s*/Page\b", sheet)) == 1
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert {"piece": "Air so far", "record": "Air while it dried"}[page] in browser.text()
        for pressed in ("has left the studio", "still tacky", "Studio", "The numbers"):
            assert pressed not in browser.text()
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_labels_are_printed_on_the_sheet_that_was_chosen_and_nothing_else_with_them(
    browser: Browser, address: str
) -> None:
    """Each label's place to a millimetre of its grid, from the first that is not used up; on the sheet's own size."""
    browser.look(width=794, height=1123)  # A4 at 96 dpi
    for grid, used, across, wide_mm, high_mm, paper_mm in (
        ("a4-24", 1, 3, 70, 37, (210, 297)), ("letter-30", 2, 3, 66.7 + 3.2, 25.4, (215.9, 279.4)),
        ("a4-14", 0, 2, 99.1 + 2.5, 38.1, (210, 297)),
    ):  # fmt: skip
        browser.open(f"{address}/labels?grid={grid}&used={used}")
        printed = browser.driver.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
        sheets = re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", base64.b64decode(printed))
        assert [tuple(float(one) / 72 * 25.4 for one in size) for size in sheets] == [pytest.approx(paper_mm, abs=1)]
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        places = browser.ask(
            "const first = document.querySelector('.labels').getBoundingClientRect(); return [...document"
            ".querySelectorAll('section.label')].map(one => one.getBoundingClientRect())"
            ".map(b => [(b.left - first.left) / 96 * 25.4, (b.top - first.top) / 96 * 25.4])"
        )
        seen = browser.text()
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        for k, place in enumerate(places, used):
            assert place == pytest.approx([k % across * wide_mm, k // across * high_mm], abs=1), (grid, k)
        assert "Low tide" in seen
        assert not re.search("Labels|As of|Demo|Studio|No codes", seen)


def breaches(browser: Browser) -> str:
    """What axe-core holds against the page that is open, by the rules of WCAG 2.2 A and AA; empty: nothing."""
    # through the debugger, since the page's own policy lets no foreign script in
    browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": Path(AXE or "").read_text()})
    run = "axe.run(document, {runOnly: " + repr(RULES) + "}).then(r => JSON.stringify(r.violations))"
    told = browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": run, "awaitPromise": True})
    said: str = told["result"]["value"]
    return "" if said == "[]" else said[:1500]


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.skipif(AXE is None, reason="CUREWATCH_TEST_AXE names no axe.min.js")
def test_no_page_breaks_a_rule_of_accessibility(browser: Browser, address: str, dark: bool) -> None:
    browser.look(width=390, height=4000, dark=dark)  # so tall that no bar at its foot hides half a button
    found = {}
    for path in PAGES:
        browser.open(address + path)
        browser.ask("document.querySelectorAll('details').forEach(one => { one.open = true })")
        found[path] = breaches(browser)
    assert {path: said for path, said in found.items() if said} == {}


def test_the_password_is_asked_for_at_any_width_in_light_and_dark(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "page-password").write_text(hash_of(PASSWORD))
    with served(tmp_path, password_file=tmp_path / "page-password") as studio:
        for width, dark in ((320, False), (320, True), (1280, False)):
            browser.look(width=width, dark=dark)
            browser.driver.delete_all_cookies()
            browser.open(f"{studio.url}/alarms")
            assert browser.width_of_page() <= width
            assert (sum(browser.background()) < 300) == dark
            assert browser.all("a:not(.skip)") == [], "nothing else to press before the password"
            browser.keep(f"login-{width}-{'dark' if dark else 'light'}")
            if AXE is not None:
                assert breaches(browser) == ""
        browser.find('input[name="password"]').send_keys(PASSWORD)
        browser.press("button.go")
        wait_for(lambda: "Alarms" in browser.text(), what="the page that was asked for")
        assert browser.driver.current_url == f"{studio.url}/alarms"


def tab_to(browser: Browser, css: str, most: int = 90) -> None:
    """Press Tab until the focus is on what `css` names; it must then be seen, by its outline too."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    for _ in range(most):
        ActionChains(browser.driver).send_keys(Keys.TAB).perform()
        if browser.ask(f"return document.activeElement.matches({css!r})"):
            where = browser.ask("const b = document.activeElement.getBoundingClientRect(); return [b.top, b.bottom]")
            assert where[1] > 0, "what has the focus is on the screen"
            assert where[0] < 800
            return
    raise AssertionError(f"{css} cannot be reached with Tab")


def key(browser: Browser, name: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    ActionChains(browser.driver).send_keys(getattr(Keys, name)).perform()


def test_a_pour_and_a_finger_test_are_logged_with_tab_enter_and_space_alone(browser: Browser, address: str) -> None:
    browser.look(width=900, scripts=True)
    browser.open(f"{address}/?of=keyboard")
    tab_to(browser, 'a[href="/pour"]')
    key(browser, "ENTER")
    wait_for(lambda: "Log a pour" in browser.text(), what="the form")
    tab_to(browser, 'input[name="thickness"]')
    key(browser, "SPACE")
    tab_to(browser, 'input[name="silicone"]')
    key(browser, "SPACE")
    tab_to(browser, "button.go")
    key(browser, "ENTER")
    name = wait_for(lambda: re.search(r"Logged: (.+?)\.", browser.text()), what="the board")[1]
    tab_to(browser, f'a[href="/piece/{name.replace(" ", "%20")}"]', 200)
    key(browser, "ENTER")
    wait_for(lambda: "Finger test" in browser.text(), what="the piece")
    tab_to(browser, 'button[value="tacky"]')
    key(browser, "SPACE")
    wait_for(lambda: "Logged: still tacky." in browser.text(), what="the finding")
    tab_to(browser, ".done button")
    key(browser, "ENTER")
    wait_for(lambda: "Taken back." in browser.text(), what="the undo")
    tab_to(browser, "#leave summary", 200)
    key(browser, "SPACE")
    tab_to(browser, "#leave button.grave")
    key(browser, "SPACE")
    wait_for(lambda: "is marked gone" in browser.text(), what="the board without it")


def test_every_field_of_a_pour_can_be_reached_with_tab_alone(browser: Browser, address: str) -> None:
    browser.look(width=900)
    browser.open(f"{address}/pour")
    reached = set()
    for _ in range(60):
        key(browser, "TAB")
        reached.add(browser.ask("const at = document.activeElement; return at.name || at.className"))
        if browser.ask("return document.activeElement.matches('#rest:not([open]) summary')"):
            key(browser, "ENTER")
        if "go" in reached:
            break
    fields = {"name", "count", "when", "room", "thickness", "size", "recipe", "place", "support", "air", "silicone"}
    assert fields | {"go"} <= reached


def test_an_alarm_appears_on_an_open_board_by_itself(browser: Browser, address: str) -> None:
    """On a board that nobody touches: a piece is poured in a room that was cold for an hour."""
    browser.look(width=390)
    browser.open(f"{address}/")
    with chromium() as other:
        other.look(width=390)
        undone = []
        for when in ("1 h ago", "now"):
            other.open(f"{address}/reading")
            for field, typed in (("room_typed", "Slipway"), ("temperature", "4"), ("humidity", "61")):
                other.find(f'input[name="{field}"]').send_keys(typed)
            other.press(f'input[name="when"][value="{when}"]')
            other.press("button.go")
            wait_for(lambda: "Reading of Slipway logged." in other.text(), what="the reading")
            undone.append(other.driver.current_url)
        other.open(f"{address}/pour")
        other.press('input[name="when"][value="3 h ago"]')
        other.find('input[name="room_typed"]').send_keys("Slipway")
        other.press("button.go")
        wait_for(lambda: "Logged: Pour of" in other.text(), what="the pour")
        undone.append(other.driver.current_url)
        wait_for(lambda: "Slipway: too cold for wet paint" in browser.text(), 20, "the alarm without a reload")
        for url in undone:
            other.open(url)
            other.press(".done button")
            wait_for(lambda: "Taken back." in other.text(), what="the undo")
