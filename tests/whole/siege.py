"""One daemon with a wet studio, besieged from a class link, by silent connections and through its broker, all at once.

What it must do all the same: raise alarms on time, store every reading, show its owner the page.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import requests
from paho.mqtt import client as mqtt
from requests.adapters import HTTPAdapter, Retry

from curewatch.desk import PourOrder
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Reading, ThicknessSource
from curewatch.web.access.credentials import hash_of
from tests.shell.parts import Broker, Receiver, free_port, wait_for
from tests.shell.web_parts import PASSWORD, token_on
from tests.whole.attackers import PHONES
from tests.whole.service import Service

BEFORE = 48
"""Readings from before."""
PIECES, PUPILS = 12, PHONES + 20
READ_EVERY_S, TOLD = 0.5, timedelta(minutes=50)
"""The sensor in the window was away and sends what it kept of so long, a reading every so many seconds."""
COLD_AFTER, ON_DELAY = timedelta(minutes=10), timedelta(minutes=10)
"""Into that, and for how long an alarm waits if nobody says."""
MEMORY_MB = 512
"""What deploy/curewatch.service lets it have before it is throttled."""
SENSORS = """
[[sensors]]
id = "window"
room = "Shed"
topic = "shed/air"
time = "/time"
[[sensors]]
id = "flood"
room = "Loft"
topic = "shed/flood"
time = "/time"
[[sensors]]
id = "many"
room = "Yard"
topic = "shed/many/+"
time = "/time"
"""


@dataclass(frozen=True)
class Held:
    """What came of it."""

    page_p95_s: float
    page_worst_s: float
    looks: int
    alarm_late_s: float
    """From when a reading was sent by which the cold had lasted as long as an alarm waits."""
    sent: int
    stored: int
    memory_mb: float
    """At its most."""
    phones: int
    """That watched live to the end."""
    answers: dict[str, int]
    """Of each kind that the attackers got."""
    refused: list[str]
    """What the owner got instead of a page."""
    ended_s: float
    log: str


class Owner:
    """At the page, with the password."""

    def __init__(self, port: int) -> None:
        self.url, self.requests = f"http://127.0.0.1:{port}", requests.Session()
        # as every browser: an idle connection that was closed meanwhile is none, and a new one is made
        self.requests.mount("http://", HTTPAdapter(max_retries=Retry(5, backoff_factor=0.05)))
        self.took: list[float] = []
        self.refused: list[str] = []

    def post(self, path: str, **fields: str) -> str:
        token = token_on(self.requests.get(self.url + path, timeout=30).text)
        return self.requests.post(self.url + path, data={"token": token, **fields}, timeout=30).text

    def cookies_of_a_class(self) -> list[str]:
        made = self.post("/ways-in", name="Tuesday", kind="class", days="1", password=PASSWORD)
        link = re.search(r"<code>\S+(/class/[\w-]+)</code>", made)
        assert link, made
        came = [requests.get(self.url + link[1], timeout=30, allow_redirects=False) for _ in range(PUPILS)]
        return [f"curewatch={one.cookies['curewatch']}" for one in came]

    def watch(self, ended: threading.Event) -> None:
        while not ended.wait(0.25):
            for path in ("/", "/alarms"):
                began = time.monotonic()
                try:
                    answer = self.requests.get(self.url + path, timeout=60)
                except requests.RequestException as error:
                    self.refused.append(f"{path}: {error!r}")
                    continue
                if answer.status_code != 200:
                    self.refused.append(f"{path}: {answer.status_code} {answer.text[:300]}")
                self.took.append(time.monotonic() - began)


def besieged(folder: Path, *, lasts_s: float, topics: int, retained: int, flood_hz: int) -> Held:
    with Broker(folder / "broker") as broker, Receiver() as receiver, Service(folder / "home") as service:
        port = _settled(service, receiver, broker)
        old = json.dumps({"temperature": 20, "humidity": 50})
        broker.publish_all(((f"shed/many/{n}", old) for n in range(retained)), qos=0, retain=True)
        service.start(within_s=60)
        owner = Owner(port)
        owner.post("/login", password=PASSWORD)
        owner.requests.get(owner.url, timeout=30)
        given = {"port": port, "mqtt_port": broker.port, "cookies": owner.cookies_of_a_class(), "topics": topics}
        with attacked(given | {"flood_hz": flood_hz}) as came_of_it:
            sent, due_at = _watched(owner, broker, lasts_s)
            told_at = _told_at(receiver)
        wait_for(lambda: _stored(service) >= sent, 30, "every reading")
        memory = _memory_mb(service)
        began = time.monotonic()
        service.end()
        took = sorted(owner.took)
        return Held(
            page_p95_s=took[int(0.95 * len(took))], page_worst_s=took[-1], looks=len(took),
            alarm_late_s=told_at - due_at, sent=sent, stored=_stored(service), memory_mb=memory,
            phones=came_of_it["phones"], answers=came_of_it["answers"], refused=owner.refused,
            ended_s=time.monotonic() - began, log=service.log() + "".join(came_of_it["broken"]),
        )  # fmt: skip


def _settled(service: Service, receiver: Receiver, broker: Broker) -> int:
    """A dozen wet pieces in a cool shed; the page's port."""
    port = free_port()
    service.settings(receiver, broker, SENSORS)
    (service.folder / "page-password").write_text(hash_of(PASSWORD))
    with (service.folder / "curewatch.toml").open("a") as file:
        file.write(f'[web]\nport = {port}\npassword_file = "page-password"\n')
    now = datetime.now(UTC)
    moments = [now - TOLD - timedelta(minutes=10 * k) for k in range(BEFORE, 0, -1)]
    store_readings(service.desk, [
        Reading(room="Shed", at=at, temp_c=13, rh_pct=55, source="window", received_at=at) for at in moments
    ])  # fmt: skip
    poured = now - timedelta(hours=2)
    log_pours(service.desk, [
        PourOrder(f"Piece {n}", "Shed", poured, 1.5e-3, ThicknessSource.GAUGE, size_m=(0.3, 0.4)) for n in range(PIECES)
    ], now)  # fmt: skip
    return port


