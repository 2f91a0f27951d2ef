"""Debian's Chromium, driven through its own driver: what a person sees and presses."""

from __future__ import annotations

import base64
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --disable-dev-shm-usage"
)
has_chromium = shutil.which("chromium") is not None and shutil.which("chromedriver") is not None
SHOTS = os.environ.get("CUREWATCH_TEST_SHOTS")
"""A folder to keep screenshots in, for looking at them."""


class Browser:
    """One window. `driver` is selenium's."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def open(self, url: str) -> None:
        self.driver.get(url)

    def look(self, *, width: int, height: int = 800, dark: bool = False, scripts: bool = True) -> None:
        """Be a window of that size, of somebody who likes it light or dark, with or without scripts."""
        tell = self.driver.execute_cdp_cmd
        shape = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        tell("Emulation.setDeviceMetricsOverride", shape)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        tell("Emulation.setEmulatedMedia", {"features": [scheme]})
        tell("Emulation.setScriptExecutionDisabled", {"value": not scripts})

    def find(self, css: str) -> Any:
        return self.driver.find_element("css selector", css)

    def all(self, css: str) -> list[Any]:
        found: list[Any] = self.driver.find_elements("css selector", css)
        return found

    def ask(self, script: str) -> Any:
        """What JavaScript says, in one go: a page that renews itself has no moment in between."""
        return self.driver.execute_script(script)

    def text(self) -> str:
        said: str = self.ask("return document.body.innerText")
        return said

    def press(self, css: str) -> None:
        """Click; once more where the page has renewed itself under the finger."""
        from selenium.common.exceptions import StaleElementReferenceException

        for last_try in (False, True):
            try:
                found = self.find(css)
                self.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
                found.click()
            except StaleElementReferenceException:
                if last_try:
                    raise
            else:
                return

    def width_of_page(self) -> float:
        """How wide the page is laid out [px]: more than the window is a page to be pushed about sideways."""
        width: float = self.driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]["width"]
        return width

    def background(self) -> tuple[int, ...]:
        script = "return getComputedStyle(document.documentElement).backgroundColor.match(/\\d+/g).map(Number)"
        return tuple(self.ask(script))

    def complaints(self) -> list[str]:
        """What the browser holds against the page: errors of scripts, and breaches of its policy.

        That the page itself was refused (4xx) is no fault of it: such pages are looked at too.
        """
        said = [entry["message"] for entry in self.driver.get_log("browser")]
        refused = f"{self.driver.current_url} - Failed to load resource: the server responded with a status of 4"
        return [one for one in said if not one.startswith(refused)]

    def keep(self, name: str) -> None:
        """Keep a picture of the whole page, if anybody wants to look at it."""
        if SHOTS is None:
            return
        size = self.driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 4000), "scale": 1}
        shot = self.driver.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip})
        Path(SHOTS, f"{name}.png").write_bytes(base64.b64decode(shot["data"]))


@contextmanager
def chromium(*more: str, self_signed: bool = False) -> Iterator[Browser]:
    """`more`: flags beyond the usual. `self_signed`: it goes on past the warning of a certificate that nobody vouches
    for, as whoever made it does."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = Options()
        options.binary_location = shutil.which("chromium")
        own = [f"--user-data-dir={profile}", "--window-size=900,800", "--accept-lang=en-GB"]
        for flag in [*FLAGS.split(), *more, *own]:
            options.add_argument(flag)
        options.accept_insecure_certs = self_signed
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        service = Service(shutil.which("chromedriver"))
        driver = webdriver.Chrome(options=options, service=service)
        try:
            driver.set_page_load_timeout(20)
            yield Browser(driver)
        finally:
            driver.quit()
