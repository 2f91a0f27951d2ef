"""What people were told of a piece and is not so, since something was corrected, found or taken back: one mechanism.

Whoever changes such a fact puts what was told of its pieces in doubt, in the same transaction: what still waits is held
back. The next refresh, which has the dates that follow, judges each: what is true after all goes on its way; the rest
is withdrawn, and who has been told hears so in one line.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Any

from pydantic_core import to_json

from curewatch.clock import LEAP_S
from curewatch.language import Message, Words, phrase, words_of
from curewatch.notify.routing import due_times
from curewatch.records import Forecast, Notice
from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.studio.milestones import holds, refuted_keys, retraction
from curewatch.studio.standing import Standing

_DOUBTED = "notices_doubted"
"""The store's mark of the notices in doubt: by key, why they are not so if they are not, and since when."""
_HEARD = "notices_heard"
"""The store's mark of what is to be told anew, though not to everybody: by key, the channels that have heard of it."""


def doubt(tx: Transaction, piece_ids: Collection[int], why: Message, now: datetime) -> None:
    """What was told of these pieces' milestones may be wrong now: nothing of it is sent before that is judged.

    A retraction that still waits is let go of: what it took back is judged anew.
    """
    told = tx.milestones_told(piece_ids)
    tx.supersede(tx.retractions_of(piece_ids), now)
    if not told:
        return
    keys, doubted = [notice.key for notice in told], _marked(tx, _DOUBTED)
    tx.hold({carrier.key for some in _carriers(tx, told).values() for carrier in some}, now)
    _mark(tx, _DOUBTED, doubted | dict.fromkeys(keys, to_json(why).decode()))


def judge(
    tx: Transaction, settings: Settings, current: Mapping[int, Forecast], here: Collection[int], now: datetime
) -> int:
    """Send on or withdraw what was in doubt, by the forecasts that follow; how many retractions were written.

    Of a piece that is not `here` any more nothing new is known.
    """
    doubted = _marked(tx, _DOUBTED)
    if not doubted:
        return 0
    known = {notice.key: notice for notice in tx.notices_with(doubted)}
    forecasts = {key: current.get(told.piece_id or 0) for key, told in known.items() if told.piece_id in here}
    so = [told for key, told in known.items() if key not in forecasts or holds(told, forecasts[key], now)]
    tx.release({carrier.key for some in _carriers(tx, so).values() for carrier in some})
    wrong = sorted(
        (told for told in known.values() if told not in so), key=lambda told: (told.piece_id or 0, doubted[told.key])
    )
    _mark(tx, _DOUBTED, {})
    return sum(
        retract(tx, settings, list(some), _why(why), now)
        for (_, why), some in groupby(wrong, key=lambda told: (told.piece_id, doubted[told.key]))
    )


AHEAD = timedelta(seconds=LEAP_S)
"""What bears a time so far to come was told by a clock that ran ahead; one that was set by less moves no date."""
OF_A_DAY = ("morning", "foreseen")
"""Kinds of notices whose keys name the day: of one to come they are told anew when it has come."""


def take_back_ahead(store: Store, now: datetime) -> None:
    """What was told of a time that is yet to come: milestones are judged anew, and what is of a day is told on it."""
    with store.read() as tx:
        ahead = tx.notices(since=now + AHEAD, limit=10_000)
    if not ahead:
        return
    pieces = {told.piece_id for told in ahead if told.kind == "milestone" and told.piece_id is not None}
    with store.write() as tx:
        tx.redate_notices(now)
        doubt(tx, pieces, phrase("the clock ran ahead"), now)
        tx.withdraw([told.key for told in ahead if told.kind in OF_A_DAY], now, told=True)


def is_any_doubted(tx: Transaction) -> bool:
    return bool(_marked(tx, _DOUBTED))


