"""Setting up with scripts off, and without a broker of one's own: only links and forms as they stand in the pages, from
the demo to the first reading of a sensor, heard through the example of a broker that the daemon starts."""

from __future__ import annotations

import json
import socket
from html.parser import HTMLParser
from pathlib import Path

import pytest
import requests
from paho.mqtt import publish

from curewatch.settings import load_settings
from tests.shell.parts import Receiver, free_port, has_mosquitto, wait_for
from tests.whole.test_beginning import WITHIN_S, Machine

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]
PASSWORD = "slack water at noon"


class Forms(HTMLParser):
    """The forms of a page by where they go, each with what a browser would send of it untouched; and all links."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.forms: dict[str, dict[str, str]] = {}
        self.names: dict[str, set[str]] = {}
        self.links: list[str] = []
        self._at = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        has = {name: value or "" for name, value in attrs}
        if tag == "a":
            self.links.append(has.get("href", ""))
        elif tag == "form" and has.get("method", "").lower() == "post":
            self._at = has["action"]
            self.forms[self._at], self.names[self._at] = {}, set()
        elif tag in ("input", "button") and self._at and (name := has.get("name")):
            self.names[self._at].add(name)
            if tag == "input" and (has.get("type") not in ("radio", "checkbox") or "checked" in has):
                self.forms[self._at][name] = has.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._at = ""


class Reader:
    """Somebody with a browser without scripts."""

    def __init__(self, url: str) -> None:
        self.url, self.browser, self.page = url, requests.Session(), ""

    def opens(self, path: str) -> Reader:
        self._ask("get", path)
        return self

    def follows(self, path: str) -> Reader:
        """A link of the page, by how it begins."""
        return self.opens(next(link for link in Forms(self.page).links if link.startswith(path)))

    def sends(self, form: str, **filled: str) -> Reader:
        found = Forms(self.page)
        assert form in found.forms, f"no form for {form} in: {self.page}"
        assert filled.keys() <= found.names[form], f"{form} asks for {found.names[form]}"
        self._ask("post", form, data=found.forms[form] | filled)
        return self

    def sets(self, step: str, sees: str, **filled: str) -> None:
        """A step as far as its being written; the page that follows says so."""
        shown = self.opens("/setup").follows(f"/setup/{step}").sends(f"/setup/{step}", **filled).page
        assert 'class="difference"' in shown, shown
        self.sends("/setup/write")
        assert sees in self.page, self.page

    def _ask(self, how: str, path: str, **more: object) -> None:
        def answer() -> requests.Response | None:
            try:
                there = self.url + path.partition("#")[0]
                return self.browser.request(how, there, timeout=30, allow_redirects=False, **more)  # type: ignore[arg-type]
            except requests.ConnectionError:  # what was set is being taken up
                return None

        found = wait_for(answer, WITHIN_S, f"an answer from {path}")
        if found.is_redirect:  # where that is cut off, a browser opens it once more, and sends nothing twice
            return self._ask("get", found.headers["location"].removeprefix(self.url))
        self.page = found.text
        assert found.status_code == 200, found.text


def test_without_scripts_or_a_broker_a_person_gets_from_the_demo_to_a_sensors_first_reading(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "home", free_port())
    machine.home.mkdir()
    machine.set(f"[web]\nport = {machine.port}\n[forecast]\nmembers = 8\n")
    port = free_port()
    with Receiver() as outside, machine.start():
        person = Reader(machine.url)
        person.opens("/").follows("/setup").sends("/setup/begin")
        person.sets("zone", "Europe/Lisbon", zone="Europe/Lisbon", by="Ada")
        person.sets("room", "boat shed", room="boat shed", air="draughty", heated="no")
        person.sets("broker", f"port {port}, as user sensors with the password in", which="here", port=str(port))
        settings = load_settings(machine.config)
        assert settings.broker is not None
        password = settings.broker.password()
        assert password is not None
        held = machine.own.parent / "broker"
        assert password.get_secret_value() not in (held / "passwords").read_text(), "a hash of it"
        secret = (held, held / "passwords", machine.config.parent / "broker-password")
        assert {one.stat().st_mode & 0o077 for one in secret} == {0}
        login = {"username": "sensors", "password": password.get_secret_value()}

        def sends() -> bool:
            text = '{"air": {"temp": 19.5, "hum": 61}}'
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                publish.single("shed/post", text, hostname="127.0.0.1", port=port, auth=login, qos=1, retain=True)
            except OSError:  # it is being started
                return False
            return True

        wait_for(sends, WITHIN_S, "the example broker")
        person.opens("/setup").follows("/setup/sensor")
        wait_for(lambda: "shed%2Fpost" in person.opens("/setup/sensor").page, WITHIN_S, "the sensor overheard")
        person.follows("/setup/sensor?").sends("/setup/sensor", room="boat shed", unit="C").sends("/setup/write")
        wait_for(lambda: sends() and "1 heard" in person.opens("/setup/sensor").page, WITHIN_S, "the first reading")
        rooms = requests.get(f"{machine.url}/api/v1/rooms", timeout=20).json()
        assert [(one["name"], one["temp_c"]) for one in rooms] == [("boat shed", 19.5)]

        person.sets("person", "no test has arrived yet", name="Ada", push=f"json://127.0.0.1:{outside.port}/")
        person.sets("webhook", "no test has arrived yet", url=outside.url)
        person.sends("/setup/test")
        assert person.page.count(": arrived") == 2, person.page
        person.sets("heartbeat", "set", url=outside.url)
        person.opens("/setup/phone").sends("/setup/phone", password=PASSWORD, https="no", address="shed.example")
        person.sends("/setup/write").sends("/login", password=PASSWORD)
        assert f"open http://shed.example:{machine.port} on the phone" in person.opens("/setup/phone").page
        stands = {one["step"]: one["done"] for one in json.loads(machine.command("setup", "--json").stdout)["steps"]}
        assert stands == dict.fromkeys(stands, True) | {"phone": False}, "nobody came from another machine"
        found = {one["name"]: one for one in json.loads(machine.command("check", "--json").stdout)["findings"]}
        assert found["broker"]["verdict"] == "ok", found["broker"]
    assert not (held / "pid").exists(), "it ends with the daemon"
    said = {one["name"]: one for one in json.loads(machine.command("check", "--json").stdout)["findings"]}["broker"]
    assert (said["verdict"], said["do"]) == ("fail", "start the daemon, which starts it: `curewatch run`")
