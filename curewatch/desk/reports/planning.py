"""Planning: the latest moment to pour, when places free, and what a change of the room would do to a piece."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk, limits_of
from curewatch.desk.orders import DEFAULT_RECIPE, PourOrder, nearest
from curewatch.desk.reports.piece import PieceReport
from curewatch.desk.snapshot.air import AirCache, future_of, read_errors
from curewatch.desk.snapshot.pieces import learned_so_far
from curewatch.desk.snapshot.snapshot import Snapshot, read_snapshot
from curewatch.language import Words, phrase
from curewatch.records import MilestoneKind, Piece, Recipe, Stay
from curewatch.records.errors import Field, InputError
from curewatch.records.names import same_name
from curewatch.store import Transaction
from curewatch.studio.air.climate import Climate
from curewatch.studio.air.sensors import ReadError
from curewatch.studio.alarms.conditions import milestone_s
from curewatch.studio.board import PieceLine, piece_line
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.outlook import HISTORY
from curewatch.studio.planning import advice as advising
from curewatch.studio.planning import planner
from curewatch.studio.planning.advice import Advice

HISTORY_SPAN = timedelta(hours=HISTORY)


@dataclass(frozen=True)
class Plan:
    """What is to be known before pouring for a date."""

    room: str
    milestone: MilestoneKind
    due: datetime
    pieces: int
    recipe: str
    latest: Sequence[planner.Latest]
    """As the room usually is, then changed."""
    places: Sequence[planner.Place]
    """Occupied places of the room, the first to free first."""
    data_at: datetime
    """The room's newest reading."""
    days_known: bool
    """Whether it was read for a day at least."""
    promised: Sequence[PieceLine] = ()
    """The pieces that are promised for a date already, the first due first."""
    assumed: Words | None = None
    """Why this room, where none was named."""


def room_for(desk: Desk, now: datetime) -> tuple[str, Words]:
    """The room that is meant where none is named, and why: the only one, or the one with the most wet pieces in it.

    InputError: no room yet, or several with as many.
    """
    with desk.store.read() as tx:
        rooms = [room.name for room in tx.rooms()]
        snapshot = read_snapshot(tx, None, now)
    if not rooms:
        raise InputError(Field.ROOM, "", phrase("a room that was read; none is known yet"))
    if len(rooms) == 1:
        return rooms[0], phrase("{room} is the only room", room=rooms[0])
    wet = Counter(dict.fromkeys(rooms, 0))
    for drying in snapshot.dryings:
        until_s = milestone_s(snapshot.forecasts.get(drying.piece.id), MilestoneKind.HANDLE, safe=True)
        wet[drying.room] += until_s > now.timestamp()
    (first, most), (_, next_most) = wet.most_common(2)
    if most == next_most:
        raise InputError(
            Field.ROOM,
            "",
            phrase("one of {names}; no one of them holds the most wet pieces", names=", ".join(sorted(rooms))),
        )
    return first, phrase("most wet pieces lie in {room}", room=first)


def plan(desk: Desk, order: PourOrder, due: datetime, pieces: int, kind: MilestoneKind, now: datetime) -> Plan:
    """For pours like `order` (its name and moment do not matter), as last forecast and learned.

    InputError: a room never read, a recipe unknown.
    """
    if due <= now:
        raise InputError(Field.DUE, desk.dated(due), phrase("a moment that is yet to come"))
    with desk.store.read() as tx:
        order = replace(order, room=same_name(order.room, [room.name for room in tx.rooms()]) or order.room)
        climate = _air_of(tx, order.room, now)
        name = order.recipe or DEFAULT_RECIPE
        name = same_name(name, [one.name for one in tx.recipes()]) or name
        recipe = tx.recipe(name) or (Recipe(name=name) if order.recipe is None else None)
        if recipe is None:
            raise InputError(Field.RECIPE, name, nearest(name, [one.name for one in tx.recipes()], phrase("a recipe")))
        snapshot = read_snapshot(tx, None, now)
        error = read_errors(tx).get(order.room, ReadError())
        drying = replace(_imagined(desk, order, recipe, now), read_error=error)
        posterior = learned_so_far(tx).posterior(drying, ())
    days = (due - now).days + 3
    return Plan(
        room=order.room,
        milestone=kind,
        due=due,
        pieces=pieces,
        recipe=recipe.name,
        latest=planner.latest(
            drying.pouring,
            climate,
            future_of(climate, planner.MEMBERS, days),
            due,
            now,
            kind,
            snapshot.changes(desk.settings, order.room, climate),
            limits_of(desk.settings),
            posterior,
        ),
        places=planner.places(snapshot.dryings, snapshot.forecasts, order.room),
        data_at=climate.newest_at,
        days_known=climate.newest_s - climate.known_from_s >= timedelta(days=1).total_seconds(),
        promised=sorted(
            (piece_line(d, snapshot.forecasts.get(d.piece.id), now) for d in snapshot.dryings if d.promise is not None),
            key=lambda line: line.promised.due_at if line.promised else now,
        ),
    )


def advice(desk: Desk, report: PieceReport, now: datetime, snapshot: Snapshot | None = None) -> list[Advice]:
    """What could be done about the piece's room, and what each of it would do to the piece from now on; nothing where
    the room was never read. `snapshot`: of whoever has one at hand."""
    drying, forecasts = report.drying, desk.settings.forecast
    climate = report.climates.get(drying.room)
    if report.past is None or climate is None or drying.unread(report.climates) is not None:
        return []
    if snapshot is None:
        with desk.store.read() as tx:
            snapshot = read_snapshot(tx, None, now)
    could = snapshot.changes(desk.settings, drying.room, climate)
    ahead = future_of(report.past, forecasts.members, forecasts.days)
    return advising.advice(drying, report.climates, ahead, now, could, limits_of(desk.settings), forecasts.days)


def _air_of(tx: Transaction, room: str, now: datetime) -> Climate:
    climate = None if tx.room(room) is None else AirCache().climate(tx, room, now - HISTORY_SPAN, now)
    if climate is None:
        rooms = sorted({name for name, _ in tx.newest_by_source(until=now)})
        raise InputError(Field.ROOM, room, nearest(room, rooms, phrase("a room that was read")))
    return climate


def _imagined(desk: Desk, order: PourOrder, recipe: Recipe, now: datetime) -> Drying:
    """The pour as it would be."""
    pour = replace(order, at=now).pour(-1, desk.settings.air_in(order.room))
    stay = Stay(piece_id=-1, room=order.room, place=order.place, since=now)
    return Drying(Piece(id=-1, name="planned", created_at=now), pour, recipe, (stay,))
