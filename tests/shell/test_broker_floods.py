"""What others can do through the broker: invent devices, send without end, lie about the time, say all of it twice."""

from __future__ import annotations

import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.clock import SystemClock
from curewatch.daemon import Verdict, look
from curewatch.daemon.sensor_intake import SensorIntake
from curewatch.desk import Desk
from curewatch.intake.mqtt import limits, writer
from curewatch.intake.mqtt.limits import LINES
from curewatch.intake.mqtt.message import ReceivedMessage
from curewatch.intake.mqtt.status import StatusBoard
from curewatch.records import Reading
from curewatch.settings import BrokerSettings, SensorSettings, Settings, WebhookSettings
from curewatch.store import Store
from tests.shell.odd_broker import OddBroker, flood, publication
from tests.shell.parts import Broker, has_mosquitto, wait_for

WITHIN_S = 30.0
SENSORS = (
    SensorSettings(id="window", room="Shed", topic="shed/air", time="/time"),
    SensorSettings(id="yard", room="Shed", topic="yard/#", devices_most=8),
)


HOOK = WebhookSettings(url="http://127.0.0.1:9/")
"""Nobody delivers here."""


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


def desk_of(store: Store, port: int) -> Desk:
    return Desk(
        store, Settings(zone="UTC", broker=BrokerSettings(host="127.0.0.1", port=port), sensors=SENSORS, webhook=HOOK)
    )


def listening(desk: Desk) -> SensorIntake:
    assert desk.settings.broker is not None
    made = SensorIntake(desk.settings.broker, desk, SystemClock(), lambda: None)
    made.start()
    return made


def sources(store: Store) -> set[str]:
    with store.read() as tx:
        return {source for _, source in tx.newest_by_source()}


def timed(temp_c: float, at: datetime) -> bytes:
    return json.dumps({"temperature": temp_c, "time": at.isoformat()}).encode()


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_a_flood_leaves_the_sensors_of_the_studio_heard_and_is_told_in_a_few_lines(
    store: Store, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.WARNING, "curewatch")
    now = datetime.now(UTC)
    with Broker(tmp_path / "broker") as broker:
        flood(broker.port, ((f"yard/kept/{n}", b'{"temperature": 19}') for n in range(20_000)), retain=True)
        desk = desk_of(store, broker.port)
        hears = listening(desk)
        try:
            status = hears._intake.status
            wait_for(lambda: status().received + status().dropped >= 20_000, WITHIN_S, "what the broker had kept")
            flood(broker.port, ((f"yard/live/{n}", b'{"temperature": 19}') for n in range(300)))
            lies = [now + timedelta(days=400), now - timedelta(days=4000), datetime(1999, 1, 1, tzinfo=UTC)]
            flood(broker.port, (("shed/air", timed(30, lies[n % 3])) for n in range(3000)))
            broker.publish("shed/air", timed(21.5, now))
            wait_for(lambda: "window" in sources(store), WITHIN_S, "the reading of the studio's own sensor")
            wait_for(lambda: hears._intake.unstored() == 0, WITHIN_S, "all of it done with")
        finally:
            hears.stop(5)
        again = listening(desk)
        try:
            wait_for(lambda: again._intake.status().subscribed, WITHIN_S, "the subscription")
            flood(broker.port, ((f"yard/later/{n}", b'{"temperature": 19}') for n in range(20)))
            wait_for(lambda: again._intake.status().turned_away.get("yard") == 20, WITHIN_S, "the devices")
            broker.publish_all([("shed/air", b'{"temperature": 21, "time": "yesterday"}')] * 5)
            wait_for(lambda: again._intake.status().worst.count == 5, WITHIN_S, "the refusals")  # type: ignore[union-attr]
        finally:
            again.stop(5)
    with store.read() as tx:
        assert [r.temp_c for r in tx.readings("Shed") if r.source == "window"] == [21.5]
        (told,) = (one for one in tx.notices(limit=9) if one.kind == "devices")
        assert str(told.title) == "Shed: more devices send to yard than are heard", "once, in two runs"
        assert "8 devices are heard behind the topic yard/#" in str(told.text)
        assert [one.channel for one in tx.deliveries(keys=[told.key])] == ["webhook"]
    assert len(sources(store)) == 1 + 8
    lines = [record.getMessage() for record in caplog.records]
    assert len([line for line in lines if "no reading" in line]) <= 2 * LINES + 2
    assert sum("8 devices are heard behind its topic, " in line for line in lines) == 2, "once a start"
    found = look(desk.settings, store.location, SystemClock(), environ={})
    said = {one.sentence for one in found if one.verdict is Verdict.WARN}
    assert "8 devices are heard behind its topic, 20 are not: make the topic narrower, or devices_most larger" in said
    assert any("the worst topic is 'shed/air' with 5, the last: shed/air time: got 'yesterday'" in one for one in said)


def test_a_broker_that_delivers_twice_and_out_of_order_makes_each_reading_once(store: Store) -> None:
    now = datetime.now(UTC).replace(microsecond=0)
    times = [now - timedelta(minutes=n) for n in range(6)]
    sent = [publication("shed/air", timed(20 + n, at), qos=1, mid=n + 1) for n, at in enumerate(times)]
    twice = [publication("shed/air", timed(20 + n, at), qos=1, mid=n + 11, dup=True) for n, at in enumerate(times)]
    with OddBroker() as broker:
        hears = listening(desk_of(store, broker.port))
        try:
            assert broker.subscribed.wait(WITHIN_S)
            wait_for(lambda: hears._intake.status().subscribed, WITHIN_S, "the grant")
            broker.send(*sent[::-1], *twice[::2], sent[3], *twice[1::2])
            wait_for(lambda: len(broker.acknowledged) == 13, WITHIN_S, "the acknowledgements")
        finally:
            hears.stop(5)
    with store.read() as tx:
        assert [(r.at, r.temp_c) for r in tx.readings("Shed")] == [(at, 20 + n) for n, at in enumerate(times)][::-1]


