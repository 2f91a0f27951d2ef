"""Messages that come while the clock cannot be believed: kept as they are, and read once it can.

A board without a battery clock starts in 1970 and learns the time minutes later, or, without a network, never. What
its sensors say meanwhile is true, only undated. So such a message goes to the store with the seconds since the machine
started, which nobody sets; it is acknowledged once it lies there; and it becomes a reading when the time is known.

After another start those seconds mean nothing. Then only a message that bears its own time can still be dated; the
others are noted as no readings rather than given a time somebody made up.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple, Protocol

from curewatch.clock import RELEASED, Clock, boot_id, plausible
from curewatch.intake.mqtt.message import ReceivedMessage
from curewatch.intake.mqtt.part_intake_payload import MAX_PAYLOAD_BYTES
from curewatch.intake.mqtt.pending_messages import TOLERANCE
from curewatch.intake.mqtt.status import StatusBoard
from curewatch.records import Reading
from curewatch.records.part_records_held import PendingMessage

log = logging.getLogger(__name__)

AT_ONCE = 1000
"""Messages dated in one transaction."""

Read = Callable[[ReceivedMessage], list[Reading]]
"""What a message says: no readings, and noted why, where it is none."""
UntilDone = Callable[[Callable[[], object], str], bool]
"""Does a work again and again while the store fails; False if the end came first. Passes a ValueError on."""


class PendingStore(Protocol):
    """Where undated messages lie, durably. Each call is one transaction; all raise where the store cannot be used."""

    def put(self, messages: Sequence[PendingMessage]) -> None:
        """Keep them."""

    def oldest(self, limit: int) -> list[PendingMessage]:
        """Those that came first."""

    def settle(self, readings: Sequence[Reading], dated: Sequence[int]) -> None:
        """Store what the messages of these ids said, and take them off. A ValueError: it can never be stored."""


class Dated(NamedTuple):
    """When a held message came."""

    received_at: datetime
    late: timedelta
    """How long it may have been kept before that, where nobody knows better."""


def date(message: PendingMessage, now: datetime, boottime: float, boot: str | None, contact: datetime | None) -> Dated:
    """When `message` came, told at `now`, `boottime` seconds after the start `boot` of the machine.

    `contact`: when an earlier run, whose clock was believed, was last in reach of the broker; None if unknown.
    """
    if message.boot is None or message.boot != boot or message.boottime_s > boottime:
        # Some time since the last moment that is known at all.
        return Dated(now, now - (contact if contact is not None and contact < now else RELEASED))
    received_at = now - timedelta(seconds=boottime - message.boottime_s)
    late = None if message.late_s is None else timedelta(seconds=message.late_s)
    return Dated(received_at, lateness(received_at, late, contact))


def lateness(received_at: datetime, late: timedelta | None, contact: datetime | None) -> timedelta:
    """How long the broker may have kept a message; a `late` of None is as long as the last `contact` is ago."""
    if late is not None:
        return late
    away = received_at - contact if contact is not None else timedelta(0)
    return away if away > TOLERANCE else timedelta(0)


class PendingQueue:
    """The writer's dealings with the shelf, on the writer's thread."""

    def __init__(
        self,
        pending_store: PendingStore,
        contact: datetime | None,
        clock: Clock,
        board: StatusBoard,
        read: Read,
        until_done: UntilDone,
        poisoned: Callable[[str, str], None],
    ) -> None:
        self._pending_store, self._contact, self._clock, self._board = pending_store, contact, clock, board
        self._read, self._until_done, self._poisoned = read, until_done, poisoned
        self._boot = boot_id()
        self._any = True  # perhaps, from an earlier run

    def without(self, batch: Sequence[ReceivedMessage]) -> Sequence[ReceivedMessage] | None:
        """The messages whose date can be believed; the others are on the shelf. None if the end came first."""
        pending = [incoming for incoming in batch if not plausible(incoming.received_at)]
        if not pending:
            return batch
        messages = [held for incoming in pending if (held := self._held(incoming)) is not None]
        if messages and not self._until_done(lambda: self._put(messages), f"{len(messages)} messages wait to be kept"):
            return None
        return [incoming for incoming in batch if plausible(incoming.received_at)]

    def date(self) -> bool:
        """Once the clock can be believed: what the shelf holds becomes readings. False if the end came first."""
        while self._any and plausible(self._clock.now()):
            found: list[PendingMessage] = []
            if not self._until_done(lambda: self._fetch(found), "messages without a date wait"):  # noqa: B023 done here
                return False
            self._any = bool(found)
            if found and not self._settle(found):
                return False
            if not found:
                self._board.pending(0)
        return True

    def _put(self, messages: Sequence[PendingMessage]) -> None:
        self._pending_store.put(messages)
        self._any = True
        self._board.pending(self._board.snapshot().pending + len(messages))

    def _fetch(self, found: list[PendingMessage]) -> None:
        found.extend(self._pending_store.oldest(AT_ONCE))

    def _held(self, incoming: ReceivedMessage) -> PendingMessage | None:
        """None for what can be no reading whatever its date."""
        if incoming.topic is None or len(incoming.payload) > MAX_PAYLOAD_BYTES:
            self._read(incoming)  # which notes why
            return None
        return PendingMessage(
            topic=incoming.topic,
            payload=incoming.payload,
            retained=incoming.retained,
            boot=self._boot,
            boottime_s=incoming.boottime,
            late_s=None if incoming.late is None else incoming.late.total_seconds(),
        )

    def _settle(self, held: Sequence[PendingMessage]) -> bool:
        now, boottime = self._clock.now(), self._clock.boottime()
        readings = [reading for message in held for reading in self._read(self._as_received(message, now, boottime))]
        ids = [message.id for message in held if message.id is not None]
        try:
            if not self._until_done(
                lambda: self._pending_store.settle(readings, ids), f"{len(ids)} held messages wait"
            ):
                return False
        except ValueError as error:
            if len(held) > 1:  # one of them spoils the batch: find it
                return all(self._settle([message]) for message in held)
            self._poisoned(held[0].topic, f"not stored: {error}")
            return self._until_done(lambda: self._pending_store.settle([], ids), "a held message waits")
        self._board.committed(len(readings))
        log.info("the clock can be believed: %d messages that waited for it made %d readings", len(ids), len(readings))
        return True

    def _as_received(self, message: PendingMessage, now: datetime, boottime: float) -> ReceivedMessage:
        dated = date(message, now, boottime, self._boot, self._contact)
        return ReceivedMessage(
            topic=message.topic,
            payload=message.payload,
            mid=0,
            qos=0,
            retained=message.retained,
            received_at=dated.received_at,
            monotonic=0.0,
            connection=0,
            late=dated.late,
        )
