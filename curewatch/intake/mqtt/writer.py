"""What was heard → readings → the sink, in batches; then the acknowledgement."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime
from types import MappingProxyType

from curewatch.clock import Clock, plausible
from curewatch.intake.mqtt.duplicate_devices import DUPLICATE_DEVICES, DuplicateDevices
from curewatch.intake.mqtt.guessing import guess
from curewatch.intake.mqtt.limits import A_SECOND, TOO_MANY, Devices, Heard, Rates, Refusals
from curewatch.intake.mqtt.message import ReceivedMessage, match, read_payload, says_of_itself, source_of
from curewatch.intake.mqtt.pending_messages import PendingQueue, PendingStore, lateness
from curewatch.intake.mqtt.status import Poison, StatusBoard
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.settings import SensorSettings

log = logging.getLogger(__name__)

BATCH_MAX = 1000
WAITING_MAX, WAITING_BYTES = 10_000, 8_000_000
"""Messages waiting for the sink, and what they say. More of QoS 0 are dropped; of QoS 1 no more are read from the
network until there is room, should the broker itself not stop when so many are unacknowledged."""
IDLE_S = 1.0
GATHER_S, GATHERED, QUIET_S = 10.0, 20, 0.1
"""Messages that come one by one, each after a quiet of QUIET_S, are stored together: at most this long after the last
were [s], or once so many wait (a broker sends on to no more than twenty unacknowledged). A commit costs a small board
more than all else about a reading; what comes in a flood, or out of a broker's backlog, is not kept waiting."""
RETRY_S = (0.5, 30.0)
"""Shortest and longest wait before the sink is tried again [s]; doubled in between."""
HINT_EVERY_S = 10.0
"""How often it is looked what the numbers of a sensor may be that cannot be read [s]."""
TOPICS_KNOWN = 4096
"""For so many topics it is kept which sensors they feed."""

Sink = Callable[[Sequence[Reading]], None]
"""Stores a batch in one transaction. A ValueError means: this can never be stored. Anything else it raises means: not
now (locked, disk full), and the same readings come again."""


