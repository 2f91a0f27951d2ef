"""The daemon at rest and at work: what it costs, and how fast readings are stored. See bench_due for notices."""

from __future__ import annotations

import json
import os
import queue
import resource
import sqlite3
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from curewatch.clock import SystemClock
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.intake.mqtt.subscriber import MqttIntake
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import BrokerSettings, SensorSettings, Settings
from curewatch.store import Store
from tests.shell.parts import Broker, Receiver, Request, wait_for
from tests.whole.service import Service

LONG = True
"""About three minutes: a minute of it at rest, in real time."""

SENSORS, CADENCE_S, REST_S = 10, 10.0, 60.0
MESSAGES, ROUNDS = 20_000, 3


def lines() -> Iterator[Mapping[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder:
        yield from at_rest(Path(folder) / "rest")
        yield from stored(Path(folder) / "stored")


def line(name: str, value: float, unit: str, baseline: float | None = None, **more: object) -> dict[str, Any]:
    ratio = None if baseline is None else value / baseline
    return {"name": name, "value": value, "unit": unit, "baseline": baseline, "ratio": ratio, **more}


# --- at rest ---


def at_rest(folder: Path) -> Iterator[Mapping[str, Any]]:
    """Ten sensors every ten seconds in two rooms with a week of record, six wet pieces."""
    sensors = "".join(f'[[sensors]]\nid = "s{i}"\nroom = "Room {i % 2}"\ntopic = "shed/{i}"\n' for i in range(SENSORS))
    with Broker(folder / "broker") as broker, Receiver() as receiver, Service(folder / "home") as service:
        service.settings(receiver, broker, sensors, members=64)
        now = datetime.now(UTC)
        week = [now - timedelta(minutes=10 * k) for k in range(7 * 144)]
        for i in range(SENSORS):
            record = [_reading(f"Room {i % 2}", at, f"s{i}") for at in week]
            store_readings(service.desk, record)
        for k in range(6):
            order = PourOrder(f"Piece {k}", f"Room {k % 2}", now - timedelta(hours=3 + 20 * k), 1.2e-3, GAUGE)
            log_pour(service.desk, order, now)
        service.start()
        assert service.process is not None
        pid, stop = service.process.pid, threading.Event()
        publisher = threading.Thread(target=_publish_on, args=(broker, stop))
        publisher.start()
        try:
            wait_for(lambda: service.log().count("looked: ") >= 2, 60, "the daemon at rest")
            time.sleep(5)
            cpu, began = _cpu_s(pid), time.monotonic()
            time.sleep(REST_S)
            share = 100 * (_cpu_s(pid) - cpu) / (time.monotonic() - began)
        finally:
            stop.set()
            publisher.join()
        yield line("daemon_at_rest_cpu", share, "% of a core", sensors=SENSORS, cadence_s=CADENCE_S)
        yield line("daemon_at_rest_rss", _rss_mb(pid), "MB", peak=_rss_mb(pid, "VmHWM"))


GAUGE = ThicknessSource.GAUGE


def _reading(room: str, at: datetime, source: str = "typed") -> Reading:
    return Reading(room=room, at=at, temp_c=21.0, rh_pct=50.0, source=source, received_at=at)


def _publish_on(broker: Broker, stop: threading.Event) -> None:
    """Each sensor at its own moment, all with a little noise."""
    client, k = _client(broker, "sensors"), 0
    _connected(client, broker)
    while not stop.wait(CADENCE_S / SENSORS):
        payload = json.dumps({"temperature": 21 + 0.05 * (k % 3), "humidity": 50 + 0.3 * (k % 4)})
        client.publish(f"shed/{k % SENSORS}", payload, qos=1)
        k += 1
    _leave(client)


def _cpu_s(pid: int) -> float:
    """User and system time so far [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _rss_mb(pid: int, key: str = "VmRSS") -> float:
    status = Path(f"/proc/{pid}/status").read_text()
    (kilobytes,) = (text.split()[1] for text in status.splitlines() if text.startswith(f"{key}:"))
    return int(kilobytes) / 1000


# --- from due to told ---


class Timed(Receiver):
    """Notes when each request came."""

    def __init__(self) -> None:
        self.came: list[tuple[float, Request]] = []
        super().__init__()

    def _take(self, handler: Any) -> None:
        super()._take(handler)
        self.came.append((time.time(), self.requests[-1]))


def _is_due(request: Request) -> bool:
    return '"odds":"worth_checking"' in request.body.decode()


def _waited_s(came: float, request: Request) -> float:
    due = datetime.fromisoformat(json.loads(request.body)["data"]["worth_checking_at"])
    return came - due.timestamp()


# --- stored ---


def stored(folder: Path) -> Iterator[Mapping[str, Any]]:
    """Messages the broker kept for a session, until they are committed: ours against a bare client's.

    The bare client writes the very batches ours wrote just before: how well one gathers is not what is compared.
    """
    ratios, ours, bare = [], [], []
    for k in range(ROUNDS):
        with Broker(folder / f"ours-{k}") as broker:
            _fill(broker)
            took, batches = _ours(broker, folder / f"ours-{k}.sqlite")
        ours.append(MESSAGES / took)
        with Broker(folder / f"bare-{k}") as broker:
            _fill(broker)
            bare.append(MESSAGES / _bare(broker, folder / f"bare-{k}.sqlite", batches))
        ratios.append(round(ours[-1] / bare[-1], 3))
    middle = {"rounds": ratios, "messages": MESSAGES, "batch": statistics.mean(batches)}
    yield line("mqtt_to_committed_row", statistics.median(ours), "readings/s", statistics.median(bare), **middle)
    yield line("bench_peak_rss", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000, "MB")


def _fill(broker: Broker) -> None:
    """Have the broker keep the messages for the session that will come for them."""
    keeper = _client(broker, "keeper")
    granted = threading.Event()
    keeper.on_subscribe = lambda *_: granted.set()
    _connected(keeper, broker)
    keeper.subscribe("shed/air", qos=1)
    assert granted.wait(10)
    _leave(keeper)
    start = datetime.now(UTC) - MESSAGES * timedelta(seconds=10)
    broker.publish_all(("shed/air", _payload(start, k)) for k in range(MESSAGES))


def _payload(start: datetime, k: int) -> str:
    at = (start + timedelta(seconds=10 * k)).isoformat()
    return json.dumps({"temperature": 20 + k % 7 / 10, "humidity": 50 + k % 9 / 10, "time": at})


def _client(broker: Broker, client_id: str) -> Client:
    return Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False, manual_ack=True)


def _connected(client: Client, broker: Broker) -> None:
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    wait_for(client.is_connected, what="the client being connected")


def _leave(client: Client) -> None:
    client.disconnect()
    client.loop_stop()


def _ours(broker: Broker, path: Path) -> tuple[float, list[int]]:
    """How long it took [s], and how many readings each transaction wrote."""
    batches: list[int] = []
    sensor = SensorSettings(id="window", room="Shed", topic="shed/air", time="/time")
    with Store.open(path) as store:
        desk = Desk(store, Settings(zone="UTC"))

        def sink(readings: Sequence[Reading]) -> None:
            store_readings(desk, readings)
            batches.append(len(readings))

        intake = MqttIntake(
            BrokerSettings(host="127.0.0.1", port=broker.port), [sensor], sink, SystemClock(), client_id="keeper"
        )
        began = time.monotonic()
        intake.start()
        wait_for(lambda: intake.status().committed >= MESSAGES, 60, "every reading")
        took = time.monotonic() - began
        assert intake.stop(5)
        with store.read() as tx:
            assert tx.counts()["readings"] == MESSAGES
    return took, batches


def _bare(broker: Broker, path: Path, batches: Sequence[int]) -> float:
    """What is left if nothing is checked: JSON to a row, in the same batches and with the same promises of SQLite."""
    heard: queue.SimpleQueue[MQTTMessage] = queue.SimpleQueue()
    client = _client(broker, "keeper")
    client.on_message = lambda client, userdata, message: heard.put(message)
    database = sqlite3.connect(path, isolation_level=None)
    for statement in ("PRAGMA journal_mode=WAL", "PRAGMA synchronous=FULL"):
        database.execute(statement)
    database.execute("CREATE TABLE readings (at TEXT PRIMARY KEY, temp_c REAL, rh_pct REAL) WITHOUT ROWID")
    began = time.monotonic()
    _connected(client, broker)
    for size in batches:
        batch = [heard.get(timeout=10) for _ in range(size)]
        parsed = [json.loads(message.payload) for message in batch]
        database.execute("BEGIN IMMEDIATE")
        database.executemany(
            "INSERT OR IGNORE INTO readings VALUES (?, ?, ?)",
            [(one["time"], one["temperature"], one["humidity"]) for one in parsed],
        )
        database.execute("COMMIT")
        for message in batch:
            client.ack(message.mid, message.qos)
    took = time.monotonic() - began
    _leave(client)
    database.close()
    return took
