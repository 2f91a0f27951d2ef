"""A painter at the page in Chromium, who sets up a studio as it asks. What they press, fill in and type is counted."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from selenium.common.exceptions import NoSuchElementException

from tests.shell.browser import Browser
from tests.shell.parts import Broker, wait_for

WITHIN_S = 40.0
PACE_S = {"presses": 6.0, "fields": 6.0, "letters": 0.5, "looks": 3.0, "commands": 20.0}
"""What each takes a person [s]: to find and press something, to find a field, to type a letter into it, to read what
the page says then, to find, copy and start a command. Common practice, no source; on the slow side."""
USER, LOGIN = "shed", "ebb and flow"
"""Of the broker."""
NESTED = json.dumps({"air": {"temp": "66.2 °F", "rh": "55 %"}, "cell": "2.9 V"})
"""What a sensor sends: readings inside an object, in words, with their units."""


@dataclass(frozen=True)
class Addresses:
    """Where what the painter names is: on loopback, all of it."""

    broker: Broker
    push: int
    mail: int
    program: str


class Painter:
    """At the page: what they do is counted."""

    def __init__(self, browser: Browser) -> None:
        self.browser = browser
        self.done: Counter[str] = Counter()

    @property
    def steps(self) -> int:
        """What was pressed, filled in and started."""
        return self.done["presses"] + self.done["fields"] + self.done["commands"]

    @property
    def minutes(self) -> float:
        """What that takes a person."""
        return sum(PACE_S[what] * n for what, n in self.done.items()) / 60

    def press(self, css: str) -> None:
        try:
            self.browser.press(css)
        except NoSuchElementException:
            raise AssertionError(f"no {css} on {self.browser.driver.current_url}: {self.browser.text()}") from None
        self.done["presses"] += 1

    def fill(self, **fields: str) -> None:
        for name, value in fields.items():
            found = self.browser.find(f'main input[name="{name}"]')
            if found.get_attribute("type") == "radio":
                self.browser.press(f'main input[name="{name}"][value="{value}"]')
                self.done["presses"] += 1
            else:
                found.clear()
                found.send_keys(value)
                self.done["fields"] += 1
                self.done["letters"] += len(value)

    def sees(self, text: str) -> None:
        try:
            wait_for(lambda: text in self.browser.text(), WITHIN_S)
        except AssertionError:
            there = self.browser.driver.current_url
            raise AssertionError(f"{text!r} is not on {there}: {self.browser.text()}") from None
        self.done["looks"] += 1

    def take(self, step: str, sees: str, /, **fields: str) -> str:
        """One step: its questions answered, the difference looked at and written; the difference."""
        self.press(f'main a[href="/setup/{step}"]')
        self.fill(**fields)
        return self.write(sees)

    def write(self, sees: str) -> str:
        self.press("#form button.go")
        self.sees("Changes to be saved")
        shown: str = self.browser.ask("return document.querySelector('.difference').innerText")
        self.press("button.go")
        if sees:
            self.sees(sees)
        return shown

    def test(self, *arrived: str) -> None:
        """Send a test until it has arrived: what hangs on a busy machine is asked for once more."""
        for _ in range(3):
            self.press("#test")
            with contextlib.suppress(AssertionError):
                wait_for(lambda: all(one in self.browser.text() for one in arrived), WITHIN_S / 2)
                return
        raise AssertionError(self.browser.text())

    def back(self) -> None:
        self.press('main .where a[href="/setup"]')
        self.sees("Your studio is begun.")

    def sets_up(self, at: Addresses) -> None:
        """From the demo's first page to a studio of one's own that hears a sensor and tells people and a program."""
        self.sees("Demo: all of this is invented.")
        self.press('.demo a[href="/setup"]')
        self.press("button.go")
        self.sees("Your studio is begun.")
        assert "zone" in self.take("zone", "Europe/Lisbon", zone="Europe/Lisbon", by="Ada")
        self.back()
        assert '+[rooms."boat shed"]' in self.take("room", "boat shed", room="boat shed", air="draughty")
        self.back()
        port, there = str(at.broker.port), f"127.0.0.1:{at.broker.port}"
        shown = self.take("broker", there, port=port, user=USER, password=LOGIN)
        assert "password_file" in shown
        assert LOGIN not in shown, "a secret is not shown"
        self.back()
        self._finds_the_sensor(at.broker)
        self.take("person", "no test has arrived yet through", name="Ada", push=f"json://127.0.0.1:{at.push}/",
                  mail="ada@shed.example", host="127.0.0.1", security="none", port=str(at.mail),
                  sender="studio@shed.example")  # fmt: skip
        self.test("services:Ada: arrived", "mail:Ada: arrived")
        self.back()
        self.take("webhook", "no test has arrived yet through webhook", url=at.program)
        self.test("webhook: arrived")
        self.back()

    def _finds_the_sensor(self, broker: Broker) -> None:
        broker.publish("shed/post/state", "online", retain=True)
        broker.publish("shed/post/report", NESTED, retain=True)
        self.press('main a[href="/setup/sensor"]')
        self.sees("could be 19.0 °C, 55.0 %, battery 83 %")
        self.press('a[href*="topic=shed%2Fpost%2Freport"]')
        self.fill(room="boat shed")
        assert 'temperature = "/air/temp"' in self.write("waiting for the first reading of post-report")
        for _ in range(100):  # as a sensor does: again and again; the page shows by itself that it came
            broker.publish("shed/post/report", NESTED)
            with contextlib.suppress(AssertionError):
                wait_for(lambda: "✓ 1 heard" in self.browser.text(), 0.4)
                break
        self.sees("✓ 1 heard")
        self.back()

    def pours(self, when: str = "5 d ago", **more: str) -> None:
        self.press('.tools a[href="/pour"]')
        self.fill(thickness="thin", when="typed", when_typed=when, **more)
        self.press("button.go")
        self.sees("Logged:")

    def reads(self, temperature: str, humidity: str, when: str, *, new_room: str) -> None:
        """On a thermometer, in a room without a sensor."""
        self.press('.tools a[href="/reading"]')
        self.fill(room_typed=new_room, temperature=temperature, humidity=humidity, when=when)
        self.press("button.go")
        self.sees(f"Reading of {new_room} logged.")


@contextmanager
def phone_net() -> Iterator[str | None]:
    """Another machine beside this one: the name of its network namespace, joined by a cable; None without the right."""
    if os.geteuid() != 0 or shutil.which("ip") is None:
        yield None
        return
    name, here, there = f"phone{os.getpid()}", f"cw{os.getpid() % 10**6}a", f"cw{os.getpid() % 10**6}b"

    def ip(*words: str) -> int:
        return subprocess.run(["ip", *words], capture_output=True).returncode

    commands = (
        f"netns add {name}",
        f"link add {here} type veth peer name {there} netns {name}",
        f"addr add 10.213.7.1/24 dev {here}",
        f"link set {here} up",
        f"-n {name} addr add 10.213.7.2/24 dev {there}",
        f"-n {name} link set {there} up",
        f"-n {name} link set lo up",
    )
    try:
        yield name if not any(ip(*one.split()) for one in commands) else None
    finally:
        ip("link", "del", here)
        ip("netns", "del", name)