class Writer:
    """The writer thread. `acknowledge` gets every batch that is done with; `idle` is called about once a second."""

    def __init__(
        self,
        sensors: Sequence[SensorSettings],
        sink: Sink,
        clock: Clock,
        board: StatusBoard,
        acknowledge: Callable[[Sequence[ReceivedMessage]], None],
        idle: Callable[[], None],
        *,
        pending_store: PendingStore | None = None,
        contact: datetime | None = None,
        heard: Heard = MappingProxyType({}),
        is_urgent: Callable[[Reading], bool] = lambda _: False,
    ) -> None:
        """`is_urgent`: whether a reading that came by itself is to be stored at once."""
        self._urgent = is_urgent
        self._sensors = tuple(sensors)
        self._fed: dict[str, list[SensorSettings]] = {}
        self._sink = sink
        self._clock = clock
        self._board = board
        self._acknowledge = acknowledge
        self._idle = idle
        self._contact = contact
        self._duplicates = DuplicateDevices()
        self._devices, self._rates = Devices(heard), Rates()
        self._turned_away: dict[str, int] = {}
        self._hinted: dict[str, float] = {}
        self._refusals = Refusals(lambda line: log.warning("%s", line))
        self._pending_queue = None
        if pending_store is not None:
            self._pending_queue = PendingQueue(
                pending_store, contact, clock, board, self._read, self._until_done, self._poisoned
            )
        self.moved_at = clock.monotonic()
        """When it last had done what it had taken on [s, monotonic]."""
        self._queue: queue.SimpleQueue[ReceivedMessage | None] = queue.SimpleQueue()  # None: wake up
        self._room = threading.Condition()
        self._waiting_bytes = 0
        self._finish = threading.Event()
        self._abandon = threading.Event()
        self._stored_at = clock.monotonic() - GATHER_S
        self._taken_on = self._done = 0  # messages
        self._thread = threading.Thread(target=self._run, name="mqtt-writer", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def put(self, incoming: ReceivedMessage) -> bool:
        """Queue it, for QoS 1 once there is room. False if it was not: of QoS 0 where too many wait, or at the end."""
        with self._room:
            while self._queue.qsize() >= WAITING_MAX or self._waiting_bytes > WAITING_BYTES:
                if incoming.qos == 0 or self._finish.is_set():
                    return False
                self._room.wait()
            self._waiting_bytes += len(incoming.payload)
        self._taken_on += 1
        self._queue.put(incoming)
        return True

    @property
    def unstored(self) -> int:
        """How many messages are taken on, and not stored and acknowledged yet."""
        return self._taken_on - self._done

    def finish(self, within_s: float) -> bool:
        """Store and acknowledge what is queued, then end. False if the sink did not take it in time; what
        is not acknowledged then comes again in the next run."""
        with self._room:
            self._finish.set()
            self._room.notify_all()
        self._queue.put(None)
        if self._thread.ident is None:
            return True
        self._thread.join(max(0.0, within_s))
        done = not self._thread.is_alive()
        self._abandon.set()
        return done

    def _run(self) -> None:
        idled_at = self._clock.monotonic()
        while not self._abandon.is_set():
            batch = self._take()
            if batch:
                if not self._store(batch):
                    return
                self._stored_at = self._clock.monotonic()
                self._done += len(batch)
            if self._pending_queue is not None and not self._pending_queue.date():
                return
            self.moved_at = self._clock.monotonic()
            if not batch and self._finish.is_set():
                return
            if self._clock.monotonic() - idled_at >= IDLE_S:
                self._refusals.tick(self._clock.monotonic())
                self._idle()
                idled_at = self._clock.monotonic()

    def _take(self) -> list[ReceivedMessage]:
        """Everything that waits, or the first message to come within a moment and its companions."""
        taken: list[ReceivedMessage | None] = []
        began = self._clock.monotonic()
        try:
            taken.append(self._queue.get(timeout=0 if self._finish.is_set() else IDLE_S))
            if self._clock.monotonic() - began >= QUIET_S:
                self._gather(taken)
            while len(taken) < BATCH_MAX:
                taken.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        found = [incoming for incoming in taken if incoming is not None]
        with self._room:
            self._waiting_bytes -= sum(len(incoming.payload) for incoming in found)
            self._room.notify_all()
        return found

    def _gather(self, taken: list[ReceivedMessage | None]) -> None:
        """Wait for more until it is time to store, or enough have come. Raises queue.Empty when nothing more did."""
        while len(taken) < GATHERED and (last := taken[-1]) is not None:
            left_s = self._stored_at + GATHER_S - self._clock.monotonic()
            if left_s <= 0:
                return
            if self._is_urgent(last):
                return
            taken.append(self._queue.get(timeout=left_s))

    def _is_urgent(self, incoming: ReceivedMessage) -> bool:
        if incoming.topic is None or (self._pending_queue is not None and not plausible(incoming.received_at)):
            return False
        for sensor in self._fed_by(incoming.topic):
            with suppress(Exception):  # what is wrong with it is said where it is read to be stored
                if self._urgent(self._reading(sensor, incoming.topic, incoming)):
                    return True
        return False

    def _store(self, batch: Sequence[ReceivedMessage]) -> bool:
        """Sink and acknowledge a batch; False if that was abandoned."""
        dated = batch if self._pending_queue is None else self._pending_queue.without(batch)
        if dated is None:
            return False
        readings = [(incoming, reading) for incoming in dated for reading in self._read(incoming)]
        if readings and not self._commit([reading for _, reading in readings]):
            return False
        self._acknowledge(batch)
        live = [
            (incoming, reading)
            for incoming, reading in readings
            if not (incoming.retained or lateness(incoming.received_at, incoming.late, self._contact))
        ]
        self._watch_for_duplicates(live)
        return True

    def _watch_for_duplicates(self, live: Sequence[tuple[ReceivedMessage, Reading]]) -> None:
        """Note, and say, which sources look like two devices under one name."""
        for incoming, reading in live:
            if self._duplicates.see(reading.source, incoming.monotonic, reading.temp_c, reading.rh_pct):
                self._board.duplicates(self._duplicates.found)
                if reading.source in self._duplicates.found:
                    log.warning("sensor %s: %s", reading.source, DUPLICATE_DEVICES)

    def _reading(self, sensor: SensorSettings, topic: str, incoming: ReceivedMessage) -> Reading:
        """What the message is of the sensor; InputError where it is none."""
        return read_payload(
            sensor,
            topic,
            incoming.payload,
            retained=incoming.retained,
            received_at=incoming.received_at,
            late=lateness(incoming.received_at, incoming.late, self._contact),
        )

    def _read(self, incoming: ReceivedMessage) -> list[Reading]:
        """A reading for each sensors entry the topic feeds; what is none is noted as poison."""
        if incoming.topic is None:
            self._poisoned("(a topic that is not UTF-8)", "the topic is not UTF-8")
            return []
        readings = []
        said = says_of_itself(incoming.payload)
        for sensor in self._fed_by(incoming.topic):
            if self._is_flood(sensor, incoming.topic):
                continue
            if said is not None:  # no reading, and nothing is wrong with it
                self._board.says(sensor.id, said)
                continue
            try:
                reading = self._reading(sensor, incoming.topic, incoming)
                if self._lets_in(sensor, incoming.topic, reading.source):
                    readings.append(reading)
            except InputError as error:
                self._poisoned(incoming.topic, str(error), sensor, self._hint(sensor, incoming))
            except Exception as error:  # a flaw of ours must not stop the other sensors
                log.exception("reading a message of topic %r failed", incoming.topic)
                self._poisoned(incoming.topic, f"reading it failed ({type(error).__name__})", sensor)
        return readings

    def _hint(self, sensor: SensorSettings, incoming: ReceivedMessage) -> str | None:
        """Where its numbers seem to stand, looked for now and then: whoever floods us must not have us guess."""
        now = self._clock.monotonic()
        if now - self._hinted.get(sensor.id, -HINT_EVERY_S) < HINT_EVERY_S:
            return None
        self._hinted[sensor.id] = now
        found = guess(incoming.topic or "", incoming.payload, incoming.received_at)
        return None if found is None else found.in_words(sensor)

    def _is_flood(self, sensor: SensorSettings, topic: str) -> bool:
        """Whether a message would not be let in whatever it says, so that it need not be read."""
        source = source_of(sensor, topic)
        known = self._devices.knows_away(sensor, source) or self._rates.is_spent(source, self._clock.monotonic())
        return known and not self._lets_in(sensor, topic, source)

    def _lets_in(self, sensor: SensorSettings, topic: str, source: str) -> bool:
        """Whether there is a place for the device, and it does not send without end. What is not let in is noted."""
        now = self._clock.now()
        if not self._devices.lets_in(sensor, source, now):
            away = self._devices.turned_away
            if sensor.id not in self._turned_away:
                log.warning("sensor %s: %s", sensor.id, TOO_MANY.format(sensor.devices_most, f"{topic!r} is"))
            if away != self._turned_away:
                self._turned_away = away
                self._board.turned_away(away)
            return False
        if not self._rates.lets_in(source, self._clock.monotonic()):
            self._poisoned(topic, f"{topic}: more than {A_SECOND:g} messages a second for long: not stored", sensor)
            return False
        return True

    def _fed_by(self, topic: str) -> list[SensorSettings]:
        """The sensors entries this topic feeds. Looked up once: the same few topics come again and again."""
        known = self._fed.get(topic)
        if known is None:
            if len(self._fed) >= TOPICS_KNOWN:  # behind a wildcard anybody may invent topics
                self._fed.clear()
            known = self._fed[topic] = match(self._sensors, topic)
        return known

    def _commit(self, readings: Sequence[Reading]) -> bool:
        """Have the sink take them, however long that needs; False if abandoned meanwhile."""
        try:
            if not self._until_done(lambda: self._sink(readings), f"{len(readings)} readings wait for the store"):
                return False
        except ValueError as error:
            if len(readings) > 1:  # one of them spoils the batch: find it
                return all(self._commit([reading]) for reading in readings)
            self._poisoned(readings[0].source, f"not stored: {error}")
            return True
        self._board.committed(len(readings))
        return True

    def _until_done(self, work: Callable[[], object], waiting: str) -> bool:
        """Do `work`, again and again while it fails; False if abandoned meanwhile. A ValueError of its is passed on."""
        wait_s, longest_s = RETRY_S
        while True:
            try:
                work()
            except ValueError:
                raise
            except Exception as error:
                why = f"{type(error).__name__}: {error}"
                self._board.sink_failed(why)
                log.warning("%s: %s", waiting, why)
            else:
                return True
            if self._clock.wait(self._abandon, wait_s):
                return False
            wait_s = min(2 * wait_s, longest_s)

    def _poisoned(self, topic: str, reason: str, sensor: SensorSettings | None = None, hint: str | None = None) -> None:
        of = None if sensor is None else sensor.id
        self._board.poisoned(Poison(self._clock.now(), topic, reason), of, hint)
        self._refusals.add(of or topic, reason, self._clock.monotonic())