def test_a_broker_that_never_answers_a_subscription_is_said_to_be_connected_and_silent(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("curewatch.intake.mqtt.subscriber.ANSWERS_WITHIN_S", 0.5)
    monkeypatch.setattr("curewatch.daemon.check.BROKER_WITHIN_S", 0.5)
    silent = "is connected and silent: it has not answered the subscription in 0.5 s, so nothing is heard"
    with OddBroker(answers=False) as broker:
        desk = desk_of(store, broker.port)
        hears = listening(desk)
        try:
            wait_for(lambda: hears._intake.status().unanswered, WITHIN_S, "the silence being noticed")
            assert hears._intake.status().connected
            time.sleep(1.2)
        finally:
            hears.stop(5)
        found = {one.name: one for one in look(desk.settings, store.location, SystemClock(), environ={})}
    assert caplog.text.count(silent) == 1, "said once a connection"
    assert found["broker"].verdict is Verdict.FAIL
    assert found["broker"].sentence == f"the broker 127.0.0.1:{broker.port} {silent}"


def message(n: int, qos: int, size: int = 10) -> ReceivedMessage:
    payload = b'{"temperature": 20}'.ljust(size)
    return ReceivedMessage("shed/air", payload, n, qos, False, datetime.now(UTC), 0.0, 1, timedelta(0))


@pytest.mark.parametrize("size", [20, 8000])
def test_what_waits_for_a_store_that_does_not_take_it_is_bounded(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of QoS 0 the rest is dropped; of QoS 1 no more is read from the network, which the broker then keeps."""
    monkeypatch.setattr(writer, "WAITING_MAX", 1000)
    monkeypatch.setattr(writer, "WAITING_BYTES", 100_000)
    takes, stored, clock = threading.Event(), list[Reading](), SystemClock()

    def sink(readings: Sequence[Reading]) -> None:
        takes.wait(WITHIN_S)
        stored.extend(readings)

    sensors = (SensorSettings(id="window", room="Shed", topic="shed/air"),)
    made = writer.Writer(sensors, sink, clock, StatusBoard(), lambda batch: None, lambda: None)
    assert sum(made.put(message(n, 0, size)) for n in range(2000)) == min(1000, 100_000 // size + 1)
    reads_on = threading.Event()
    network = threading.Thread(target=lambda: (made.put(message(1, 1, size)), reads_on.set()))
    network.start()
    assert not reads_on.wait(0.3), "the network waits"
    made.start()
    takes.set()
    assert reads_on.wait(WITHIN_S), "and goes on once there is room"
    network.join()
    assert made.finish(WITHIN_S)
    assert len(stored) == min(1000, 100_000 // size + 1) + 1
    assert not made.put(message(2, 0)) or made.unstored == 1


def test_what_would_not_be_let_in_whatever_it_says_is_not_even_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """A flood costs next to nothing: the page is served by the same process."""
    monkeypatch.setattr(limits, "BURST", 10)
    read, real, stored, board = Counter[str](), writer.read_payload, Counter[str](), StatusBoard()

    def counting(sensor: SensorSettings, topic: str, payload: bytes, **rest: Any) -> Reading:
        read[topic] += 1
        return real(sensor, topic, payload, **rest)

    monkeypatch.setattr(writer, "read_payload", counting)
    sensors = (SENSORS[0].model_copy(update={"time": None}), SENSORS[1].model_copy(update={"devices_most": 2}))
    made = writer.Writer(
        sensors, lambda some: stored.update(one.source for one in some), SystemClock(), board, lambda b: None,
        lambda: None,
    )  # fmt: skip
    for n in range(400):
        made.put(message(n, 0)._replace(topic="shed/air" if n % 2 else f"yard/{n % 8}"))
    made.start()
    assert made.finish(WITHIN_S)
    assert 10 <= stored["window"] == read["shed/air"] < 40, "ten at once, and ten a second"
    assert read["yard/0"] == stored["yard/yard/0"] >= 10
    assert (read["yard/4"], read["yard/6"], stored["yard/yard/4"]) == (1, 1, 0)
    assert board.snapshot().turned_away == {"yard": 2}
    assert board.snapshot().poison == 400 - stored.total() - 100


def test_an_end_comes_soon_whatever_is_running(tmp_path: Path) -> None:
    """A look that would take minutes is broken off: nothing of it was told, so nothing is lost."""
    program = (
        "import sys, time\n"
        "from curewatch.daemon import daemon, process\n"
        "process.ENDS_WITHIN_S = 1.0\n"
        "def endless(self, now):\n"
        "    print('looking', flush=True)\n"
        "    time.sleep(120)\n"
        "daemon.Refresher.refresh = endless\n"
        "from curewatch.cli import main\n"
        f"sys.exit(main(['--store', {str(tmp_path / 'studio.sqlite')!r}, 'run']))\n"
    )
    environ = {**os.environ, "HOME": str(tmp_path)}
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environ, text=True
    ) as running:
        assert running.stdout is not None
        assert "looking\n" in iter(running.stdout.readline, "")
        began = time.monotonic()
        running.send_signal(signal.SIGTERM)
        _, said = running.communicate(timeout=WITHIN_S)
        assert running.returncode == 0, said
        assert time.monotonic() - began < 10
        assert "not finished in 1 s: ending at once" in said
    with Store.open(tmp_path / "studio.sqlite") as store, store.lock_for_daemon():
        pass
