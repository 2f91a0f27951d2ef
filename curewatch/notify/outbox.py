"""Claim, send, confirm: due deliveries leave through their channels and are marked after the send; when to retry."""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.clock import Clock, plausible
from curewatch.notify import batching
from curewatch.notify.channel import Channel, GiveUp, InFlight, TryLater
from curewatch.records import Delivery, DeliveryState, Notice
from curewatch.store import Store

BASE = timedelta(seconds=2)
CAP = timedelta(hours=1)
AFTER_CAP = timedelta(hours=24)
"""The longest wait another side may ask for."""
MIN_ATTEMPTS = 10
"""Age alone gives nothing up: after a weekend switched off, the network may be seconds from being there (ten
tries spread over about a quarter of an hour)."""
ASKED_AFTER = timedelta(seconds=2)
"""How soon it is asked what became of a notice that was sent and not answered yet."""
ERROR_CHARS = 200


@dataclass(frozen=True)
class Retry:
    at: datetime


@dataclass(frozen=True)
class Dead:
    pass


def is_due(delivery: Delivery, now: datetime) -> bool:
    """Its time has come, or lies further ahead than any wait we ever set: then the clock was wrong when it was set."""
    return delivery.next_try_at <= now or delivery.next_try_at > now + AFTER_CAP


def is_expired(delivery: Delivery, now: datetime) -> bool:
    return delivery.notice.expires_at is not None and delivery.notice.expires_at <= now


def backoff(failures: int, rng: random.Random, after: timedelta | None = None) -> timedelta:
    """The wait after the `failures`-th failure in a row; the other side's own wish counts when it is longer."""
    doublings = min(failures - 1, 30)  # the cap is long reached, and the number still an ordinary one
    ceiling = min(CAP, BASE * (1 << doublings))
    wait = ceiling * rng.random()
    return max(wait, min(after, AFTER_CAP)) if after is not None else wait


def after_failure(
    delivery: Delivery, now: datetime, rng: random.Random, *, after: timedelta | None, give_up_after: timedelta
) -> Retry | Dead:
    """What becomes of a delivery whose try at `now` failed (`delivery` as it was before that try)."""
    failures = delivery.attempts + 1
    if now - delivery.notice.created_at >= give_up_after and failures >= MIN_ATTEMPTS:
        return Dead()
    return Retry(now + backoff(failures, rng, after))


def short(reason: str) -> str:
    """One line of at most 200 characters."""
    line = " ".join(reason.split())
    return line if len(line) <= ERROR_CHARS else f"{line[: ERROR_CHARS - 1]}…"


log = logging.getLogger(__name__)
NotBefore = Callable[[str, Notice, datetime], datetime]
"""When a notice that could go out through a channel at a moment may do so: then, or later (quiet hours)."""


def at_any_hour(channel: str, notice: Notice, at: datetime) -> datetime:
    return at


