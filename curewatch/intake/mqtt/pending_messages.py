"""Messages whose time is in doubt: the broker's backlog, and those pending in the store until the clock can be
believed."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple, Protocol

from curewatch.clock import RELEASED, Clock, plausible
from curewatch.intake.mqtt.message import MAX_PAYLOAD_BYTES, ReceivedMessage
from curewatch.intake.mqtt.status import StatusBoard
from curewatch.records import Reading
from curewatch.records.facts import PendingMessage

CONTACT_GAP = timedelta(seconds=90)
"""Ticks further apart than this mean the machine slept: the absence then began at the earlier tick."""
TOLERANCE = timedelta(minutes=10)
"""An absence this short moves no drying date: its backlog counts as measured on arrival."""
PENDING_MOST = 50_000
"""So many messages wait for the clock at the most; what comes then is let go."""
QUIET_S = 1.0
"""A backlog comes as fast as it is acknowledged; a pause this long is its end [s]."""


class Backlog:
    """Knows when the broker was last in reach, and whether messages arriving now are its backlog.

    `now` is None wherever the wall clock cannot be believed; `boottime` never is.
    """

    def __init__(self, last_contact: datetime | None = None) -> None:
        """`last_contact`: when an earlier run was last connected; None if unknown, and then nothing is doubted."""
        self.last_contact = last_contact
        self._contact_s: float | None = None
        self._away: timedelta | None = timedelta(0)
        self._moved_at = 0.0

    def tick(self, now: datetime | None, boottime: float) -> None:
        """Call every second or so while connected."""
        if self._contact_s is None or boottime - self._contact_s <= CONTACT_GAP.total_seconds():
            self._in_contact(now, boottime)

    def connected(self, now: datetime | None, monotonic: float, boottime: float, *, resumed: bool) -> None:
        """A session begins; `resumed` if the broker still had it."""
        self._away = self._absence(now, boottime) if resumed else timedelta(0)
        if self._away is not None and self._away <= TOLERANCE:
            self._away = timedelta(0)
        self._moved_at = monotonic
        self._in_contact(now, boottime)

    def acknowledged(self, monotonic: float) -> None:
        """The broker may send more now: it holds back while too much is unacknowledged."""
        self._moved_at = max(self._moved_at, monotonic)

    def age_of_arrival(self, monotonic: float) -> timedelta | None:
        """How old a message arriving at this moment may be; None: as old as the last contact of an earlier run."""
        if self._away != timedelta(0) and monotonic - self._moved_at > QUIET_S:
            self._away = timedelta(0)
        self._moved_at = max(self._moved_at, monotonic)
        return self._away

    def _absence(self, now: datetime | None, boottime: float) -> timedelta | None:
        if self._contact_s is not None:
            return timedelta(seconds=boottime - self._contact_s)
        if self.last_contact is None:
            return timedelta(0)
        return None if now is None else now - self.last_contact

    def _in_contact(self, now: datetime | None, boottime: float) -> None:
        self._contact_s = boottime
        if now is not None:
            self.last_contact = now


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
        ...

    def oldest(self, limit: int) -> list[PendingMessage]:
        """Those that came first."""
        ...

    def settle(self, readings: Sequence[Reading], dated: Sequence[int]) -> None:
        """Store what the messages of these ids said, and take them off. A ValueError: it can never be stored."""
        ...


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
        self._boot = clock.boot_id()
        self._any = True  # there may be, from an earlier run

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
        if self._board.snapshot().pending >= PENDING_MOST:
            self._poisoned(incoming.topic, f"{PENDING_MOST} messages wait for the clock already")
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
