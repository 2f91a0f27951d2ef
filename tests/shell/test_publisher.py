"""Publishing through a real broker: states it keeps, notices as events, and its word that we are gone."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from curewatch.notify import TryLater
from curewatch.notify.publisher import Publisher
from curewatch.records import Notice
from curewatch.settings import BrokerSettings
from tests.shell.parts import Broker, has_mosquitto, make_certificates, wait_for

pytestmark = pytest.mark.skipif(not has_mosquitto, reason="mosquitto is not installed")
NOTICE = Notice(
    key="piece-3/touch_dry/safe",
    kind="milestone",
    created_at=datetime(2026, 11, 20, 15, 5, tzinfo=UTC),
    title="Low tide: safe to assume touch-dry",
    text="Low tide is touch-dry by now.",
)


class Ears:
    """What the broker says, as a stranger hears it: the newest message of each topic, and every notice."""

    def __init__(self, broker: Broker) -> None:
        self.heard: dict[str, bytes] = {}
        self.notices: list[bytes] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        listening = threading.Event()
        self._client.on_subscribe = lambda *_: listening.set()
        self._client.on_connect = lambda client, *_: client.subscribe("shed/#", qos=1)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert listening.wait(10)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self.heard[message.topic] = message.payload
        if message.topic == "shed/notices":
            self.notices.append(message.payload)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def hearing(broker: Broker) -> Iterator[Ears]:
    ears = Ears(broker)
    try:
        yield ears
    finally:
        ears.close()


@contextmanager
def publishing(broker: Broker, **settings: Any) -> Iterator[Publisher]:
    values = {"host": "127.0.0.1", "port": broker.port} | settings
    publisher = Publisher(BrokerSettings(**values), "shed", "curewatchtest")
    publisher.start()
    try:
        yield publisher
    finally:
        publisher.close()


def deliver(publisher: Publisher) -> None:
    """As the outbox does: try until the broker has it."""

    def taken() -> bool:
        try:
            publisher.send(NOTICE)
        except TryLater:
            return False
        return True

    wait_for(taken, what="the notice is taken")


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
def test_a_notice_is_an_event_and_states_are_kept(tmp_path: Path, protocol: str) -> None:
    with Broker(tmp_path) as broker, publishing(broker, protocol=protocol) as publisher:
        with hearing(broker) as ears:
            publisher.show({"rooms/Loft": b'{"temp_c": 18}', "pieces/Heron": b"{}"})
            deliver(publisher)
            wait_for(lambda: len(ears.heard) == 4, what="everything is heard")
            assert ears.heard["shed/status"] == b"online"
            assert json.loads(ears.heard["shed/notices"])["data"]["key"] == NOTICE.key
        with hearing(broker) as late:
            wait_for(lambda: len(late.heard) == 3, what="what is kept is heard")
            assert late.heard["shed/rooms/Loft"] == b'{"temp_c": 18}'
            assert not late.notices


def test_only_what_changed_is_said_and_what_is_gone_is_taken_back(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, publishing(broker) as publisher, hearing(broker) as ears:
        publisher.show({"rooms/Loft": b"1", "pieces/Heron": b"1"})
        wait_for(lambda: len(ears.heard) == 3, what="the states are heard")
        ears.heard.clear()
        publisher.show({"rooms/Loft": b"2"})
        deliver(publisher)
        wait_for(lambda: ears.notices, what="the notice is heard")
        assert ears.heard == {"shed/rooms/Loft": b"2", "shed/pieces/Heron": b"", "shed/notices": ears.notices[0]}
        with hearing(broker) as late:
            wait_for(lambda: "shed/rooms/Loft" in late.heard, what="the room is kept")
            assert "shed/pieces/Heron" not in late.heard


def test_states_come_back_after_a_broker_that_forgets(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, publishing(broker) as publisher:
        publisher.show({"rooms/Loft": b"1"})
        deliver(publisher)
        broker.kill()
        wait_for(lambda: not publisher._connected.is_set(), what="the loss is noticed")
        with pytest.raises(TryLater, match="is not reached"):
            publisher.send(NOTICE)
        broker.start()
        deliver(publisher)
        with hearing(broker) as ears:
            wait_for(lambda: ears.heard.get("shed/rooms/Loft") == b"1", what="the state is back")


def test_a_connection_that_breaks_before_the_notice_leaves_is_said_as_such() -> None:
    publisher = Publisher(BrokerSettings(host="127.0.0.1", port=1), "shed", "curewatchtest")
    publisher._connected.set()  # as it is until paho's thread has told of the loss
    with pytest.raises(TryLater, match="is not reached: the connection was lost"):
        publisher.send(NOTICE)


def test_the_broker_says_when_we_are_gone(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        with publishing(broker) as publisher, hearing(broker) as ears:
            deliver(publisher)
            sock = publisher._client.socket()
            assert sock is not None
            publisher._client.reconnect_delay_set(60, 60)
            sock.shutdown(2)  # as a machine that loses its power
            wait_for(lambda: ears.heard.get("shed/status") == b"offline", what="the will is told")
        with publishing(broker) as publisher:
            deliver(publisher)
        with hearing(broker) as ears:
            wait_for(lambda: ears.heard.get("shed/status") == b"offline", what="the good-bye is kept")


def test_encrypted_with_a_password(tmp_path: Path) -> None:
    made = make_certificates(tmp_path / "certificates")
    secret = tmp_path / "password"
    secret.write_text("tide-table-7\n")
    with (
        Broker(tmp_path, users={"shed": "tide-table-7"}, certificates=made) as broker,
        publishing(broker, tls=True, ca_file=made.ca, user="shed", password_file=secret) as publisher,
    ):
        deliver(publisher)


def test_a_refused_password_is_said(tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("low-tide-9\n")
    with (
        Broker(tmp_path, users={"shed": "tide-table-7"}) as broker,
        publishing(broker, user="shed", password_file=secret) as publisher,
    ):

        def why() -> str:
            try:
                publisher.send(NOTICE)
            except TryLater as delay:
                return delay.reason
            return "it was taken"

        wait_for(lambda: "refuses the connection" in why(), what="the refusal")
        assert "low-tide-9" not in why()