class Outbox:
    """Delivers what the store says is due. One thread per channel may call `deliver_due` at a time."""

    def __init__(
        self,
        store: Store,
        channels: Mapping[str, Channel],
        clock: Clock,
        rng: random.Random,
        give_up_after: timedelta,
        *,
        not_before: NotBefore = at_any_hour,
        give_up_after_of: Mapping[str, timedelta] | None = None,
        people: Collection[str] = (),
        catching_up: Collection[str] = (),
    ) -> None:
        """`give_up_after_of`: by channel, where it is another time. `people`: the channels that people read.
        `catching_up`: those of programs that are told in one message what came about while nobody looked.
        """
        self._store = store
        self._channels = dict(channels)
        self._clock = clock
        self._rng = rng
        self._give_up_after = give_up_after
        self._give_up_after_of = dict(give_up_after_of or {})
        self._not_before = not_before
        self._people = frozenset(people)
        self._catching_up = frozenset(catching_up)
        self._busy = {name: threading.Lock() for name in channels}
        self._moved_at = dict.fromkeys(channels, clock.monotonic())
        self._halted = threading.Event()
        # Sent, but the store could not note it (disk full): remembered so that it is not sent over and over.
        self._unconfirmed: dict[int, datetime] = {}

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._channels)

    def deliver_due(self, now: datetime, channel: str | None = None) -> int:
        """Send what is due at `now`, oldest notice first, through one channel or (None) each in turn.

        Returns how many were delivered; 0 at once for a channel another thread is delivering through.
        Raises StoreError when the store cannot be read or written; nothing is lost by that.
        """
        if channel is None:
            self.retire_unreachable(now)
        return sum(self._deliver_through(name, now) for name in self._names(channel))

    def next_due(self, now: datetime, channel: str | None = None) -> datetime | None:
        """When the next delivery is due (now, if one is overdue), or None while none is waiting."""
        with self._store.read() as tx:
            return tx.next_delivery_at(self._names(channel), now, now + AFTER_CAP)

    def retire_unreachable(self, now: datetime) -> int:
        """Settle what waits for a channel the settings no longer have, once it is expired or too old."""
        with self._store.read() as tx:
            left = tx.unreachable_deliveries(self._channels)
        expired = [d for d in left if is_expired(d, now)]
        old = [d for d in left if d not in expired and now - d.notice.created_at >= self._give_up_after]
        if expired or old:
            with self._store.write() as tx:
                for delivery in expired:
                    tx.mark_expired(delivery.id, now)
                for delivery in old:
                    reason = short(f"the settings no longer have a channel named {delivery.channel!r}")
                    tx.mark_dead(delivery.id, error=reason, at=now)
        return len(expired) + len(old)

    def moved(self, channel: str) -> None:
        """The channel's thread got something done, or found nothing to do."""
        self._moved_at[channel] = self._clock.monotonic()

    def moved_at(self, channel: str) -> float:
        """When it last did [s, monotonic]: it stands still while a send, or the store, hangs."""
        return self._moved_at[channel]

    def halt(self) -> None:
        """Begin no further send; what is being sent comes to its end. For good."""
        self._halted.set()

    def _names(self, channel: str | None) -> tuple[str, ...]:
        if channel is None:
            return self.channels
        if channel not in self._channels:
            raise KeyError(f"no channel {channel!r}; there are {', '.join(self._channels) or 'none'}")
        return (channel,)

    def _deliver_through(self, name: str, now: datetime) -> int:
        if not self._busy[name].acquire(blocking=False):
            return 0
        try:
            with self._store.read() as tx:
                due = tx.due_deliveries(name, now, now + AFTER_CAP)
                # whoever reads is told in one message what may go by now, be it due later
                waiting = tx.waiting_deliveries(name) if due and name in self._people else []
            if waiting:
                due = [d for d in self._gathered(name, waiting, now) if is_due(d, now)]
            elif name in self._catching_up:
                due = self._caught_up(name, due, now)
            delivered = 0
            for delivery in due:
                if self._halted.is_set():
                    break
                delivered += self._deliver(delivery, self._channels[name])
                self.moved(name)
            return delivered
        finally:
            self._busy[name].release()

    def _gathered(self, name: str, waiting: list[Delivery], now: datetime) -> list[Delivery]:
        """What to send now to somebody who reads: urgent ones by themselves, the others as one message, if any."""
        ready = [d for d in waiting if not is_expired(d, now) and self._not_before(name, d.notice, now) <= now]
        alone = [d for d in waiting if d not in ready or d.notice.urgent or d.id in self._unconfirmed]
        others = [d for d in ready if d not in alone]
        # A message that may have arrived goes again as it is, under its own key.
        tried = [d for d in others if d.attempts or d.last_error or "members" in d.notice.data]
        fresh = [d for d in others if d not in tried]
        due = [d for d in fresh if is_due(d, now)]
        if not due or any(is_due(d, now) for d in tried):
            return [*alone, *tried]
        with self._store.write() as tx:
            if tried:
                for delivery in due:
                    tx.postpone(delivery.id, min(d.next_try_at for d in tried))
                return alone
            later = batching.may_send(due, tx.delivered_since(name, now - batching.HOUR), now)
            if later is not None:
                for delivery in due:
                    tx.postpone(delivery.id, later.until)
                return alone
            if len(fresh) == 1:
                tx.note_sending(fresh[0].id)
                return [*alone, *fresh]
            notice = batching.together([d.notice for d in fresh], name, now)
            if not tx.tell_together(notice, name, [d.id for d in fresh], now):
                return alone
            written = tx.deliveries(state=DeliveryState.WAITING, keys=[notice.key])
        return [*alone, *written]

    def _caught_up(self, name: str, due: list[Delivery], now: datetime) -> list[Delivery]:
        """What to send now to a program: each by itself, but as one what had come about long before it was noticed.

        As several where it is much, so that no message grows without bound and each notice is whole in one of them.
        """
        late = [
            d
            for d in due
            if not (d.attempts or d.last_error or d.id in self._unconfirmed or is_expired(d, now))
            and batching.is_belated(d.notice)
        ]
        written: list[Delivery] = []
        told: set[int] = set()
        for begin in range(0, len(late) - 1, batching.PROGRAM_MOST):  # a last one by itself stays so
            members = late[begin : begin + batching.PROGRAM_MOST]
            notice = batching.for_programs([d.notice for d in members], name, now)
            with self._store.write() as tx:
                if tx.tell_together(notice, name, [d.id for d in members], now):
                    written += tx.deliveries(state=DeliveryState.WAITING, keys=[notice.key])
                    told |= {d.id for d in members}
        return [*written, *(d for d in due if d.id not in told)]

    def _deliver(self, delivery: Delivery, channel: Channel) -> bool:
        if delivery.id not in self._unconfirmed:
            now = self._clock.now()
            if not plausible(now):
                return False
            if is_expired(delivery, now):
                with self._store.write() as tx:
                    tx.mark_expired(delivery.id, now)
                return False
            if (quiet_until := self._not_before(delivery.channel, delivery.notice, now)) > now:
                with self._store.write() as tx:
                    tx.postpone(delivery.id, quiet_until)
                return False
            try:
                channel.send(delivery.notice)
            except GiveUp as refusal:
                self._bury(delivery, refusal.reason, self._since(now))
                return False
            except InFlight as waiting:
                with self._store.write() as tx:
                    tx.ask_after(delivery.id, self._since(now) + ASKED_AFTER, short(waiting.reason))
                return False
            except TryLater as delay:
                self._put_off(delivery, delay, self._since(now))
                return False
            except Exception as error:
                # Only the type: the text of a foreign exception may carry an address with its secrets.
                unexpected = TryLater(f"unexpected {type(error).__name__} in channel {channel.name}")
                self._put_off(delivery, unexpected, self._since(now))
                return False
            self._unconfirmed[delivery.id] = self._since(now)
        with self._store.write() as tx:
            tx.mark_delivered(delivery.id, self._unconfirmed[delivery.id])
        del self._unconfirmed[delivery.id]
        return True

    def _since(self, begun: datetime) -> datetime:
        """Now; as of the send's begin where the clock ceased to be believed meanwhile."""
        now = self._clock.now()
        return now if plausible(now) else begun

    def _put_off(self, delivery: Delivery, delay: TryLater, now: datetime) -> None:
        limit = self._give_up_after_of.get(delivery.channel, self._give_up_after)
        decision = after_failure(delivery, now, self._rng, after=delay.after, give_up_after=limit)
        if isinstance(decision, Dead):
            self._bury(delivery, delay.reason, now)
            return
        with self._store.write() as tx:
            tx.mark_retry(delivery.id, next_try_at=decision.at, error=short(delay.reason))
        log.info("notice %s not yet delivered: %s", delivery.notice.key, short(delay.reason))

    def _bury(self, delivery: Delivery, reason: str, now: datetime) -> None:
        with self._store.write() as tx:
            tx.mark_dead(delivery.id, error=short(reason), at=now)
        log.error("notice %s given up through %s: %s", delivery.notice.key, delivery.channel, short(reason))
