"""The evening: a machine on which nothing is, one command, and then only the page and what it says, in a browser.

From the demo to one's own studio: broker with password, a sensor with a nested payload, a person told by push and mail,
a program told by webhook, the page on a phone over a second interface, the first pour, the first notice.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.shell.browser import Browser, chromium, has_chromium
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.shell.test_mail import serving
from tests.whole.test_beginning import Machine

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]
PASSWORD = "slack water at noon"
STEP_S = 6.0
"""What a person needs to find and press or fill in one thing [s; no source: a guess, on the slow side]."""
WITHIN_S = 40.0


class Painter:
    """At the page: what they press and fill in is counted."""

    def __init__(self, browser: Browser, url: str) -> None:
        self.browser, self.url, self.steps = browser, url, 0

    def press(self, css: str) -> None:
        self.browser.press(css)
        self.steps += 1

    def fill(self, **fields: str) -> None:
        for name, value in fields.items():
            found = self.browser.find(f'main input[name="{name}"]')
            if found.get_attribute("type") == "radio":
                self.browser.press(f'main input[name="{name}"][value="{value}"]')
            else:
                found.clear()
                found.send_keys(value)
            self.steps += 1

    def sees(self, text: str) -> None:
        try:
            wait_for(lambda: text in self.browser.text(), WITHIN_S)
        except AssertionError:
            there = self.browser.driver.current_url
            raise AssertionError(f"{text!r} is not on {there}: {self.browser.text()}") from None

    def take(self, step: str, sees: str, /, **fields: str) -> str:
        """One step: its questions answered, the difference looked at and written; the difference."""
        self.press(f'main a[href="/setup/{step}"]')
        self.fill(**fields)
        return self.write(sees)

    def write(self, sees: str) -> str:
        self.press("#form button.go")
        self.sees("This would be written")
        shown: str = self.browser.ask("return document.querySelector('.difference').innerText")
        self.press("button.go")
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
        self.sees("Take what you need")


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
    )
    try:
        yield name if not any(ip(*one.split()) for one in commands) else None
    finally:
        ip("link", "del", here)
        ip("netns", "del", name)


FROM_PHONE = """
import re, sys, requests
with requests.Session() as phone:
    phone.trust_env, phone.verify = False, sys.argv[3]
    page = phone.get(sys.argv[1] + "/login", timeout=20)
    token = re.search('name="token" value="([^"]+)"', page.text)[1]
    there = phone.post(sys.argv[1] + "/login", data={"token": token, "password": sys.argv[2], "next": "/"}, timeout=20)
    assert there.status_code == 200, there.status_code
    print("ROOMS" if "boat shed" in there.text else there.text)
"""


def test_a_painter_sets_up_a_studio_that_watches_in_one_evening(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "home", free_port())
    machine.home.mkdir()
    port = f"# as it came\n[web]\nport = {machine.port}\n[forecast]\nmembers = 8\n"
    machine.set(port)  # only so that several tests can run on one machine
    users, began = {"shed": "ebb and flow"}, time.monotonic()
    with (
        Broker(tmp_path / "broker", users=users) as broker, Receiver() as push, Receiver() as program,
        serving(None, "none") as (mails, mail_port), phone_net() as net, machine.start(), chromium() as browser,
    ):  # fmt: skip
        browser.look(width=390)
        browser.open(machine.url)
        painter = Painter(browser, machine.url)
        painter.sees("Demo: all of this is invented.")
        painter.press('.band a[href="/setup"]')
        painter.press("button.go")
        painter.sees("Your studio is begun.")
        assert "zone" in painter.take("zone", "Europe/Lisbon", zone="Europe/Lisbon", by="Ada")
        painter.back()

        shown = painter.take("room", "boat shed", room="boat shed", air="draughty")
        assert '+[rooms."boat shed"]' in shown
        painter.back()

        login = {"user": "shed", "password": users["shed"]}
        shown = painter.take("broker", f"127.0.0.1:{broker.port}", port=str(broker.port), **login)
        assert "password_file" in shown
        assert users["shed"] not in shown, "a secret is not shown"
        painter.back()

        painter.press('main a[href="/setup/sensor"]')
        broker.publish("shed/post/state", "online", retain=True)
        nested = json.dumps({"air": {"temp": "66.2 °F", "rh": "55 %"}, "cell": "2.9 V"})
        broker.publish("shed/post/report", nested, retain=True)
        painter.sees("could be 19.0 °C, 55.0 %, battery 83 %")
        painter.press('a[href*="topic=shed%2Fpost%2Freport"]')
        painter.fill(room="boat shed")
        shown = painter.write("waiting for the first reading of post-report")
        assert 'temperature = "/air/temp"' in shown
        for _ in range(20):  # as a sensor does: again and again
            broker.publish("shed/post/report", nested)
            with contextlib.suppress(AssertionError):
                wait_for(lambda: "✓ 1 heard" in browser.text(), 2)
                break
        painter.sees("✓ 1 heard")
        painter.back()

        painter.take("person", "no test has arrived yet through", name="Ada", push=f"json://127.0.0.1:{push.port}/",
                     mail="ada@shed.example", host="127.0.0.1", security="none", port=str(mail_port),
                     sender="studio@shed.example")  # fmt: skip
        painter.test("services:Ada: arrived", "mail:Ada: arrived")
        assert push.requests
        assert mails.mails
        painter.back()
        painter.take("webhook", "no test has arrived yet through webhook", url=program.url)
        painter.test("webhook: arrived")
        painter.back()

        painter.press('.tools a[href="/pour"]')
        painter.fill(thickness="thin", when="typed", when_typed="5 d ago")
        painter.press("button.go")
        painter.sees("Logged:")
        wait_for(lambda: any(b'"milestone"' in one.body for one in program.requests), WITHIN_S, "the first notice")

        if net is not None:
            painter.press('footer a[href="/setup"]')
            painter.press('main a[href="/setup/phone"]')
            painter.fill(password=PASSWORD, https="yes", address="10.213.7.1")
            painter.press("#form button.go")
            painter.sees("This would be written")
            painter.press("button.go")
            there = f"https://10.213.7.1:{machine.port}"
            argv = ["ip", "netns", "exec", net, sys.executable, "-c", FROM_PHONE, there, PASSWORD]
            argv += [str(machine.config.parent / "page-certificate.pem")]
            seen = wait_for(lambda: _came(argv), WITHIN_S, "the page on the phone")
            assert seen == "ROOMS"
        told = json.loads(machine.command("setup", "--json").stdout)
        done = {one["step"]: one["done"] for one in told["steps"]}
        assert done == {"zone": True, "room": True, "broker": True, "sensor": True, "person": True, "webhook": True,
                        "phone": net is not None, "heartbeat": False}  # fmt: skip
        assert "# as it came" in machine.config.read_text(), "what a person wrote stays"
        found = json.loads(machine.command("check", "--json").stdout)["findings"]
        assert [one["name"] for one in found if one["verdict"] == "fail"] == []
    minutes = (painter.steps * STEP_S + time.monotonic() - began) / 60
    print(f"{painter.steps} steps of a person, {time.monotonic() - began:.0f} s of the machine: {minutes:.1f} min")
    assert minutes < 15


def _came(argv: list[str]) -> str | None:
    done = subprocess.run(argv, capture_output=True, text=True, timeout=60)
    if done.returncode:
        print(done.stderr[-400:])  # shown where it never comes
    return done.stdout.strip() if done.returncode == 0 else None
