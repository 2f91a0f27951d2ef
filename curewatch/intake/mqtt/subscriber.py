"""Sensors' messages from the broker to the sink: at least once, and acknowledged only after the sink has them.

Two threads. paho's network thread does nothing but queue what it hears, and never raises. The writer thread takes
what has piled up, hands it to the sink as one batch (one transaction) and then acknowledges the batch, messages
that are no readings included: unacknowledged they would come again for ever, and a broker stops sending after a
few (mosquitto after 20).
"""

from __future__ import annotations

import logging
import sys
import threading
import uuid
from collections.abc import Callable, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.reasoncodes import ReasonCode

from curewatch.clock import Clock, plausible
from curewatch.intake.mqtt.client import (
    connect,
    make_client,
    refusal_in_words,
    subscribe,
    unanswered_in_words,
    unreachable_in_words,
)
from curewatch.intake.mqtt.limits import Heard
from curewatch.intake.mqtt.message import MAX_PAYLOAD_BYTES, ReceivedMessage, subscriptions
from curewatch.intake.mqtt.pending_messages import Backlog, PendingStore
from curewatch.intake.mqtt.status import MqttStatus, StatusBoard
from curewatch.intake.mqtt.writer import Sink, Writer
from curewatch.records import Reading
from curewatch.settings import BrokerSettings, SensorSettings

log = logging.getLogger(__name__)
ANSWERS_WITHIN_S = 10.0
"""A broker that has not said by then whether it will send what was asked for is said to be silent [s]."""


