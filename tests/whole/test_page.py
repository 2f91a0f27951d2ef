"""The page in a real browser, served by the daemon as a process of its own."""

from __future__ import annotations

import base64
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.shell.browser import SHOTS, Browser, chromium, has_chromium
from tests.shell.parts import free_port, wait_for

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]

PAGES = ("/", "/pour", "/reading", "/alarms", "/piece/Low%20tide", "/room/Sail%20loft?span=week", "/ways-in", "/labels")
AXE = os.environ.get("CUREWATCH_TEST_AXE")
"""The path of axe-core's axe.min.js (npm install axe-core), to have every page looked at for WCAG 2.2 A and AA."""
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The demo studio, served by `curewatch run`; as in every start, the address is in the ready line."""
    folder = tmp_path_factory.mktemp("studio")
    port = free_port()
    (folder / "curewatch.toml").write_text(f'zone = "Europe/Lisbon"\n[forecast]\nmembers = 16\n[web]\nport = {port}\n')
    argv = [sys.executable, "-m", "curewatch", "--store", str(folder / "studio.sqlite"), "--config",
            str(folder / "curewatch.toml"), "run", "--demo-if-empty"]  # fmt: skip
    with (folder / "log").open("wb") as log:
        daemon = subprocess.Popen(argv, stdout=log, stderr=log)
    try:
        told = wait_for(
            lambda: re.search(r"ready: .*the page is at (http://\S+)", (folder / "log").read_text()), 40, "the page"
        )
        yield told[1]
    finally:
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(20) == 0, (folder / "log").read_text()
    assert "Traceback" not in (folder / "log").read_text()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as browser:
        yield browser


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
    assert "worth checking" in browser.ask(f"return {card}.innerText")
    assert browser.ask(f"return {card}.querySelectorAll('rect.band').length") >= 2
    browser.keep("logged")
    browser.press(".done button")
    wait_for(lambda: "Taken back." in browser.text(), what="the undo")
    assert "Otter at dusk" not in browser.text()
    assert browser.complaints() == []


def test_the_same_again_is_two_presses_from_the_board(browser: Browser, address: str) -> None:
    browser.look(width=390)
    browser.open(f"{address}/")
    browser.press('.tools a[href="/pour"]')
    browser.press('.again button[value="4"]')
    said = wait_for(lambda: re.search(r"Logged: (.*)\.", browser.text()), what="the board")[1]
    assert len(said.split(", ")) == 4
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


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [320, 1280])
def test_no_page_is_wider_than_the_window_and_each_follows_light_and_dark(
    browser: Browser, address: str, width: int, dark: bool
) -> None:
    browser.look(width=width, dark=dark)
    for path in PAGES:
        browser.open(address + path)
        assert browser.width_of_page() <= width, path
        assert (sum(browser.background()) < 300) == dark, path
        assert browser.complaints() == [], path
        browser.keep(f"{path.strip('/').split('?')[0].replace('/', '-').replace('%20', '-') or 'board'}-{width}-{dark}")


def test_a_printed_piece_is_one_sheet_with_its_record_and_nothing_to_press(browser: Browser, address: str) -> None:
    browser.look(width=900)
    browser.open(f"{address}/piece/Tar%20and%20gulls")
    sheet = base64.b64decode(
        browser.driver.execute_cdp_cmd(
            "Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": False}
        )["data"]
    )
    if SHOTS is not None:
        Path(SHOTS, "printed.pdf").write_bytes(sheet)
    assert len(re.findall(rb"/Type\s*/Page\b", sheet)) == 1
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert "air it has had" in browser.text()
        assert "has left the studio" not in browser.text()
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.skipif(AXE is None, reason="CUREWATCH_TEST_AXE names no axe.min.js")
def test_no_page_breaks_a_rule_of_accessibility(browser: Browser, address: str, dark: bool) -> None:
    browser.look(width=390, dark=dark)
    axe = Path(AXE or "").read_text()
    found = []
    for path in PAGES:
        browser.open(address + path)
        # through the debugger, since the page's own policy lets no foreign script in
        browser.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": axe})
        run = "axe.run(document, {runOnly: " + repr(RULES) + "}).then(r => JSON.stringify(r.violations))"
        asked = {"expression": run, "awaitPromise": True}
        told = browser.driver.execute_cdp_cmd("Runtime.evaluate", asked)["result"]["value"]
        if told != "[]":
            found.append(f"{path}: {told[:1500]}")
    assert found == []


def test_everything_can_be_done_with_the_keyboard_alone(browser: Browser, address: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    browser.look(width=900)
    browser.open(f"{address}/pour")
    reached = set()
    for _ in range(60):
        ActionChains(browser.driver).send_keys(Keys.TAB).perform()
        element = browser.driver.switch_to.active_element
        reached.add(element.get_attribute("name") or element.get_attribute("href") or element.get_attribute("class"))
        if element.get_attribute("class") == "go":
            break
    assert {
        "name",
        "count",
        "when",
        "room",
        "thickness",
        "size",
        "recipe",
        "place",
        "support",
        "air",
        "silicone",
        "go",
    } <= reached
