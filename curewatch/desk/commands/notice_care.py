"""What became of notices: on their way, arrived, expired or given up; and sending the given-up ones again."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.orders import FactError
from curewatch.records import Delivery, DeliveryState, Notice


@dataclass(frozen=True)
class SentNotice:
    """A notice with its deliveries, one a channel."""

    notice: Notice
    deliveries: tuple[Delivery, ...]


def newest_notices(desk: Desk, *, limit: int) -> list[SentNotice]:
    """The newest notices, newest first, with what became of them."""
    with desk.store.read() as tx:
        notices = tx.notices(limit=limit)
        deliveries = tx.deliveries(keys=[notice.key for notice in notices])
    return [SentNotice(notice, tuple(d for d in deliveries if d.notice.key == notice.key)) for notice in notices]


def dead(desk: Desk) -> list[SentNotice]:
    """The notices that were given up, newest first, with the deliveries that were."""
    with desk.store.read() as tx:
        deliveries = tx.deliveries(state=DeliveryState.DEAD)
    notices = {delivery.notice.key: delivery.notice for delivery in reversed(deliveries)}
    return [SentNotice(notice, tuple(d for d in deliveries if d.notice.key == key)) for key, notice in notices.items()]


def send_again(desk: Desk, key: str | None, now: datetime) -> list[Delivery]:
    """Given-up deliveries wait once more: those of the notice with this key, or (None) all. FactError if none is."""
    with desk.store.write() as tx:
        given_up = [d for d in tx.deliveries(state=DeliveryState.DEAD) if key in (None, d.notice.key)]
        if not given_up and key is not None:
            known = "a notice that was given up (see `curewatch notices --dead`)"
            raise FactError("KEY", key, known if tx.known_keys([key]) else "the key of a notice")
        for delivery in given_up:
            tx.send_again(delivery.id, now)
    return given_up
