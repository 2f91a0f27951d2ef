"""What became of notices, sending the given-up ones again, and telling what is wrong with the watch itself."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk
from curewatch.language import When, Words, joined, phrase
from curewatch.notify.routing import due_times
from curewatch.records import Delivery, DeliveryState, Notice
from curewatch.records.errors import Field, InputError
from curewatch.store import Transaction, newest
from curewatch.store.queries.outbox import SENDING


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
    """Given-up deliveries wait once more: those of the notice with this key, or (None) all. InputError if none is."""
    with desk.store.write() as tx:
        given_up = [d for d in tx.deliveries(state=DeliveryState.DEAD) if key in (None, d.notice.key)]
        if not given_up and key is not None:
            known = phrase("a notice that was given up (see `curewatch notices --undelivered`)")
            raise InputError(Field.KEY, key, known if tx.known_keys([key]) else phrase("the key of a notice"))
        for delivery in given_up:
            tx.send_again(delivery.id, now)
    return given_up


def send_test_notice(desk: Desk, now: datetime) -> Notice:
    """Write a test notice to every channel."""
    notice = Notice(
        key=f"test/{int(now.timestamp() * 1e6)}",
        kind="test",
        created_at=now,
        title=phrase("curewatch: a test"),
        text=phrase("If you can read this, notices reach you. Nothing needs doing."),
        expires_at=now + timedelta(hours=1),
    )
    with desk.store.write() as tx:
        tx.add_notice(notice, due_times(desk.settings, notice))
    return notice


def tell_turned_away(desk: Desk, sensor: str, now: datetime) -> bool:
    """Write a notice that more devices send to this sensor's topic than it has places for: once for so many places.

    True if one was written.
    """
    entry = next(one for one in desk.settings.sensors if one.id == sensor)
    notice = Notice(
        key=f"devices/{sensor}/{entry.devices_most}",
        kind="devices",
        created_at=now,
        title=phrase("{room}: more devices send to {sensor} than are heard", room=entry.room, sensor=sensor),
        text=phrase(
            "{n} devices are heard behind the topic {topic} and others are not: those that came first have the places. "
            "If all of them are yours, raise devices_most of this sensor; else make its topic narrower, and see who "
            "else may publish to the broker. `curewatch check` tells how many.",
            n=entry.devices_most,
            topic=entry.topic,
        ),
        room=entry.room,
        data={"sensor": sensor, "devices_most": entry.devices_most, "names": sorted({entry.room, sensor})},
    )
    with desk.store.write() as tx:
        return tx.add_notice(notice, due_times(desk.settings, notice))


REACHED = "told_through"
"""The store's note of the channels through which a test has arrived, JSON."""


def reached(tx: Transaction) -> frozenset[str]:
    return frozenset(json.loads(tx.get_meta(REACHED) or "[]"))


def trouble(delivery: Delivery) -> str | None:
    """Why it has not arrived; None where it has, or is on its way."""
    return None if delivery.last_error == SENDING else delivery.last_error


def note_arrived(desk: Desk, key: str) -> list[Delivery]:
    """What became of a test so far; the channels it arrived through are noted."""
    with desk.store.read() as tx:
        found, before = tx.deliveries(keys=[key]), reached(tx)
    arrived = {one.channel for one in found if one.state is DeliveryState.DELIVERED}
    if not arrived <= before:
        with desk.store.write() as tx:
            tx.set_meta(REACHED, json.dumps(sorted(before | arrived)))
    return found


def tell_late_backup(desk: Desk, why: Words, now: datetime) -> bool:
    """Write a notice that no backup could be made, where the newest is older than it should be or there is none.

    True if one was written. One is, however often it fails, until a backup has been made again.
    """
    last_made = newest(desk.store.backups(), now)
    made_at = None if last_made is None else last_made.at
    if made_at is not None and timedelta(0) <= now - made_at < 2 * timedelta(hours=desk.settings.backup.every_h):
        return False
    last = phrase("There is none yet, because {why}.", why=why)
    if made_at is not None:
        last = phrase("The newest is of {at}, because {why}.", at=When(made_at), why=why)
    notice = Notice(
        key=f"backup/late/{'never' if made_at is None else made_at.isoformat()}",
        kind="backup",
        created_at=now,
        title=phrase("The studio's record is not being backed up"),
        text=joined(last, phrase("If the disk fails now, what came since is lost. It is tried again every hour.")),
    )
    with desk.store.write() as tx:
        return tx.add_notice(notice, due_times(desk.settings, notice))
