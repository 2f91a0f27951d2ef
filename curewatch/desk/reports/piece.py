"""One piece with all that bears on it, as of one moment of the store."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.orders import nearest
from curewatch.desk.reports.cure_record import PieceHistory, history_of
from curewatch.desk.snapshot import snapshot
from curewatch.desk.snapshot.air import PastCache
from curewatch.desk.snapshot.pieces import Seen, beliefs_about, learned_so_far, seen_of, with_posterior
from curewatch.desk.snapshot.snapshot import latest_air, line_of_room, newest_of
from curewatch.language import phrase
from curewatch.records import Alarm, Damage, Forecast, Piece
from curewatch.records.errors import Field, InputError
from curewatch.store import Transaction
from curewatch.studio import board as boards
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms import damage
from curewatch.studio.board import Close, PieceLine, RoomLine
from curewatch.studio.care.varnish_air import DewMargin, dew_margin
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.learning.texts import LearnedEffect


@dataclass(frozen=True)
class PieceReport:
    """One piece with all that bears on it."""

    line: PieceLine
    history: PieceHistory
    drying: Drying
    """With what was learned about it."""
    alarms: tuple[Alarm, ...]
    close: tuple[Alarm, ...]
    """Over their limits, and not for long enough that people are told."""
    close_to: Sequence[Close]
    """What may come to be an alarm of its room."""
    room: RoomLine
    """The room that it is in, as the board has it: what its forecast was made with may be an hour older."""
    past: Climate | None
    """As much of that room's past as an outlook is made of; None: never read."""
    damages: tuple[Damage, ...] = ()
    """What stands against it until a person clears it."""
    dew: DewMargin | None = None
    """How far it would be from dew if it were dry; None where its room is not known."""

    @property
    def forecast(self) -> Forecast | None:
        return self.history.forecast

    @property
    def climates(self) -> dict[str, Climate]:
        """By room, the air of every room it has lain in; rooms that were never read are missing."""
        return self.history.climates

    @property
    def data_at(self) -> datetime | None:
        """Until when its room was read."""
        return self.room.data_at


@dataclass(frozen=True)
class PiecePage:
    """What a piece's page tells."""

    report: PieceReport
    seen: list[Seen]
    beliefs: list[LearnedEffect]


def piece_page(tx: Transaction, name: str, now: datetime) -> PiecePage:
    """Raises InputError, with near names, if no piece of that name is here."""
    report = report_of(tx, name, now)
    return PiecePage(report, seen_of(tx, report.drying.piece.id), beliefs_about(tx, report.drying))


def piece_report(desk: Desk, name: str, now: datetime) -> PieceReport:
    """Everything about the piece called `name`. Raises InputError, with near names, if none is here."""
    with desk.store.read() as tx:
        return report_of(tx, name, now)


def report_of(tx: Transaction, name: str, now: datetime) -> PieceReport:
    """As `piece_report`, within a transaction."""
    pieces = {piece.name: piece for piece in tx.pieces()}
    if name not in pieces:
        raise InputError(Field.PIECE, name, nearest(name, list(pieces), phrase("a piece here")))
    history = history_of(tx, pieces[name], now)
    (drying,) = with_posterior([history.drying], learned_so_far(tx), tx.observations([pieces[name].id]))
    heard = tx.newest_by_source(until=now)
    newest = {room: at for room, at in newest_of(heard).items() if room == drying.room}
    latest = latest_air(tx, newest, now).get(drying.room)
    alarms = [one for one in tx.alarms() if one.room == drying.room]
    there = boards.board((), {}, (), alarms, now, snapshot.foretold(tx, now))
    return PieceReport(
        line=boards.piece_line(drying, history.forecast, now),
        history=history,
        drying=drying,
        alarms=there.alarms,
        close=there.close,
        close_to=there.close_to(drying.room),
        room=line_of_room(
            drying.room,
            _lying_in(tx, drying.room, pieces.values()),
            latest,
            newest.get(drying.room),
            snapshot.known(tx),
            heard,
        ),
        past=PastCache().pasts(tx, [drying.room], now).get(drying.room),
        damages=tuple(one for one in history.damages if damage.stands(one)),
        dew=None if latest is None else dew_margin(latest),
    )


def _lying_in(tx: Transaction, room: str, pieces: Iterable[Piece]) -> int:
    last = {stay.piece_id: stay.room for stay in tx.stays([piece.id for piece in pieces])}  # in the order of time
    return list(last.values()).count(room)
