"""Everything that a broker lets us hear for a while, and what is or could be read of it; nothing is stored."""

from __future__ import annotations

import sys
import threading
import uuid
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from difflib import get_close_matches
from typing import Any, NamedTuple

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode

from curewatch.clock import Clock
from curewatch.intake.mqtt.client import connect, make_client, refusal_in_words, subscribe, unreachable_in_words
from curewatch.intake.mqtt.guessing import Guess, guess
from curewatch.intake.mqtt.message import MAX_PAYLOAD_BYTES, match, read_payload, says_of_itself, subscriptions
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.settings import BrokerSettings, SensorSettings

EVERYTHING = "#"
TOPICS_MOST = 300
SHOWN_CHARS = 300
OVERHEARD_S = (6.0, 1.5)
"""How long an answer is waited for, and then messages [s]; what the broker keeps comes at once."""


class Message(NamedTuple):
    """The last of one topic."""

    topic: str
    payload: bytes
    at: datetime
    retained: bool
    times: int


class Listener:
    """`start` and `stop` once each. Its session is its own: nothing that is kept for the daemon is taken away."""

    def __init__(self, broker: BrokerSettings, sensors: Sequence[SensorSettings], clock: Clock) -> None:
        """Raises SettingsError or InputError for files and hosts that cannot be used."""
        self._broker, self._sensors, self._clock, self._lock = broker, sensors, clock, threading.Lock()
        self._filters = list(dict.fromkeys([EVERYTHING, *subscriptions(sensors)]))
        self._asked: dict[int, str] = {}
        self._heard: dict[str, Message] = {}
        self.refused: dict[str, str] = {}
        """Filters that the broker refuses, and why."""
        self.trouble: str | None = None
        """Why nothing can be heard."""
        self.answered = threading.Event()
        """Every filter was granted or refused, or there is trouble."""
        self._client = make_client(broker, f"curewatchlook{uuid.uuid4().hex[:8]}", keep_session=False)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_message = self._on_message

    def start(self) -> None:
        connect(self._client, self._broker, keep_session=False)
        self._client.loop_start()

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def heard(self) -> list[Message]:
        with self._lock:
            return sorted(self._heard.values())

    def found(self) -> Found:
        """So far."""
        heard = self.heard()
        return Found(
            f"{self._broker.host}:{self._broker.port}",
            self.trouble,
            [told(message, self._sensors) for message in heard],
            {} if self.trouble else unheard(self._sensors, heard, self.refused),
        )

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        if reason.is_failure:
            self._troubled(refusal_in_words(reason, self._broker))
            return
        self.trouble = None
        for wanted in self._filters:  # one by one: a broker may refuse one of several by ending the connection
            if (mid := subscribe(client, [wanted], qos=0)) is not None:
                self._asked[mid] = wanted

    def _on_fail(self, client: Client, userdata: Any) -> None:
        self._troubled(unreachable_in_words(sys.exc_info()[1], self._broker))

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        if reason.is_failure and self.trouble is None:
            self._troubled(f"the connection with the broker was lost ({reason.getName()})")

    def _on_subscribe(self, client: Client, userdata: Any, mid: int, reasons: Any, properties: Any) -> None:
        wanted = self._asked.pop(mid, None)
        if wanted is not None and reasons and reasons[0].is_failure:
            self.refused[wanted] = reasons[0].getName()
        if not self._asked:
            self.answered.set()

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        with self._lock:
            before = self._heard.get(topic)
            if before is None and len(self._heard) >= TOPICS_MOST:
                return
            payload = bytes(message.payload[: MAX_PAYLOAD_BYTES + 1])
            times = 1 if before is None else before.times + 1
            self._heard[topic] = Message(topic, payload, self._clock.now(), message.retain, times)

    def _troubled(self, why: str) -> None:
        self.trouble = why
        self.answered.set()


class Told(NamedTuple):
    """One topic: what it says, and what is or could be made of it."""

    topic: str
    payload: str
    at: datetime
    retained: bool
    times: int
    readings: tuple[Reading, ...]
    """By the sensors entries that read the topic."""
    refused: str | None
    """Why one of them has no reading of it."""
    says: str | None
    """What it says of itself: `online`."""
    guess: Guess | None
    """Where its numbers seem to stand, if nothing reads them yet."""
    reading: Reading | None
    """What would be read so."""


class Found(NamedTuple):
    """What was heard, and what was not."""

    broker: str
    trouble: str | None
    """Why nothing can be heard."""
    topics: list[Told]
    unheard: dict[str, str]
    """By a sensor's id, why nothing of it may have come."""


def told(message: Message, sensors: Sequence[SensorSettings]) -> Told:
    readings, refused, found, would = [], None, None, None
    says = says_of_itself(message.payload)
    for sensor in () if says else match(sensors, message.topic):
        try:
            readings.append(_read(sensor, message))
        except InputError as error:
            refused = str(error)
    first = None if readings or says else guess(message.topic, message.payload, message.at)
    for one in (first, first._replace(time=None)) if first else ():  # whose clock is wrong can be read without it
        with suppress(InputError):
            found, would = one, _read(one.sensor("new", "new"), message)
            break
    text = message.payload[:SHOWN_CHARS].decode("utf-8", "replace")
    text = text if len(message.payload) <= SHOWN_CHARS else text + "…"
    return Told(
        message.topic, text, message.at, message.retained, message.times, tuple(readings), refused, says, found, would
    )


def _read(sensor: SensorSettings, message: Message) -> Reading:
    """As the daemon would have it, had it come live: that a broker has kept it is told beside it."""
    return read_payload(sensor, message.topic, message.payload, retained=False, received_at=message.at)


def unheard(sensors: Sequence[SensorSettings], heard: Sequence[Message], refused: Mapping[str, str]) -> dict[str, str]:
    """By a sensor's id, why nothing of it may have come: refused by the broker, or nothing on its topic."""
    found = {}
    for sensor in sensors:
        if sensor.topic in refused:
            found[sensor.id] = (
                f"the broker refuses the topic {sensor.topic!r} ({refused[sensor.topic]}): its access list has to allow it"  # noqa: E501
            )
        elif any(match([sensor], message.topic) for message in heard):
            continue
        elif not heard:
            found[sensor.id] = (
                "nothing at all is heard just now: either nobody publishes, or the broker's access list keeps "
                "everything back from this user"
            )
        else:
            near = get_close_matches(sensor.topic, [message.topic for message in heard], n=2, cutoff=0.4)
            others = (
                f"; heard are {' and '.join(map(repr, near))}" if near else f"; {len(heard)} other topics are heard"
            )
            found[sensor.id] = f"nothing comes on its topic {sensor.topic!r}{others}"
    return found


def overhear(broker: BrokerSettings, sensors: Sequence[SensorSettings], clock: Clock) -> dict[str, str]:
    """As `unheard`, by what comes within a moment; nothing where the broker cannot be heard at all. For `check`."""
    listener = Listener(broker, sensors, clock)
    listener.start()
    try:
        clock.wait(listener.answered, OVERHEARD_S[0])
        clock.wait(threading.Event(), OVERHEARD_S[1])
        return listener.found().unheard
    finally:
        listener.stop()
