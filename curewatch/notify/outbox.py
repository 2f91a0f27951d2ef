"""Claim, send, confirm: due deliveries leave through their channels, and are marked after the send.

A crash between sending and marking sends the notice again, with the same key; nothing is ever lost by it.
No transaction is open while something is being sent.
"""

from __future__ import annotations

import logging
import random
import threading
from collections.abc import Mapping
from datetime import datetime, timedelta

from curewatch.clock import Clock
from curewatch.notify.channel import Channel, GiveUp, TryLater
from curewatch.notify.retry import Dead, after_failure, is_due, is_expired, short
from curewatch.records import Delivery, DeliveryState
from curewatch.store import Store

log = logging.getLogger(__name__)


class Outbox:
    """Delivers what the store says is due. One thread per channel may call `deliver_due` at a time."""

    def __init__(
        self,
        store: Store,
        channels: Mapping[str, Channel],
        clock: Clock,
        rng: random.Random,
        give_up_after: timedelta,
    ) -> None:
        self._store = store
        self._channels = dict(channels)
        self._clock = clock
        self._rng = rng
        self._give_up_after = give_up_after
        self._busy = {name: threading.Lock() for name in channels}
        self._halted = threading.Event()
        # Sent, but the store could not note it (disk full): remembered so that it is not sent over and over.
        self._unmarked: dict[int, datetime] = {}

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
        """When the next delivery is due (in the past if overdue), or None while none is waiting."""
        names = self._names(channel)
        waiting = [delivery for delivery in self._waiting() if delivery.channel in names]
        return min((now if is_due(d, now) else d.next_try_at for d in waiting), default=None)

    def retire_unreachable(self, now: datetime) -> int:
        """Settle what waits for a channel the settings no longer have, once it is expired or too old."""
        settled = 0
        for delivery in self._waiting():
            if delivery.channel in self._channels:
                continue
            old = now - delivery.notice.created_at >= self._give_up_after
            with self._store.write() as tx:
                if is_expired(delivery, now):
                    tx.mark_expired(delivery.id, now)
                elif old:
                    reason = short(f"the settings no longer have a channel named {delivery.channel!r}")
                    tx.mark_dead(delivery.id, error=reason, at=now)
                else:
                    continue
            settled += 1
        return settled

    def halt(self) -> None:
        """Begin no further send; what is being sent comes to its end. For good."""
        self._halted.set()

    def _names(self, channel: str | None) -> tuple[str, ...]:
        if channel is None:
            return self.channels
        if channel not in self._channels:
            raise KeyError(f"no channel {channel!r}; there are {', '.join(self._channels) or 'none'}")
        return (channel,)

    def _waiting(self) -> list[Delivery]:
        with self._store.read() as tx:
            waiting = tx.deliveries(state=DeliveryState.WAITING)
        return sorted(waiting, key=lambda delivery: (delivery.notice.created_at, delivery.id))

    def _deliver_through(self, name: str, now: datetime) -> int:
        if not self._busy[name].acquire(blocking=False):
            return 0
        try:
            due = [d for d in self._waiting() if d.channel == name and is_due(d, now)]
            delivered = 0
            for delivery in due:
                if self._halted.is_set():
                    break
                delivered += self._deliver(delivery, self._channels[name])
            return delivered
        finally:
            self._busy[name].release()

    def _deliver(self, delivery: Delivery, channel: Channel) -> bool:
        if delivery.id not in self._unmarked:
            now = self._clock.now()
            if is_expired(delivery, now):
                with self._store.write() as tx:
                    tx.mark_expired(delivery.id, now)
                return False
            try:
                channel.send(delivery.notice)
            except GiveUp as refusal:
                self._bury(delivery, refusal.reason)
                return False
            except TryLater as delay:
                self._put_off(delivery, delay)
                return False
            except Exception as error:
                # Only the type: the text of a foreign exception may carry an address with its secrets.
                self._put_off(delivery, TryLater(f"unexpected {type(error).__name__} in channel {channel.name}"))
                return False
            self._unmarked[delivery.id] = self._clock.now()
        with self._store.write() as tx:
            tx.mark_delivered(delivery.id, self._unmarked[delivery.id])
        del self._unmarked[delivery.id]
        return True

    def _put_off(self, delivery: Delivery, delay: TryLater) -> None:
        decision = after_failure(
            delivery, self._clock.now(), self._rng, after=delay.after, give_up_after=self._give_up_after
        )
        if isinstance(decision, Dead):
            self._bury(delivery, delay.reason)
            return
        with self._store.write() as tx:
            tx.mark_retry(delivery.id, next_try_at=decision.at, error=short(delay.reason))
        log.info("notice %s not yet delivered: %s", delivery.notice.key, short(delay.reason))

    def _bury(self, delivery: Delivery, reason: str) -> None:
        with self._store.write() as tx:
            tx.mark_dead(delivery.id, error=short(reason), at=self._clock.now())
        log.error("notice %s given up through %s: %s", delivery.notice.key, delivery.channel, short(reason))
