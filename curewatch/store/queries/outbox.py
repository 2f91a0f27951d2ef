"""Notices, and their deliveries through each channel."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    RowMapping,
    Select,
    String,
    case,
    cast,
    func,
    insert,
    literal_column,
    select,
    update,
)

from curewatch.records import Delivery, DeliveryState, Notice
from curewatch.store import tables
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Rows

SENDING = "was being sent when the service ended; it may have arrived"
HELD = "held back until it is known whether it is still so"
_NOTICES, _DELIVERIES = tables.notices.c, tables.deliveries.c
_WAITING = _DELIVERIES.state == literal_column(f"'{DeliveryState.WAITING}'")  # literal, to match the partial index
_NOTICE_COLUMNS = [_NOTICES[name] for name in Notice.model_fields]
_WITH_NOTICE = select(
    tables.deliveries,
    *(column.label(f"notice_{column.name}") for column in _NOTICE_COLUMNS),
).join_from(tables.deliveries, tables.notices)


_OLDEST = (_NOTICES.created_at, _DELIVERIES.id)


def _is_due(now: datetime, beyond: datetime) -> ColumnElement[bool]:
    return (_DELIVERIES.next_try_at <= now) | (_DELIVERIES.next_try_at > beyond)


class Outbox(Rows):
    """Letters written, and how far each has come. Delivery is at-least-once: marks are made after sending."""

    def add_notice(self, notice: Notice, channels: Sequence[str] | Mapping[str, datetime]) -> bool:
        """Write the notice and a delivery per channel; False, and nothing written, if its key exists.

        A delivery is due at once, or where `channels` maps them to times, then.

        `data` is kept as JSON, so times in it come back as text.
        """
        if self._connection.scalar(select(_NOTICES.id).where(_NOTICES.key == notice.key)) is not None:
            return False
        row = notice.model_dump(exclude={"data"}) | notice.model_dump(mode="json", include={"data"})
        key = self._execute(insert(tables.notices), row, given=notice).inserted_primary_key
        assert key is not None  # a single-row insert always has one
        deliveries = [
            {
                "notice_id": key[0],
                "channel": channel,
                "state": DeliveryState.WAITING,
                "attempts": 0,
                "next_try_at": channels[channel] if isinstance(channels, Mapping) else notice.created_at,
            }
            for channel in channels
        ]
        if deliveries:
            self._execute(insert(tables.deliveries), deliveries, given=(notice.key, channels))
        return True

    def known_keys(self, keys: Collection[str]) -> set[str]:
        """Which of these keys have been written already."""
        return set(self._connection.scalars(select(_NOTICES.key).where(_NOTICES.key.in_(keys))))

    def told_of_pieces(self, piece_ids: Collection[int]) -> set[str]:
        """The keys of all notices about these pieces."""
        return set(self._connection.scalars(select(_NOTICES.key).where(_NOTICES.piece_id.in_(piece_ids))))

    def notices(
        self,
        *,
        limit: int = 100,
        since: datetime | None = None,
        piece_ids: Collection[int] | None = None,
        kinds: Collection[str] | None = None,
        room: str | None = None,
    ) -> list[Notice]:
        """The newest notices (written at `since` or later, about these pieces, of these kinds, of that room), newest
        first."""
        query = select(*_NOTICE_COLUMNS).order_by(_NOTICES.created_at.desc(), _NOTICES.id.desc()).limit(limit)
        if since is not None:
            query = query.where(_NOTICES.created_at >= since)
        if kinds is not None:
            query = query.where(_NOTICES.kind.in_(kinds))
        if room is not None:
            query = query.where(_NOTICES.room == room)
        return self._records(Notice, query, _NOTICES.piece_id, piece_ids)

    def last_notice_at(self, kind: str) -> datetime | None:
        """When the newest notice of this kind was written."""
        found: datetime | None = self._connection.scalar(
            select(func.max(_NOTICES.created_at)).where(_NOTICES.kind == kind)
        )
        return found

    def last_delivered_at(self) -> datetime | None:
        """When something last reached a channel."""
        reached = _DELIVERIES.state == DeliveryState.DELIVERED
        found: datetime | None = self._connection.scalar(select(func.max(_DELIVERIES.settled_at)).where(reached))
        return found

    def deliveries(self, *, state: DeliveryState | None = None, keys: Collection[str] | None = None) -> list[Delivery]:
        """All deliveries (in that state, of the notices with these keys), in the order they were written."""
        query = _WITH_NOTICE.order_by(_DELIVERIES.id)
        if keys is not None:
            query = query.where(_NOTICES.key.in_(keys))
        return self._as_records(query if state is None else query.where(_DELIVERIES.state == state))

    def due_deliveries(self, channel: str, now: datetime, beyond: datetime) -> list[Delivery]:
        """What waits for the channel and is to be tried by `now`, or not before `beyond`, the oldest notice first."""
        return self._waiting_for(channel, _is_due(now, beyond))

    def waiting_deliveries(self, channel: str) -> list[Delivery]:
        """All that waits for the channel, due or not, the oldest notice first."""
        return self._waiting_for(channel)

    def next_delivery_at(self, channels: Collection[str], now: datetime, beyond: datetime) -> datetime | None:
        """When the next of what waits for these channels is due: `now` if one is (see above), None if nothing waits."""
        of_them = select(func.min(_DELIVERIES.next_try_at)).where(_WAITING, _DELIVERIES.channel.in_(channels))
        if self._connection.scalar(of_them.where(_is_due(now, beyond))) is not None:
            return now
        found: datetime | None = self._connection.scalar(of_them)
        return found

    def unreachable_deliveries(self, channels: Collection[str]) -> list[Delivery]:
        """What waits for any other channel than these."""
        return self._as_records(_WITH_NOTICE.where(_WAITING, _DELIVERIES.channel.not_in(channels)))

    def oldest_waiting(self) -> tuple[int, Delivery | None]:
        """How many deliveries wait, and the one that was written first."""
        count = self._connection.scalar(select(func.count()).select_from(tables.deliveries).where(_WAITING)) or 0
        oldest = self._as_records(_WITH_NOTICE.where(_WAITING).order_by(*_OLDEST).limit(1))
        return count, next(iter(oldest), None)

    def _waiting_for(self, channel: str, *which: ColumnElement[bool]) -> list[Delivery]:
        return self._as_records(_WITH_NOTICE.where(_WAITING, _DELIVERIES.channel == channel, *which).order_by(*_OLDEST))

    def mark_delivered(self, delivery_id: int, at: datetime) -> None:
        """It reached the channel. True even if it had been given up meanwhile; a second mark changes nothing."""
        if self._state(delivery_id) != DeliveryState.DELIVERED:
            error = case((_DELIVERIES.last_error == SENDING, None), else_=_DELIVERIES.last_error)
            self._update(delivery_id, state=DeliveryState.DELIVERED, settled_at=at, last_error=error)

    def note_sending(self, delivery_id: int) -> None:
        """It is about to be sent by itself: if it is found so later, it may have arrived, and is not told otherwise."""
        self._update(delivery_id, last_error=SENDING)

    def mark_retry(self, delivery_id: int, *, next_try_at: datetime, error: str) -> None:
        """A try failed and another is worth it: one more attempt counted. FactRefused if it no longer waits."""
        self._require_waiting(delivery_id)
        self._update(delivery_id, attempts=_DELIVERIES.attempts + 1, next_try_at=next_try_at, last_error=error)

    def ask_after(self, delivery_id: int, at: datetime, error: str) -> None:
        """It was sent and is not answered yet; no try failed. FactRefused if it no longer waits."""
        self._require_waiting(delivery_id)
        self._update(delivery_id, next_try_at=at, last_error=error)

    def mark_dead(self, delivery_id: int, *, error: str, at: datetime) -> None:
        """No further try is worth it. FactRefused if it no longer waits."""
        self._require_waiting(delivery_id)
        self._update(delivery_id, state=DeliveryState.DEAD, last_error=error, settled_at=at)

    def mark_expired(self, delivery_id: int, at: datetime) -> None:
        """The notice outlived its use before it could be sent. FactRefused if it no longer waits."""
        self._require_waiting(delivery_id)
        self._update(delivery_id, state=DeliveryState.EXPIRED, settled_at=at)

    def postpone(self, delivery_id: int, until: datetime) -> None:
        """Not before then; no try was made. FactRefused if it no longer waits."""
        self._require_waiting(delivery_id)
        self._update(delivery_id, next_try_at=until)

    def tell_together(self, notice: Notice, channel: str, members: Sequence[int], at: datetime) -> bool:
        """Write `notice`, due now through `channel`, which tells these deliveries' notices too; they are settled.

        False, and nothing changed, if one of them no longer waits, or the notice's key exists.
        """
        waiting = select(func.count()).select_from(tables.deliveries).where(_WAITING, _DELIVERIES.id.in_(members))
        if self._connection.scalar(waiting) != len(members) or not self.add_notice(notice, {channel: at}):
            return False
        told = {"state": DeliveryState.DELIVERED, "settled_at": at, "told_in": notice.key}
        self._execute(update(tables.deliveries).where(_DELIVERIES.id.in_(members)).values(**told), given=members)
        return True

    def delivered_since(self, channel: str, since: datetime) -> list[Delivery]:
        """What went out through `channel` at `since` or later, each message once, the oldest first."""
        query = _WITH_NOTICE.where(
            _DELIVERIES.channel == channel,
            _DELIVERIES.state == DeliveryState.DELIVERED,
            _DELIVERIES.settled_at >= since,
            _DELIVERIES.told_in.is_(None),
        )
        return self._as_records(query.order_by(_DELIVERIES.settled_at, _DELIVERIES.id))

    def supersede(self, keys: Collection[str], at: datetime, channels: Collection[str] | None = None) -> int:
        """What still waits of the notices with these keys (in these channels) says nothing any more: expired.

        Returns how many. What is being sent, or may have arrived, is left alone.
        """
        of_them = select(_NOTICES.id).where(_NOTICES.key.in_(keys))
        untried = _DELIVERIES.last_error.is_(None)
        waiting = update(tables.deliveries).where(_WAITING, untried, _DELIVERIES.notice_id.in_(of_them))
        if channels is not None:
            waiting = waiting.where(_DELIVERIES.channel.in_(channels))
        return self._execute(waiting.values(state=DeliveryState.EXPIRED, settled_at=at), given=keys).rowcount

    def milestones_told(self, piece_ids: Collection[int]) -> list[Notice]:
        """The notices of these pieces' milestones that were not withdrawn, the oldest first."""
        stand = (_NOTICES.kind == "milestone") & _NOTICES.key.not_like("%/withdrawn-%")
        query = select(*_NOTICE_COLUMNS).where(_NOTICES.piece_id.in_(piece_ids), stand).order_by(_NOTICES.id)
        return self._records(Notice, query)

    def milestones_since(self, at: datetime) -> list[Notice]:
        """All notices of milestones written at `at` or later, those withdrawn too, the oldest first."""
        of_then = (_NOTICES.kind == "milestone") & (_NOTICES.created_at >= at)
        return [
            Notice(**row)
            for row in self._connection.execute(
                select(*_NOTICE_COLUMNS).where(of_then).order_by(_NOTICES.id)
            ).mappings()
        ]

    def notices_with(self, keys: Collection[str]) -> list[Notice]:
        """Those of these keys that there are, the oldest first."""
        query = select(*_NOTICE_COLUMNS).where(_NOTICES.key.in_(keys)).order_by(_NOTICES.id)
        return self._records(Notice, query)

    def notices_of_room(self, room: str) -> list[Notice]:
        """All notices about a room, the oldest first."""
        query = select(*_NOTICE_COLUMNS).where(_NOTICES.room == room).order_by(_NOTICES.id)
        return self._records(Notice, query)

    def retractions_of(self, piece_ids: Collection[int]) -> list[str]:
        """The keys of notices that took back what was told of these pieces."""
        query = select(_NOTICES.key).where(_NOTICES.piece_id.in_(piece_ids), _NOTICES.kind == "withdrawn")
        return list(self._connection.scalars(query))

    def hold(self, keys: Collection[str], at: datetime) -> None:
        """What waits of the notices with these keys is not sent until `release`; what may have arrived stays so."""
        of_them = select(_NOTICES.id).where(_NOTICES.key.in_(keys))
        unheard = _DELIVERIES.last_error.is_(None) | (_DELIVERIES.last_error != SENDING)
        waiting = update(tables.deliveries).where(_WAITING, unheard, _DELIVERIES.notice_id.in_(of_them))
        self._execute(waiting.values(state=DeliveryState.EXPIRED, settled_at=at, last_error=HELD), given=keys)

    def release(self, keys: Collection[str]) -> None:
        """What was held back of the notices with these keys goes on its way."""
        self._unhold(keys, state=DeliveryState.WAITING, settled_at=None)

    def _unhold(self, keys: Collection[str], **values: Any) -> None:
        of_them = select(_NOTICES.id).where(_NOTICES.key.in_(keys))
        held = update(tables.deliveries).where(_DELIVERIES.last_error == HELD, _DELIVERIES.notice_id.in_(of_them))
        self._execute(held.values(last_error=None, **values), given=keys)

    def waiting_of(self, keys: Collection[str]) -> set[str]:
        """Which of the notices with these keys somebody is still to hear of, those held back too."""
        waits = (_WAITING & _DELIVERIES.last_error.is_(None)) | (_DELIVERIES.last_error == HELD)
        query = select(_NOTICES.key).join_from(tables.deliveries, tables.notices).where(waits, _NOTICES.key.in_(keys))
        return set(self._connection.scalars(query))

    def heard_by(self, keys: Collection[str]) -> dict[str, set[str]]:
        """By key of a notice that has, or may have, reached somebody: through which channels."""
        reached = (_DELIVERIES.state == DeliveryState.DELIVERED) | (_DELIVERIES.last_error == SENDING)
        query = select(_NOTICES.key, _DELIVERIES.channel).join_from(tables.deliveries, tables.notices)
        found: dict[str, set[str]] = {}
        for key, channel in self._connection.execute(query.where(reached, _NOTICES.key.in_(keys))):
            found.setdefault(key, set()).add(channel)
        return found

    def withdraw(self, keys: Collection[str], at: datetime, *, told: bool = False) -> None:
        """The notices with these keys were wrong: what still waits of them is expired, and what nobody can have been
        told yet (with `told`, the others too) may be told anew, under the same key."""
        self._unhold(keys)
        self.supersede(keys, at)
        gone_out = (_DELIVERIES.state != DeliveryState.EXPIRED) | _DELIVERIES.last_error.is_not(None)
        heard = select(_DELIVERIES.notice_id).where(gone_out)
        key = _NOTICES.key + "/withdrawn-" + cast(_NOTICES.id, String)
        wrong = update(tables.notices).where(_NOTICES.key.in_(keys))
        self._execute((wrong if told else wrong.where(_NOTICES.id.not_in(heard))).values(key=key), given=keys)

    def redate_notices(self, now: datetime) -> None:
        """What bears a time to come was told by a clock that ran ahead: it is of now at the latest."""
        ahead = update(tables.notices).where(_NOTICES.created_at > now)
        self._execute(ahead.values(created_at=now), given=now)

    def send_again(self, delivery_id: int, at: datetime) -> None:
        """A dead delivery waits once more, due at `at`, its tries counted anew. FactRefused if it is not dead.

        A notice that has expired meanwhile no longer does: a person has asked for it.
        """
        state = self._state(delivery_id)
        if state != DeliveryState.DEAD:
            raise FactRefused(f"delivery {delivery_id} is {state.value}, not dead; only a dead one can be sent again")
        self._update(delivery_id, state=DeliveryState.WAITING, attempts=0, next_try_at=at, settled_at=None)
        of_it = select(_DELIVERIES.notice_id).where(_DELIVERIES.id == delivery_id)
        expired = update(tables.notices).where(_NOTICES.id.in_(of_it), _NOTICES.expires_at <= at)
        self._execute(expired.values(expires_at=None), given=delivery_id)

    def _state(self, delivery_id: int) -> DeliveryState:
        found: DeliveryState | None = self._connection.scalar(
            select(_DELIVERIES.state).where(_DELIVERIES.id == delivery_id)
        )
        if found is None:
            raise FactRefused(f"there is no delivery with id {delivery_id}")
        return found

    def _require_waiting(self, delivery_id: int) -> None:
        state = self._state(delivery_id)
        if state != DeliveryState.WAITING:
            raise FactRefused(f"delivery {delivery_id} is {state.value} already; only a waiting one can change")

    def _update(self, delivery_id: int, **values: Any) -> None:
        statement = update(tables.deliveries).where(_DELIVERIES.id == delivery_id).values(**values)
        self._execute(statement, given=(delivery_id, values))

    def _as_records(self, query: Select[Any]) -> list[Delivery]:
        return [_delivery(row) for row in self._connection.execute(query).mappings()]


def _delivery(row: RowMapping) -> Delivery:
    state = row["state"]
    return Delivery(
        id=row["id"],
        notice=Notice(**{name: row[f"notice_{name}"] for name in Notice.model_fields}),
        channel=row["channel"],
        state=state,
        attempts=row["attempts"],
        next_try_at=row["next_try_at"],
        last_error=row["last_error"],
        delivered_at=row["settled_at"] if state is DeliveryState.DELIVERED else None,
        told_in=row["told_in"],
    )
