"""Publishing to the broker: each notice as an event, and how every piece and room is, kept there by the broker.

By default it also announces itself, on a connection of its own, for a broker knows one last word a connection.

Below the root: `status` ("online" or "offline", kept; the broker says offline when we are gone), `rooms/NAME` and
`pieces/NAME` (JSON, kept), `notices` (JSON, not kept: what is told twice is known by its key).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from curewatch.intake.mqtt.client import connect, make_client
from curewatch.language import PLAIN, Reader
from curewatch.notify.channel import TryLater
from curewatch.notify.webhook import body_of
from curewatch.records import Notice
from curewatch.settings import BrokerSettings

TAKEN_WITHIN_S = 10.0
"""How long the broker may take to confirm a notice."""
ONLINE, OFFLINE = b"online", b"offline"


class KeptTopics:
    """A connection of its own, with a word that the broker says when it is lost, and topics that the broker keeps.

    `start` and `close` once each; any thread may call in.
    """

    def __init__(self, broker: BrokerSettings, client_id: str, state: str, words: tuple[bytes, bytes, bytes]) -> None:
        """`state`: the topic that tells how we are, by `words`: here, gone, lost. Raises SettingsError or InputError
        for files that cannot be used."""
        self._broker, self._state, (self._here, self._gone, lost) = broker, state, words
        self._place = f"the broker {broker.host}:{broker.port}"
        self._lock = threading.Lock()
        self._states: dict[str, bytes] = {}
        self._sent: dict[str, bytes] = {}
        self._connected = threading.Event()
        self._why = "it has not answered yet"
        self._client = client = make_client(broker, client_id, keep_session=False)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.will_set(state, lost, qos=1, retain=True)

    def start(self) -> None:
        """Connect, and again whenever the connection is lost, in a thread of its own."""
        connect(self._client, self._broker, keep_session=False)
        self._client.loop_start()

    def close(self) -> None:
        """Say that we are gone, and leave."""
        if self._connected.is_set():
            self._wait_for(self._client.publish(self._state, self._gone, qos=1, retain=True), 2.0)
        self._client.disconnect()
        self._client.loop_stop()

    def show(self, states: Mapping[str, bytes]) -> None:
        """Make these, by topic, what the broker keeps; topics that are no longer among them go."""
        with self._lock:
            gone = [t for t in self._states if t not in states and self._sent.get(t) != b""]
            self._states = dict.fromkeys(gone, b"") | dict(states)
            if self._connected.is_set():
                self._say(self._states)

    def _say(self, states: Mapping[str, bytes]) -> None:
        """Publish what has changed. An empty message makes the broker forget the topic."""
        for topic, payload in states.items():
            if self._sent.get(topic) == payload:
                continue
            said = self._client.publish(topic, payload, qos=1, retain=True)
            if said.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return
            self._sent[topic] = payload

    def _wait_for(self, said: Any, within_s: float) -> bool:
        try:
            said.wait_for_publish(within_s)
        except (RuntimeError, ValueError):
            return False  # the connection was lost, or paho's queue is full
        return bool(said.is_published())

    # --- paho's thread ---

    def _on_connect(
        self, client: Client, _: Any, flags: ConnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if reason.is_failure:
            self._why = f"it refuses the connection ({reason.getName()})"
            return
        with self._lock:
            self._connected.set()
            self._sent.clear()  # a broker without persistence has forgotten
            self._say({self._state: self._here} | self._states)

    def _on_disconnect(
        self, client: Client, _: Any, flags: DisconnectFlags, reason: ReasonCode, properties: Properties | None
    ) -> None:
        if self._connected.is_set():  # else it was refused, and why is known
            self._why = "the connection was lost"
        self._connected.clear()


class Publisher(KeptTopics):
    """The publishing channel, and the states beside it."""

    def __init__(
        self, broker: BrokerSettings, root: str, client_id: str, reader: Reader = PLAIN, *, name: str = "publish"
    ) -> None:
        super().__init__(broker, client_id, f"{root}/status", (ONLINE, OFFLINE, OFFLINE))
        self._root, self._name, self._reader = root, name, reader

    @property
    def name(self) -> str:
        return self._name

    def send(self, notice: Notice) -> None:
        """Publish a notice; returns once the broker has confirmed it."""
        if not self._connected.is_set():
            raise TryLater(f"{self._place} is not reached: {self._why}")
        said = self._client.publish(f"{self._root}/notices", body_of(notice, self._reader), qos=1)
        if said.rc == MQTTErrorCode.MQTT_ERR_NO_CONN:
            raise TryLater(f"{self._place} is not reached: the connection was lost")
        if not self._wait_for(said, TAKEN_WITHIN_S):
            raise TryLater(f"{self._place} did not confirm within {TAKEN_WITHIN_S:g} s")


class Announcer(KeptTopics):
    """A device by the Homie convention, version 5 (homieiot.github.io): its description may change only while it says
    `init`, and it is `ready` once all of it is there."""

    def __init__(self, broker: BrokerSettings, base: str, client_id: str) -> None:
        super().__init__(broker, client_id, f"{base}/$state", (b"init", b"disconnected", b"lost"))
        self._description = f"{base}/$description"

    def _say(self, states: Mapping[str, bytes]) -> None:
        described = states.get(self._description)
        if described is None or self._sent.get(self._description) == described:
            super()._say(states)
            return
        super()._say({self._state: b"init"} | dict(states))
        super()._say({self._state: b"ready"})
