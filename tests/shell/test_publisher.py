"""Publishing through a real broker: states it keeps, notices as events, and its word that we are gone."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import reduce
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from curewatch.daemon.delivery import NoticeDelivery
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.desk.reports.board import board_of
from curewatch.notify import TryLater
from curewatch.notify.publisher import Announcer, Publisher
from curewatch.records import Notice, Reading, ThicknessSource
from curewatch.settings import BrokerSettings, ForecastSettings, PublishSettings, SensorSettings, Settings
from curewatch.store import Store
from tests.refreshing import refresh
from tests.shell.parts import Broker, HandClock, has_mosquitto, make_certificates, wait_for

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

    def __init__(self, broker: Broker, topics: str = "shed/#") -> None:
        self.heard: dict[str, bytes] = {}
        self.order: list[str] = []
        self.notices: list[bytes] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        listening = threading.Event()
        self._client.on_subscribe = lambda *_: listening.set()
        self._client.on_connect = lambda client, *_: client.subscribe(topics, qos=1)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert listening.wait(10)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        self.heard[message.topic] = message.payload
        self.order.append(message.topic)
        if message.topic == "shed/notices":
            self.notices.append(message.payload)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def hearing(broker: Broker, topics: str = "shed/#") -> Iterator[Ears]:
    ears = Ears(broker, topics)
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
            publisher.show({"shed/rooms/Loft": b'{"temp_c": 18}', "shed/pieces/Heron": b"{}"})
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
        publisher.show({"shed/rooms/Loft": b"1", "shed/pieces/Heron": b"1"})
        wait_for(lambda: len(ears.heard) == 3, what="the states are heard")
        ears.heard.clear()
        publisher.show({"shed/rooms/Loft": b"2"})
        deliver(publisher)
        wait_for(lambda: ears.notices, what="the notice is heard")
        assert ears.heard == {"shed/rooms/Loft": b"2", "shed/pieces/Heron": b"", "shed/notices": ears.notices[0]}
        with hearing(broker) as late:
            wait_for(lambda: "shed/rooms/Loft" in late.heard, what="the room is kept")
            assert "shed/pieces/Heron" not in late.heard


def test_states_come_back_after_a_broker_that_forgets(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker, publishing(broker) as publisher:
        publisher.show({"shed/rooms/Loft": b"1"})
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


BASE = "homie/5/shed"


def test_a_homie_device_is_described_before_it_is_ready_and_says_how_it_went(tmp_path: Path) -> None:
    """Homie 5.0, Device Attributes and Device Lifecycle: a description changes only while the state is init, and that a
    device is lost is told by its last will."""
    state, description, value = f"{BASE}/$state", f"{BASE}/$description", f"{BASE}/room-loft/temperature"
    described = {description: b"{}", value: b"18.0"}
    with Broker(tmp_path) as broker, hearing(broker, f"{BASE}/#") as ears:
        announcer = Announcer(BrokerSettings(host="127.0.0.1", port=broker.port), BASE, "curewatchhomie")
        announcer.start()
        wait_for(lambda: ears.order, what="its state")
        announcer.show(described)
        wait_for(lambda: ears.heard.get(state) == b"ready", what="it is ready")
        assert ears.order == [state, description, value, state]
        announcer.show(described | {value: b"18.5"})
        wait_for(lambda: len(ears.order) == 5, what="a value alone")
        announcer.show({description: b'{"nodes":{}}'})
        wait_for(lambda: len(ears.order) == 9, what="a room that is gone")
        assert ears.order[5:] == [state, value, description, state]
        assert ears.heard[value] == b""
        sock = announcer._client.socket()
        assert sock is not None
        announcer._client.reconnect_delay_set(60, 60)
        sock.shutdown(2)
        wait_for(lambda: ears.heard[state] == b"lost", what="the last will")
        announcer.close()


def valid(payload: bytes, about: dict[str, Any]) -> bool:
    """By Homie 5.0, Payloads."""
    text = payload.decode()
    match about["datatype"]:
        case "float":
            return re.fullmatch(r"-?\d+(\.\d+)?", text) is not None
        case "integer":
            return re.fullmatch(r"-?\d+", text) is not None
        case "boolean":
            return text in ("true", "false")
        case "enum":
            return text in about["format"].split(",")
        case "datetime":
            return datetime.fromisoformat(text).tzinfo is not None
    return about["datatype"] == "string" and text != ""


def test_a_studio_announces_itself_as_a_homie_device_and_to_hubs_only_where_that_is_asked_for(tmp_path: Path) -> None:
    """Whatever is published is described, each by its datatype; and goes again once it is not wanted."""
    now = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
    with (
        Broker(tmp_path / "broker") as broker,
        Store.open(tmp_path / "studio.sqlite") as store,
        hearing(broker, "#") as ears,
    ):
        quiet = Settings(
            zone="UTC", broker=BrokerSettings(host="127.0.0.1", port=broker.port), forecast=ForecastSettings(members=8),
            publish=PublishSettings(root="shed/paint"),
        )  # fmt: skip
        desk = Desk(store, quiet)
        log_pour(
            desk, PourOrder("Ebb / tide #1", "Bóat shed", now - timedelta(hours=9), 1e-3, ThicknessSource.GAUGE), now
        )
        air = Reading(room="Bóat shed", at=now, temp_c=19.5, rh_pct=55, received_at=now)
        log_reading(desk, air)
        refresh(desk, now)

        def show(publish: PublishSettings) -> None:
            telling = NoticeDelivery(quiet.model_copy(update={"publish": publish}), store, HandClock(now), {})
            telling.start()
            telling.show(board_of(desk, now))
            wait_for(lambda: ears.heard.get("shed/paint/status") == b"online", what="it is online")
            if publish.homie:
                wait_for(lambda: ears.heard.get(f"{base}/$state") == b"ready", what="the device is ready")
            telling.stop(5)
            wait_for(lambda: ears.heard.get("shed/paint/status") == b"offline", what="it is gone")

        base = "homie/5/shed-paint"
        show(PublishSettings(root="shed/paint"))
        assert ears.heard[f"{base}/$state"] == b"disconnected"
        assert not any(topic.startswith("hub/") for topic in ears.heard)
        described = json.loads(ears.heard[f"{base}/$description"])
        assert (described["homie"], sorted(node["name"] for node in described["nodes"].values())) == (
            "5.0", ["Bóat shed", "Ebb / tide #1"],
        )  # fmt: skip
        values = {tuple(topic.split("/")[3:]): said for topic, said in ears.heard.items() if topic.count("/") == 4}
        assert len(values) > 10
        for (node, key), said in values.items():
            assert re.fullmatch(r"[a-z0-9-]+", node)
            assert valid(said, described["nodes"][node]["properties"][key]), (node, key, said)
        show(PublishSettings(root="shed/paint", homie=False, hubs="hub"))
        assert not [topic for topic, said in ears.heard.items() if topic.startswith("homie/") and said]
        for topic, said in list(ears.heard.items()):
            if topic.startswith("hub/"):
                assert re.fullmatch(r"hub/(sensor|binary_sensor)/[a-z0-9-]+/[a-z0-9-]+/config", topic)
                there = json.loads(ears.heard[json.loads(said)["state_topic"]])
                for key in re.findall(r"value_json((?:\.\w+)+)", json.loads(said)["value_template"]):
                    reduce(lambda held, part: held[part], key[1:].split("."), there)
        assert sum(topic.startswith("hub/") for topic in ears.heard) == 8
        show(PublishSettings(root="shed/paint", homie=False))
        assert not [topic for topic, said in ears.heard.items() if topic.startswith("hub/") and said]


def test_a_sensor_may_not_listen_where_the_studio_announces_itself() -> None:
    for topic in ("homie/5/+/+/temperature", "hub/#"):
        with pytest.raises(ValueError, match=r"publish\.(homie|hubs) outside of what the sensor 'window'"):
            Settings(
                zone="UTC", broker=BrokerSettings(host="127.0.0.1"), publish=PublishSettings(hubs="hub"),
                sensors=(SensorSettings(id="window", room="Shed", topic=topic),),
            )  # fmt: skip
    Settings(
        zone="UTC", broker=BrokerSettings(host="127.0.0.1"), publish=PublishSettings(),
        sensors=(SensorSettings(id="window", room="Shed", topic="homie/5/window/air/temperature"),),
    )  # fmt: skip