class MqttIntake:
    """Listens to the broker until stopped; connects again by itself. `start` and `stop` once each.

    `client_id` names the session the broker keeps for us between runs: always the same for one store. None
    for a look that leaves no session behind. `last_contact` is when an earlier run was last connected (its
    status says so); it tells how old a message may be that the broker kept for us. `pending_store` keeps
    what comes while the clock cannot be believed; without one it is dated as the clock says. `heard` says which
    devices an earlier run has heard.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        sensors: Sequence[SensorSettings],
        sink: Sink,
        clock: Clock,
        *,
        client_id: str | None,
        last_contact: datetime | None = None,
        pending_store: PendingStore | None = None,
        heard: Heard = MappingProxyType({}),
        is_urgent: Callable[[Reading], bool] = lambda _: False,
    ) -> None:
        self._broker = broker
        self._filters = subscriptions(sensors)
        self._clock = clock
        self._keep_session = client_id is not None
        self._board = StatusBoard()
        self._backlog = Backlog(last_contact)
        self._writer = Writer(
            sensors,
            sink,
            clock,
            self._board,
            self._acknowledge,
            self._idle,
            pending_store=pending_store,
            contact=last_contact,
            heard=heard,
            is_urgent=is_urgent,
        )
        # The lock keeps an acknowledgement from slipping onto a later connection than its message came through: there
        # the same message id may belong to another message, which would then be lost.
        self._connection_lock = threading.Lock()
        self._connection = 0
        self._asked: dict[int, list[str]] = {}
        self._asked_at = 0.0
        self._answered = False
        self._stopping = False
        self._client = self._make_client(client_id or f"curewatchlook{uuid.uuid4().hex[:8]}")

    def start(self) -> None:
        """Begin to connect; returns at once. Raises InputError for a host that cannot be one."""
        connect(self._client, self._broker, keep_session=self._keep_session)
        self._writer.start()
        self._client.loop_start()

    def status(self) -> MqttStatus:
        return self._board.snapshot()

    def unstored(self) -> int:
        """How many messages were heard and are not stored yet."""
        return self._writer.unstored

    def moved_at(self) -> float:
        """When the writer last had nothing left undone [s, monotonic]: it stands still where it hangs."""
        return self._writer.moved_at

    def stop(self, within_s: float) -> bool:
        """Store and acknowledge what has come, then disconnect, all within `within_s` [s].

        False if that was not enough; what is not acknowledged then comes again in the next run.
        """
        deadline = self._clock.monotonic() + within_s
        self._stopping = True
        drained = self._writer.finish(within_s)
        self._client.disconnect()
        # loop_stop joins paho's thread, which may be in the middle of connecting.
        ending = threading.Thread(target=self._client.loop_stop, name="mqtt-stop", daemon=True)
        ending.start()
        ending.join(max(0.5, deadline - self._clock.monotonic()))
        self._board.disconnected(None)
        return drained and not ending.is_alive()

    def _make_client(self, client_id: str) -> Client:
        client = make_client(self._broker, client_id, keep_session=self._keep_session)
        client.on_pre_connect = self._on_pre_connect
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    # paho's thread

    def _on_pre_connect(self, client: Client, userdata: Any) -> None:
        self._next_connection()
        self._answered = False

    def _on_connect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._answered = True
        if reason.is_failure:
            self._broker_trouble(refusal_in_words(reason, self._broker))
            return
        resumed = bool(flags.session_present)
        monotonic, boottime = self._clock.monotonic(), self._clock.boottime()
        self._backlog.connected(self._believed(), monotonic, boottime, resumed=resumed)
        self._board.connected()
        log.info("connected with the broker %s:%d", self._broker.host, self._broker.port)
        # Every time: the broker may have lost our session, and the settings may name new topics.
        self._asked.clear()
        self._asked_at = monotonic
        if self._filters:
            mid = subscribe(client, self._filters)
            if mid is not None:
                self._asked[mid] = self._filters

    def _on_connect_fail(self, client: Client, userdata: Any) -> None:
        self._broker_trouble(unreachable_in_words(sys.exc_info()[1], self._broker))

    def _on_disconnect(self, client: Client, userdata: Any, flags: Any, reason: ReasonCode, properties: Any) -> None:
        self._next_connection()
        if self._stopping:
            return
        if self.status().connected:
            why = "" if reason.getName() == "Unspecified error" else f" ({reason.getName()})"
            self._broker_trouble(f"the connection with the broker was lost{why}")
        elif not self._answered:
            place = f"{self._broker.host}:{self._broker.port}"
            self._broker_trouble(f"{place} hung up before it answered: is it a broker, and tls set right?")

    def _on_subscribe(
        self, client: Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Any
    ) -> None:
        for wanted, reason in zip(self._asked.pop(mid, []), reasons, strict=False):
            if reason.is_failure:
                self._board.refused(wanted, reason.getName())
                log.error("the broker refuses the topic %r: %s", wanted, reason.getName())
            else:
                self._board.granted(wanted)
                log.debug("the broker grants the topic %r", wanted)

    def _on_message(self, client: Client, userdata: Any, message: MQTTMessage) -> None:
        try:
            self._receive(message)
        except Exception:  # whatever it is, the thread must live; the message is not acknowledged
            log.exception("a message could not be queued")

    def _receive(self, message: MQTTMessage) -> None:
        if self._stopping:
            return  # not acknowledged, so the next run gets it
        try:
            topic: str | None = message.topic
        except UnicodeDecodeError:
            topic = None
        monotonic = self._clock.monotonic()
        late = self._backlog.age_of_arrival(monotonic)
        incoming = ReceivedMessage(
            topic,
            bytes(message.payload[: MAX_PAYLOAD_BYTES + 1]),
            message.mid,
            message.qos,
            message.retain,
            self._clock.now(),
            monotonic,
            self._connection,
            late,
            self._clock.boottime(),
        )
        self._board.received()
        if not self._writer.put(incoming) and not self._stopping:
            self._board.dropped()

    def _believed(self) -> datetime | None:
        now = self._clock.now()
        return now if plausible(now) else None

    def _next_connection(self) -> None:
        with self._connection_lock:
            self._connection += 1

    def _broker_trouble(self, why: str) -> None:
        if self.status().broker_error != why:  # said once, not at every try
            log.warning("%s", why)
        self._board.disconnected(why)

    # the writer's thread

    def _acknowledge(self, batch: Sequence[ReceivedMessage]) -> None:
        ack = self._client.ack
        with self._connection_lock:
            for incoming in batch:
                if incoming.qos and incoming.connection == self._connection:
                    ack(incoming.mid, incoming.qos)
        self._backlog.acknowledged(self._clock.monotonic())

    def _idle(self) -> None:
        status = self.status()
        if status.connected:
            if self._asked and not status.unanswered and self._clock.monotonic() - self._asked_at > ANSWERS_WITHIN_S:
                log.warning("%s", unanswered_in_words(self._broker, ANSWERS_WITHIN_S))
                self._board.unanswered()
            self._backlog.tick(self._believed(), self._clock.boottime())
        self._board.in_contact(self._backlog.last_contact)
        if not self._stopping:
            self._client.loop_start()  # nothing, unless paho's thread has died of a broken packet


def look_at_broker(
    broker: BrokerSettings, sensors: Sequence[SensorSettings], clock: Clock, *, within_s: float
) -> MqttStatus:
    """Connect, subscribe and listen for a moment without disturbing the daemon's session; for `check`.

    Returns as soon as the broker has answered every subscription or there is an error to tell, after `within_s`
    at the latest. Nothing is stored, and nothing the broker keeps for the daemon is taken away from it.
    """
    intake = MqttIntake(broker, sensors, lambda readings: None, clock, client_id=None)
    wanted = set(subscriptions(sensors))
    intake.start()
    try:
        deadline = clock.monotonic() + within_s
        pause = threading.Event()
        while clock.monotonic() < deadline:
            status = intake.status()
            answered = status.connected and wanted <= status.subscribed | status.refused.keys()
            if answered or status.broker_error is not None:
                break
            clock.wait(pause, 0.05)
        return intake.status()
    finally:
        intake.stop(2.0)
