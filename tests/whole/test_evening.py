"""The evening: a machine on which nothing is, one command, and then only the page and what it says, in a browser.

From the demo to one's own studio: broker with password, a sensor with a nested payload, a person told by push and mail,
a program told by webhook, the page on a phone over a second interface, the first pour, the first notice. With a machine
of its own, a service and a start of the machine anew, it is gone through in `sh deploy/bench evening`.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from tests.shell.browser import chromium, has_chromium
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.shell.test_mail import serving
from tests.whole.painter import LOGIN, USER, WITHIN_S, Addresses, Painter, phone_net
from tests.whole.test_beginning import Machine

pytestmark = [
    pytest.mark.whole,
    pytest.mark.skipif(not has_chromium, reason="needs chromium and chromedriver"),
    pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),  # selenium leaves its driver's pipes to the collector
]
PASSWORD = "slack water at noon"
FROM_PHONE = """
import re, sys, time, requests
until = time.monotonic() + float(sys.argv[4])
with requests.Session() as phone:
    phone.trust_env, phone.verify = False, sys.argv[3]
    while True:
        try:
            page = phone.get(sys.argv[1] + "/login", timeout=20)
            break
        except requests.ConnectionError:  # the daemon is still taking up what was set
            if time.monotonic() > until: raise
            time.sleep(0.1)
    token = re.search('name="token" value="([^"]+)"', page.text)[1]
    there = phone.post(sys.argv[1] + "/login", data={"token": token, "password": sys.argv[2], "next": "/"}, timeout=20)
    assert there.status_code == 200, there.status_code
    print("ROOMS" if "boat shed" in there.text else there.text)
"""


def test_a_painter_sets_up_a_studio_that_watches_in_one_evening(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "home", free_port())
    machine.home.mkdir()
    # only so that several tests can run on one machine, and soon
    machine.set(f"# as it came\n[web]\nport = {machine.port}\n[forecast]\nmembers = 8\n")
    began = time.monotonic()
    with (
        Broker(tmp_path / "broker", users={USER: LOGIN}) as broker, Receiver() as push, Receiver() as program,
        serving(None, "none") as (mails, mail_port), phone_net() as net, machine.start(),
        chromium(self_signed=True) as browser,
    ):  # fmt: skip
        browser.look(width=390)
        browser.open(machine.url)
        painter = Painter(browser)
        painter.sets_up(Addresses(broker, push.port, mail_port, program.url))
        assert push.requests
        assert mails.mails
        painter.pours()
        wait_for(lambda: any(b'"milestone"' in one.body for one in program.requests), WITHIN_S, "the first notice")
        if net is not None:
            painter.press('footer a[href="/setup"]')
            painter.take("phone", "Saved", password=PASSWORD, https="yes", address="10.213.7.1")
            painter.sees("Password")
            painter.fill(password=PASSWORD)
            painter.press("button.go")
            painter.sees("on the phone")
            argv = ["ip", "netns", "exec", net, sys.executable, "-c", FROM_PHONE]
            argv += [
                f"https://10.213.7.1:{machine.port}",
                PASSWORD,
                str(machine.config.parent / "page-certificate.pem"),
            ]
            phone = subprocess.run([*argv, str(WITHIN_S)], capture_output=True, text=True, timeout=WITHIN_S + 30)
            assert phone.stdout.strip() == "ROOMS", phone
        told, found = _asked(machine, ("setup", "--json"), ("check", "--json"))
        done = {one["step"]: one["done"] for one in told["steps"]}
        assert done == {"zone": True, "room": True, "broker": True, "sensor": True, "person": True, "webhook": True,
                        "phone": net is not None, "heartbeat": False}  # fmt: skip
        assert "# as it came" in machine.config.read_text(), "what a person wrote stays"
        assert [one["name"] for one in found["findings"] if one["verdict"] == "fail"] == []
    took_s = time.monotonic() - began
    print(f"{painter.steps} steps of a person, {painter.minutes:.1f} min of theirs and {took_s:.0f} s of the machine")
    assert painter.minutes + took_s / 60 < 15


def _asked(machine: Machine, *commands: tuple[str, ...]) -> list[Any]:
    """What they say, asked side by side."""
    with ThreadPoolExecutor() as several:
        return [json.loads(one.stdout) for one in several.map(lambda words: machine.command(*words), commands)]
