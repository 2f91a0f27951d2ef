"""What people were told of a piece and is not so, since something was corrected, found or taken back: one mechanism.

Whoever changes such a fact puts what was told of its pieces in doubt, in the same transaction: what still waits is held
back. The next refresh, which has the dates that follow, judges each: what is true after all goes on its way; the rest
is withdrawn, and who has been told hears so in one line.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime
from itertools import groupby

from curewatch.notify.routing import due_times
from curewatch.records import DeliveryState, Forecast, Notice
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio.milestones import holds, refuted_keys, retraction
from curewatch.studio.standing import Standing

_DOUBTED = "notices_doubted"
"""The store's mark of the notices in doubt: by key, why they are not so if they are not, and since when."""


def doubt(tx: Transaction, piece_ids: Collection[int], why: str, now: datetime) -> None:
    """What was told of these pieces' milestones may be wrong now: nothing of it is sent before that is judged.

    A retraction that still waits is let go of: what it took back is judged anew.
    """
    told = tx.milestones_told(piece_ids)
    tx.supersede(tx.retractions_of(piece_ids), now)
    if not told:
        return
    keys, doubted = [notice.key for notice in told], _doubted(tx)
    tx.hold(keys, now)
    _keep(tx, doubted | dict.fromkeys(keys, why))


def judge(
    tx: Transaction, settings: Settings, current: Mapping[int, Forecast], here: Collection[int], now: datetime
) -> int:
    """Send on or withdraw what was in doubt, by the forecasts that follow; how many retractions were written.

    Of a piece that is not `here` any more nothing new is known.
    """
    doubted = _doubted(tx)
    if not doubted:
        return 0
    known = {notice.key: notice for notice in tx.notices_with(doubted)}
    forecasts = {key: current.get(told.piece_id or 0) for key, told in known.items() if told.piece_id in here}
    so = [key for key in known if key not in forecasts or holds(known[key], forecasts[key], now)]
    tx.release(so)
    wrong = sorted(
        (known[key] for key in known.keys() - set(so)), key=lambda told: (told.piece_id or 0, doubted[told.key])
    )
    _keep(tx, {})
    return sum(
        retract(tx, settings, list(some), why, now)
        for (_, why), some in groupby(wrong, key=lambda told: (told.piece_id, doubted[told.key]))
    )


def is_any_doubted(tx: Transaction) -> bool:
    return bool(_doubted(tx))


def retract(
    tx: Transaction, settings: Settings, told: Sequence[Notice], why: str, now: datetime, *, of_piece: bool = True
) -> bool:
    """Take back what was told of one piece: what waits is not sent, and who heard of it hears that it is not so.

    `of_piece`: the piece is there for the retraction to be filed with. True where one was written.
    """
    keys = {notice.key: notice for notice in told}
    heard = tx.heard_by(keys)
    gone_out = [keys[key] for key in keys if heard.get(key)]
    tx.withdraw(keys, now, told=True)
    if not gone_out:
        return False
    notice = retraction(gone_out, why, now)
    if not of_piece:
        notice = notice.model_copy(update={"piece_id": None})
    channels = {channel for some in heard.values() for channel in some}
    return tx.add_notice(notice, {name: at for name, at in due_times(settings, notice).items() if name in channels})


def retract_refuted(tx: Transaction, settings: Settings, piece_id: int, found: Standing, now: datetime) -> None:
    """What a finger test speaks against: what waits is withdrawn, and what was said to be safe is taken back."""
    refuted = refuted_keys(piece_id, tx.told_of_pieces([piece_id]), found)
    tx.withdraw({*refuted, *_told_together(tx, piece_id, refuted)}, now)
    told = [one for one in tx.milestones_told([piece_id]) if one.data["odds"] == "safe"]
    if untrue := [one for one in told if one.data["milestone"] in found.after]:
        retract(tx, settings, untrue, "a finger found otherwise", now)


def _told_together(tx: Transaction, piece_id: int, keys: Collection[str]) -> set[str]:
    """The keys of what one notice tells of a series together with any of these, and has told nobody yet: it is to be
    told anew, without what was refuted."""
    here = tx.pieces() if keys else []
    series = next((one.series for one in here if one.id == piece_id), None)
    if series is None:
        return set()
    ids = [one.id for one in here if one.series == series]
    told_in = {one.key: one.data.get("told_in", one.key) for one in tx.notices(limit=10_000, piece_ids=ids)}
    leads = {told_in[key] for key in keys if key in told_in}
    gone_out = {
        one.notice.key
        for one in tx.deliveries(keys=leads)
        if one.last_error is not None or one.state not in (DeliveryState.WAITING, DeliveryState.EXPIRED)
    }
    return {key for key, lead in told_in.items() if lead in leads - gone_out}


def _doubted(tx: Transaction) -> dict[str, str]:
    found: dict[str, str] = json.loads(tx.get_meta(_DOUBTED) or "{}")
    return found


def _keep(tx: Transaction, doubted: Mapping[str, str]) -> None:
    tx.set_meta(_DOUBTED, json.dumps(dict(doubted)))


def pieces_in(tx: Transaction, rooms: Iterable[str]) -> list[int]:
    """The pieces here that lie or have lain in one of these rooms."""
    wanted = set(rooms)
    return sorted({stay.piece_id for stay in tx.stays([piece.id for piece in tx.pieces()]) if stay.room in wanted})
