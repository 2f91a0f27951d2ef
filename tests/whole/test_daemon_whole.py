"""The real thing: a broker, a receiver, and the daemon as a process of its own that is killed and lives on."""

from __future__ import annotations

import json
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from standardwebhooks import Webhook

from curewatch.desk import PourOrder
from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.desk.commands.pours import log_pour
from curewatch.notify.webhook import id_of
from curewatch.records import MilestoneKind, Reading, ThicknessSource
from tests.shell.parts import Answer, Broker, Receiver, has_mosquitto, wait_for
from tests.whole.rooms import Row, two_weeks
from tests.whole.service import SECRET, Service

pytestmark = [pytest.mark.whole, pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")]

SENSOR = '[[sensors]]\nid = "{id}"\nroom = "{room}"\ntopic = "{topic}"\ntime = "/time"\n'
PIECES = {"Heron": (12, "1.2mm"), "Low tide": (48, "0.8mm"), "Eel trap": (96, "2.5mm")}
"""Poured so many hours into the two weeks, so thick."""


FAR = datetime.max.replace(tzinfo=UTC)


def verify(receiver: Receiver) -> Counter[str]:
    """How often each key came. Every signature holds, and a key that came again came with the same words."""
    bodies: dict[str, bytes] = {}
    for request in list(receiver.requests):
        Webhook(SECRET).verify(request.body, request.headers)
        key = json.loads(request.body)["data"]["key"]
        assert request.headers["webhook-id"] == id_of(key)
        assert bodies.setdefault(key, request.body) == request.body
    return Counter(receiver.keys())


def due_keys(service: Service, now: datetime) -> list[set[str]]:
    """Of each milestone that is due, the keys it may be told under: at even odds, or safe (or both, one later)."""
    with service.desk.store.read() as tx:
        forecasts = tx.forecasts()
    return [
        {f"piece-{forecast.piece_id}/{milestone.kind}/{odds}" for odds in ("worth_checking", "safe")}
        for forecast in forecasts.values()
        for milestone in forecast.milestones
        if milestone.kind is not MilestoneKind.SET and (milestone.worth_checking_at or FAR) <= now
    ]


@pytest.mark.xdist_group("two weeks")
def test_two_weeks_and_three_pours_survive_being_killed(tmp_path: Path) -> None:
    # ends ten minutes ago, so that nothing is silent or in the future
    rows = two_weeks(datetime.now(UTC) - timedelta(minutes=10))
    sensor = SENSOR.format(id="window", room="Shed", topic="shed/air")
    with Broker(tmp_path / "broker") as broker, Receiver() as receiver, Service(tmp_path / "home") as service:
        service.settings(receiver, broker, sensor)
        service.start()
        for name, (hours, thickness) in PIECES.items():
            at = (rows[0].at + timedelta(hours=hours)).isoformat()
            service.command("pour", name, "--room", "Shed", "--wet-thickness", thickness, "--at", at)
        messages = [("shed/air", row.payload()) for row in rows]
        again = messages[700:720]  # QoS 1 may bring a message twice
        publishing = threading.Thread(target=broker.publish_all, args=([*messages, *again],))
        publishing.start()

        wait_for(lambda: service.readings() > len(rows) // 3, 30, "a third of the readings")
        service.kill()
        publishing.join(30)
        assert service.readings() < len(rows)
        service.start()
        wait_for(lambda: service.readings() >= len(rows), 30, "every reading")
        assert service.readings() == len(rows)

        wait_for(lambda: receiver.requests, 30, "the first notice")
        service.kill()
        service.start()
        wait_for(lambda: everything_is_told(service, receiver), 30, "every notice")

        times = verify(receiver)
        with service.desk.store.read() as tx:
            assert set(times) == {notice.key for notice in tx.notices(limit=1000)}
        # Twice only what a kill caught between being sent and being marked.
        assert sum(times.values()) - len(times) <= 2
        ends_gracefully_and_goes_on(service, broker, receiver, rows)


def everything_is_told(service: Service, receiver: Receiver) -> bool:
    due, told = due_keys(service, datetime.now(UTC)), set(receiver.keys())
    enough = len(due) >= 2 * len(PIECES) and all(keys & told for keys in due)
    return enough and any(key.startswith("alarm/cold/Shed/raised/") for key in told) and not service.undelivered()


def ends_gracefully_and_goes_on(service: Service, broker: Broker, receiver: Receiver, rows: list[Row]) -> None:
    """SIGTERM in the middle of a flood: what was taken is stored, and the broker keeps the rest."""
    earlier = [
        row._replace(at=row.at - timedelta(days=15)) for row in rows[:400]
    ]  # before the pours: tells nothing new
    told = verify(receiver)
    publishing = threading.Thread(target=broker.publish_all, args=([("shed/air", row.payload()) for row in earlier],))
    publishing.start()
    wait_for(lambda: service.readings() > len(rows), 30, "the flood")
    assert service.end() == 0
    publishing.join(30)
    service.start()
    wait_for(lambda: service.readings() == len(rows) + len(earlier), 30, "the rest of the flood")
    assert service.end() == 0
    again = verify(receiver)
    assert {key: again[key] for key in told} == dict(told), "a notice was sent again without need"


# --- one studio for the rest: each test has a room of its own ---

ROOMS = ("loft", "slip", "store", "yard")


class Studio(Service):
    broker: Broker
    receiver: Receiver


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    folder = tmp_path_factory.mktemp("studio")
    with Broker(folder / "broker") as broker, Receiver() as receiver, Studio(folder / "home") as studio:
        studio.broker, studio.receiver = broker, receiver
        sensors = "".join(SENSOR.format(id=name, room=name.title(), topic=f"shed/{name}") for name in ROOMS)
        studio.settings(receiver, broker, sensors)
        studio.start()
        yield studio
        studio.alive()
        assert studio.end() == 0
        assert "unexpected" not in studio.log()
        assert "Traceback" not in studio.log()


def row(minutes_ago: float, temp_c: float = 19.0, rh_pct: float = 55.0) -> Row:
    return Row(datetime.now(UTC) - timedelta(minutes=minutes_ago), temp_c, rh_pct)


def readings_in(studio: Studio, room: str) -> list[Reading]:
    with studio.desk.store.read() as tx:
        return tx.readings(room)


@pytest.mark.xdist_group("studio")
def test_freezing_cold_is_told_as_urgent(studio: Studio) -> None:
    now = datetime.now(UTC)
    order = PourOrder("Drift ice", "Loft", now - timedelta(hours=2), 1.2e-3, ThicknessSource.GAUGE)
    log_pour(studio.desk, order, now)
    cold = [row(minutes, -1.0 if minutes < 50 else 12.0) for minutes in range(110, -1, -5)]
    studio.broker.publish_all([("shed/loft", one.payload()) for one in cold])

    def frost() -> dict[str, object] | None:
        bodies = (json.loads(request.body) for request in list(studio.receiver.requests))
        return next((body["data"] for body in bodies if body["data"].get("alarm") == "frost"), None)

    notice = wait_for(frost, 20, "the frost notice")
    assert notice["urgent"] is True
    assert notice["room"] == "Loft"
    verify(studio.receiver)


@pytest.mark.xdist_group("studio")
def test_a_pour_logged_by_a_command_is_forecast_by_the_daemon(studio: Studio) -> None:
    studio.command("reading", "--room", "Typed", "--temperature", "20C", "--humidity", "50%", "--at", "1 h ago")
    studio.command("pour", "Slack water", "--room", "Typed", "--layer", "medium", "--at", "30 min ago")

    def forecast() -> bool:
        with studio.desk.store.read() as tx:
            piece = tx.piece("Slack water")
            return piece is not None and piece.id in tx.forecasts()

    wait_for(forecast, 20, "the forecast")


@pytest.mark.xdist_group("studio")
def test_hostile_messages_harm_nothing(studio: Studio) -> None:
    hostile: list[bytes | str] = [
        b"x" * 1_000_000,
        b"[" * 100_000,
        b'{"temperature": 21.0, "humidity": \xff\xfe}',
        '{"temperature": NaN, "humidity": 50}',
        '{"temperature": Infinity}',
        '{"temperature": -400, "humidity": 50}',
        '{"temperature": 21, "humidity": 150}',
        '{"temperature": true, "humidity": "damp"}',
        '{"temperature": {"a": [1]}, "humidity": null}',
        '{"temperature": 21, "humidity": 50, "time": "yesterday"}',
        '{"temperature": 21, "humidity": 50, "time": 1e400}',
        '{"temperature": 21, "humidity": 50, "time": "2199-01-01T00:00:00Z"}',
        "[]",
        "",
        "null",
    ]
    studio.broker.publish_all([("shed/slip", payload) for payload in hostile])
    studio.broker.publish("shed/slip", row(0, 40.0).payload(), retain=True)
    good = row(1, 18.5)
    studio.broker.publish("shed/slip", good.payload())
    wait_for(lambda: len(readings_in(studio, "Slip")) >= 2, 10, "the good reading")
    assert sorted(reading.temp_c or 0 for reading in readings_in(studio, "Slip")) == [18.5, 40.0]
    studio.alive()


@pytest.mark.xdist_group("studio")
def test_a_receiver_that_is_down_gets_its_notice_later(studio: Studio) -> None:
    studio.receiver.otherwise = Answer(503)
    try:
        key = send_test_notice(studio.desk, datetime.now(UTC)).key
        wait_for(lambda: studio.receiver.keys().count(key) >= 2, 30, "a second try")
        assert studio.undelivered()
    finally:
        studio.receiver.otherwise = Answer()
    wait_for(lambda: not studio.undelivered(), 30, "the delivery")
    assert verify(studio.receiver)[key] >= 3


@pytest.mark.xdist_group("studio")
def test_a_second_daemon_is_refused_with_a_code_of_its_own(studio: Studio) -> None:
    assert studio.process is not None
    said = studio.command("run", fails_with=3)
    assert f"process {studio.process.pid}" in said
    studio.alive()


@pytest.mark.xdist_group("studio")
def test_a_broker_that_forgot_everything_is_subscribed_to_again(studio: Studio) -> None:
    studio.broker.kill()
    studio.broker.start()
    deadline = time.monotonic() + 30
    while not readings_in(studio, "Yard"):
        assert time.monotonic() < deadline, studio.log()
        studio.broker.publish("shed/yard", row(0).payload())  # lost until it has subscribed
        time.sleep(0.2)


@pytest.mark.xdist_group("signals")
def test_a_second_signal_ends_it_at_once_and_loses_nothing(tmp_path: Path) -> None:
    with Receiver() as receiver, Service(tmp_path / "home") as service:
        receiver.otherwise = Answer(hang=True)
        service.settings(receiver)
        service.start()
        key = send_test_notice(service.desk, datetime.now(UTC)).key
        wait_for(lambda: receiver.keys() == [key], 20, "the notice being sent")
        assert service.process is not None
        service.process.send_signal(signal.SIGTERM)
        wait_for(lambda: "once more ends at once" in service.log(), 5, "the first signal")
        began = time.monotonic()
        assert service.end() == 128 + signal.SIGTERM
        assert time.monotonic() - began < 1.5, "it waited for the receiver"
        receiver.otherwise = Answer()
        service.start()
        wait_for(lambda: not service.undelivered(), 20, "the delivery by the next run")
        assert service.end(signal.SIGINT) == 0, "Ctrl-C"
        assert set(verify(receiver)) == {key}
