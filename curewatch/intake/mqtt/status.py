"""What the MQTT intake has seen, for `check`, the page and the log. Thread-safe; read through `snapshot`."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

KEPT_POISON = 20
TOPICS_COUNTED = 64
"""So many topics are counted by name; a new one takes the place of that with the fewest, and its rank, so that
whichever sends a large part of them is never missed (the space-saving algorithm: Metwally, Agrawal, El Abbadi 2005)."""


@dataclass(frozen=True)
class Poison:
    """A message that is no reading, and why; it was acknowledged so that it does not come again."""

    at: datetime
    topic: str
    reason: str
    count: int = 1
    """At least so many came on the topic since the start; this is the last."""


@dataclass(frozen=True)
class SensorHeard:
    """What came of one sensors entry since the start."""

    refused: int = 0
    last: Poison | None = None
    """The last that was no reading."""
    hint: str | None = None
    """Where in it the numbers seem to stand."""
    says: str | None = None
    """What it says of itself, such as `offline`."""


@dataclass(frozen=True)
class MqttStatus:
    connected: bool = False
    subscribed: frozenset[str] = frozenset()
    """Filters the broker granted. That proves little: an ACL may still keep every message back."""
    refused: Mapping[str, str] = field(default_factory=dict)
    """Filters the broker refused, and its reason."""
    received: int = 0
    """Messages that came."""
    committed: int = 0
    """Readings the sink has taken."""
    poison: int = 0
    dropped: int = 0
    """Messages of QoS 0 thrown away because too many were waiting for the store."""
    recent_poison: tuple[Poison, ...] = ()
    worst: Poison | None = None
    """The last of the topic of which most came."""
    of_sensor: Mapping[str, SensorHeard] = field(default_factory=dict)
    """By its id."""
    pending: int = 0
    """Messages that wait for a clock that can be believed."""
    duplicates: frozenset[str] = frozenset()
    """Sources whose values are those of two devices in turn."""
    turned_away: Mapping[str, int] = field(default_factory=dict)
    """By the id of a sensors entry with a wildcard, the devices there was no place for."""
    unanswered: bool = False
    """Connected, but the broker has not answered what it was asked for."""
    broker_error: str | None = None
    """Why there is no connection, in plain words; None while connected."""
    sink_error: str | None = None
    """Why readings are not being stored; None while they are."""
    last_contact: datetime | None = None
    """When the broker was last known to be in reach."""


class StatusBoard:
    """The one mutable place behind `MqttStatus`; every thread of the intake writes to it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._status = MqttStatus()
        self._received = self._committed = self._poison = 0  # counted for every message: no new status is made
        self._recent: deque[Poison] = deque(maxlen=KEPT_POISON)
        self._by_topic: dict[str, tuple[int, Poison]] = {}
        self._of_sensor: dict[str, SensorHeard] = {}

    def snapshot(self) -> MqttStatus:
        with self._lock:
            return replace(
                self._status,
                received=self._received,
                committed=self._committed,
                poison=self._poison,
                recent_poison=tuple(self._recent),
                of_sensor=dict(self._of_sensor),
                worst=max((one for _, one in self._by_topic.values()), key=lambda one: one.count, default=None),
            )

    def received(self) -> None:
        with self._lock:
            self._received += 1

    def dropped(self) -> None:
        with self._lock:
            self._status = replace(self._status, dropped=self._status.dropped + 1)

    def committed(self, readings: int) -> None:
        with self._lock:
            self._committed += readings
            self._status = replace(self._status, sink_error=None)

    def pending(self, messages: int) -> None:
        with self._lock:
            self._status = replace(self._status, pending=messages, sink_error=None)

    def duplicates(self, sources: frozenset[str]) -> None:
        with self._lock:
            self._status = replace(self._status, duplicates=sources)

    def turned_away(self, devices: Mapping[str, int]) -> None:
        with self._lock:
            self._status = replace(self._status, turned_away=devices)

    def unanswered(self) -> None:
        with self._lock:
            self._status = replace(self._status, unanswered=True)

    def says(self, sensor: str, word: str) -> None:
        with self._lock:
            self._of_sensor[sensor] = replace(self._of_sensor.get(sensor, SensorHeard()), says=word)

    def poisoned(self, poison: Poison, sensor: str | None = None, hint: str | None = None) -> None:
        """`sensor`: the id of the entry that it came for."""
        with self._lock:
            if sensor is not None:
                was = self._of_sensor.get(sensor, SensorHeard())
                now = replace(was, refused=was.refused + 1, last=poison, hint=hint or was.hint)
                self._of_sensor[sensor] = now
            self._recent.append(poison)
            place, before = 0, self._by_topic.get(poison.topic)
            if before is not None:
                place, poison = before[0], replace(poison, count=1 + before[1].count)
            elif len(self._by_topic) >= TOPICS_COUNTED:
                place, _ = self._by_topic.pop(min(self._by_topic, key=lambda topic: self._by_topic[topic][0]))
            self._by_topic[poison.topic] = place + 1, poison
            self._poison += 1

    def connected(self) -> None:
        with self._lock:
            self._status = replace(self._status, connected=True, broker_error=None, unanswered=False)

    def disconnected(self, why: str | None) -> None:
        with self._lock:
            self._status = replace(
                self._status, connected=False, broker_error=why, subscribed=frozenset(), unanswered=False
            )

    def granted(self, topic_filter: str) -> None:
        with self._lock:
            refused = {kept: why for kept, why in self._status.refused.items() if kept != topic_filter}
            granted = self._status.subscribed | {topic_filter}
            self._status = replace(self._status, subscribed=granted, refused=refused, unanswered=False)

    def refused(self, topic_filter: str, why: str) -> None:
        with self._lock:
            refused = {**self._status.refused, topic_filter: why}
            granted = self._status.subscribed - {topic_filter}
            self._status = replace(self._status, subscribed=granted, refused=refused)

    def sink_failed(self, why: str) -> None:
        with self._lock:
            self._status = replace(self._status, sink_error=why)

    def in_contact(self, at: datetime | None) -> None:
        with self._lock:
            self._status = replace(self._status, last_contact=at)