def retract(
    tx: Transaction, settings: Settings, told: Sequence[Notice], why: Words, now: datetime, *, of_piece: bool = True
) -> bool:
    """Take back what was told of one piece: what waits is not sent, and who heard of it hears that it is not so.

    `of_piece`: the piece is there for the retraction to be filed with. True where one was written.
    """
    carriers = _carriers(tx, told)
    heard = tx.heard_by({carrier.key for some in carriers.values() for carrier in some})
    by = {one.key: set().union(*(heard.get(c.key, ()) for c in carriers[one.key])) for one in told}
    gone_out = [one for one in told if by[one.key]]
    _let_go(tx, told, now, told=True)
    if not gone_out:
        return False
    notice = retraction(gone_out, why, now)
    if not of_piece:
        notice = notice.model_copy(update={"piece_id": None})
    channels = set().union(*by.values())
    return tx.add_notice(notice, {name: at for name, at in due_times(settings, notice).items() if name in channels})


def retract_refuted(tx: Transaction, settings: Settings, piece_id: int, found: Standing, now: datetime) -> None:
    """What a finger test speaks against: what waits is withdrawn, and what was said to be safe is taken back."""
    refuted = refuted_keys(piece_id, tx.told_of_pieces([piece_id]), found)
    told = [one for one in tx.milestones_told([piece_id]) if one.data["odds"] == "safe"]
    if untrue := [one for one in told if one.data["milestone"] in found.after]:
        retract(tx, settings, untrue, phrase("a finger found otherwise"), now)
    _let_go(tx, tx.notices_with(refuted), now, told=False)


def _carriers(tx: Transaction, told: Sequence[Notice]) -> dict[str, list[Notice]]:
    """By key, the notices that tell of it: itself, and of a series those that told of several together."""
    found = {one.key: [one] for one in told}
    series = {one.data.get("series") for one in told} - {None}
    if series:
        since = tx.milestones_since(min(one.created_at for one in told))
        for one in told:
            found[one.key] += [
                other
                for other in since
                if other.key != one.key
                and other.created_at >= one.created_at
                and (one.key in other.data.get("tells", ()) or other.key == one.data.get("told_in"))
            ]
    return found


def _let_go(tx: Transaction, some: Sequence[Notice], now: datetime, *, told: bool) -> None:
    """Withdraw these. Where one notice tells of others too and waits still, they are withdrawn with it: the next
    refresh tells them anew, without these, to whoever has not heard of them (`not_heard`)."""
    keys = {one.key for one in some}
    carriers = {carrier.key: carrier for few in _carriers(tx, some).values() for carrier in few}
    waiting = tx.waiting_of(carriers)
    with_them = {key for name in waiting for key in carriers[name].data.get("tells", ())} - keys
    others = tx.notices_with(with_them)
    heard = {}
    for key, few in _carriers(tx, others).items():
        through = tx.heard_by([one.key for one in few]).values()
        heard[key] = sorted(set().union(*through))
    if told:
        tx.withdraw(keys, now, told=True)
    else:  # what somebody has heard, by itself or together, is not told again
        gone = tx.heard_by(carriers)
        unheard = {one.key for one in some if not any(gone.get(c.key) for c in _carriers(tx, [one])[one.key])}
        tx.supersede(keys - unheard, now)
        tx.withdraw(unheard, now)
    tx.withdraw(heard, now, told=True)
    if any(heard.values()):
        _mark(tx, _HEARD, _marked(tx, _HEARD) | heard)


def not_heard(tx: Transaction, keys: Collection[str], times: Mapping[str, datetime]) -> dict[str, datetime]:
    """`times` by channel, but for those that have heard of all `keys` before they were let go of."""
    heard = _marked(tx, _HEARD)
    if not heard.keys() & set(keys):
        return dict(times)
    _mark(tx, _HEARD, {key: by for key, by in heard.items() if key not in keys})
    return {name: at for name, at in times.items() if not all(name in heard.get(key, ()) for key in keys)}


def _why(marked: str) -> Words:
    """Text where it was marked by a version that kept that."""
    return words_of(json.loads(marked)) if marked.startswith("{") else marked


def _marked(tx: Transaction, mark: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(tx.get_meta(mark) or "{}")
    return found


def _mark(tx: Transaction, mark: str, of: Mapping[str, Any]) -> None:
    tx.set_meta(mark, json.dumps(dict(of)))


def pieces_in(tx: Transaction, rooms: Iterable[str]) -> list[int]:
    """The pieces here that lie or have lain in one of these rooms."""
    wanted = set(rooms)
    return sorted({stay.piece_id for stay in tx.stays([piece.id for piece in tx.pieces()]) if stay.room in wanted})