@contextmanager
def attacked(given: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """For as long as the block goes on; then what is handed out says what came of it."""
    came_of_it: dict[str, Any] = {}
    command = [sys.executable, "-m", "tests.whole.attackers"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as attackers:
        assert attackers.stdin
        attackers.stdin.write(json.dumps(given) + "\n")
        attackers.stdin.flush()
        try:
            yield came_of_it
            came_of_it |= json.loads(attackers.communicate(timeout=60)[0])
        finally:
            attackers.kill()


def _watched(owner: Owner, broker: Broker, lasts_s: float) -> tuple[int, float]:
    """The owner looks, and the sensor in the window speaks; how many readings, and by when (`time`) it was too cold."""
    ended = threading.Event()
    looking = threading.Thread(target=owner.watch, args=(ended,))
    looking.start()
    window = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
    window.connect("127.0.0.1", broker.port)
    window.loop_start()
    sent, due_at, begin = round(lasts_s / READ_EVERY_S), 0.0, datetime.now(UTC) - TOLD
    for n in range(sent):
        passed = TOLD * n / sent
        temp_c = 13.0 if passed < COLD_AFTER else 7.0
        told = {"temperature": temp_c, "humidity": 55, "time": (begin + passed).isoformat()}
        published = window.publish("shed/air", json.dumps(told), qos=1)
        if not due_at and passed > COLD_AFTER + ON_DELAY + timedelta(minutes=1):  # the air is told by the minute
            due_at = time.time()
        time.sleep(READ_EVERY_S)
    published.wait_for_publish(30)
    window.disconnect()
    window.loop_stop()
    ended.set()
    looking.join(60)
    assert not looking.is_alive()
    return sent, due_at


def _told_at(receiver: Receiver) -> float:
    """When it was told that it is too cold."""

    def told() -> list[float]:
        ways = [one.headers for one in receiver.requests if b"alarm/cold/Shed/raised" in one.body]
        return [float(headers["webhook-timestamp"]) for headers in ways]

    return min(wait_for(told, 60, "the alarm"))


def _stored(service: Service) -> int:
    """Of the sensor in the window, since the siege began."""
    with service.desk.store.read() as tx:
        return sum(one.source == "window" for one in tx.readings("Shed")) - BEFORE


def _memory_mb(service: Service) -> float:
    assert service.process
    status = Path(f"/proc/{service.process.pid}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found
    return int(found[1]) / 1024
