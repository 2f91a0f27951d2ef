"""The desk: one store, its settings and its zone, and what every use case takes along."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.orders import DEFAULT_RECIPE, FactError, Logged, PourOrder, meet_recipe, meet_room, nearest
from curewatch.desk.refresh import scheduled_notices
from curewatch.desk.refresh.decisions import tell_milestones, watch_rooms, write
from curewatch.desk.refresh.forecasts import ForecastMaker, MadeForecasts
from curewatch.desk.refresh.milestone_timer import MilestoneTimer
from curewatch.desk.refresh.scheduled_notices import EveningWarnings, open_steps
from curewatch.desk.revision import FACTS_REVISION, mark_changed, mark_readings, rejudge_from
from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.desk.snapshot.lessons import update_lessons
from curewatch.desk.snapshot.snapshot import Snapshot, latest_air, read_snapshot, reread_snapshot
from curewatch.notify.routing import all_channels, due_times
from curewatch.records import Alarm, Damage, Forecast, Notice, Pour, Reading, Recipe, Room, Stay
from curewatch.records.workshop import Tilt
from curewatch.settings import Settings
from curewatch.store import DuplicateName, Store, Transaction
from curewatch.studio import board as boards
from curewatch.studio import milestones as milestoning
from curewatch.studio.air import batteries as cells
from curewatch.studio.air.climate import Climate
from curewatch.studio.alarms import damage
from curewatch.studio.alarms.lifecycle import is_active
from curewatch.studio.board import Board, PieceLine, RoomLine
from curewatch.studio.care.varnish_air import DewMargin, dew_margin
from curewatch.studio.forecasting import forecast as forecasting
from curewatch.studio.forecasting.drying import Drying


class Desk:
    """Use cases over one store. Safe to use from several threads: it keeps only copies of readings."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self.store, self.settings, self._air, self._evening = store, settings, AirCache(), EveningWarnings()
        self._rolling, self._looking = ForecastMaker(settings), threading.Lock()
        self.dates = MilestoneTimer(store, settings, self.local)
        self.channels = all_channels(settings)

    # --- facts ---

    def log_pour(self, order: PourOrder, now: datetime) -> Logged:
        """Store a new piece with its pour. A room or recipe named for the first time is made, and said so.

        Raises FactError if a piece of that name is here already, or if the pour is yet to come.
        """
        return self.log_pours([order], now)[0]

    def log_pours(self, orders: Sequence[PourOrder], now: datetime) -> list[Logged]:
        """As `log_pour`, for a series of pieces: all or none of them."""
        with self.store.write() as tx:
            return [self._pour(tx, order, now) for order in orders]

    def _pour(self, tx: Transaction, order: PourOrder, now: datetime) -> Logged:
        if order.at > now:
            raise FactError("--at", order.at.isoformat(timespec="seconds"), "a moment that has passed")
        notes = meet_room(tx, order.room) + meet_recipe(tx, order.recipe)
        try:
            piece = tx.add_piece(order.name, now)
        except DuplicateName:
            raise FactError("NAME", order.name, "a name that no piece here bears yet") from None
        air = self.settings.air_in(order.room) if order.air_speed_m_s is None else order.air_speed_m_s
        write_pour(tx, order, piece.id, air)
        tx.add_stay(Stay(piece_id=piece.id, room=order.room, place=order.place, since=order.at))
        rejudge_from(tx, {order.room: order.at})
        mark_changed(tx)
        return Logged(piece, tuple(notes))

    def log_reading(self, reading: Reading) -> Logged:
        """Store a typed reading."""
        with self.store.write() as tx:
            notes = meet_room(tx, reading.room)
            if not tx.add_readings([reading]):
                notes.append("a reading of that moment is stored already; it stands as it was")
            else:
                rejudge_from(tx, {reading.room: reading.at})
                mark_readings(tx)
        return Logged(notes=tuple(notes))

    def absorb(self, readings: Sequence[Reading], dated: Sequence[int] = ()) -> int:
        """Store sensors' readings, all or none; the number that were new. `dated`: held messages that made them."""
        oldest: dict[str, datetime] = {}
        for reading in readings:
            oldest[reading.room] = min(oldest.get(reading.room, reading.at), reading.at)
        with self.store.write() as tx:
            tx.drop_pending_messages(dated)
            for room in oldest:
                tx.add_room(Room(name=room))
            new = tx.add_readings(readings)
            if new:
                rejudge_from(tx, oldest)
                mark_readings(tx)
        return new

    def put_recipe(self, recipe: Recipe) -> Logged:
        """Say what a recipe is made of, or correct it; its pieces are forecast anew."""
        with self.store.write() as tx:
            tx.put_recipe(recipe)
            mark_changed(tx)
        return Logged()

    def revision(self) -> str:
        """Changes whenever facts are logged, by whatever process."""
        with self.store.read() as tx:
            return tx.get_meta(FACTS_REVISION) or "0"

    # --- decisions ---

    def refresh(self, now: datetime, *, at_most: int | None = None) -> Refreshed:
        """Make stale forecasts again, judge the alarms, and write what people should be told, in one transaction.

        `at_most`: where more pieces than that would have to be marched, all is left to the daemon.
        """
        with self._looking:  # the page's look and the daemon's would do the same work twice
            return self._look(now, at_most)

    def _look(self, now: datetime, at_most: int | None) -> Refreshed:
        update_lessons(self.store, now)
        with self.store.read() as tx:
            snapshot = read_snapshot(tx, self._air, now)
        if at_most is not None and (stale := self._rolling.stale(snapshot, now)) > at_most:
            return Refreshed(0, 0, now, left=stale)
        rolled = self._rolling.look(self.store, snapshot, now)
        current = snapshot.forecasts | {forecast.piece_id: forecast for forecast in rolled.made}
        written = self._decide(snapshot, rolled, current, now)
        self.dates.note(current, now)
        return Refreshed(len(rolled.made), written, self._next_due(snapshot, current, now))

    def _decide(self, snapshot: Snapshot, rolled: MadeForecasts, current: dict[int, Forecast], now: datetime) -> int:
        due = self._due(snapshot, current, now)
        decided = watch_rooms(snapshot, self.settings, current, now, self.local)
        extra = self._by_the_clock(decided.after(snapshot), current, now)
        if not (rolled.made or due or decided or extra):
            return 0
        with self.store.write() as tx:
            here = {piece.id for piece in tx.pieces()}
            if tx.get_meta(FACTS_REVISION) != snapshot.revision or tuple(tx.alarms()) != snapshot.alarms:
                # somebody has logged or judged meanwhile: judge by what is stored now
                anew = reread_snapshot(tx, self._air, snapshot, now)
                decided = watch_rooms(anew, self.settings, current, now, self.local)
            # only now: a scene read after them lacks the air of pieces they settle, and with it the alarms
            rolled.write(tx, here)
            known = tx.known_keys({key for one in due for key in one.covering_keys})
            due = [one for one in due if one.drying.piece.id in here and known.isdisjoint(one.covering_keys)]
            written = write(tx, self.settings, decided, now)
            coming = self._dates(current, now)
            written += tell_milestones(tx, self.settings, due, snapshot.climates, coming, now, self.local)
            return written + sum(tx.add_notice(notice, due_times(self.settings, notice)) for notice in extra)

    def _due(self, snapshot: Snapshot, current: dict[int, Forecast], now: datetime) -> list[milestoning.Due]:
        """The milestones that people should hear of and have not."""
        kinds = self.settings.notices.milestones
        found = [
            one
            for drying in snapshot.dryings
            if (forecast := current.get(drying.piece.id))
            for one in milestoning.due(drying, forecast, kinds, now)
        ]
        with self.store.read() as tx:
            known = tx.known_keys({key for one in found for key in one.covering_keys}) if found else set()
        return [one for one in found if known.isdisjoint(one.covering_keys)]

    def _by_the_clock(self, snapshot: Snapshot, current: Mapping[int, Forecast], now: datetime) -> list[Notice]:
        """What is told at certain hours: the evening's warnings, the morning's work."""
        found = self._evening.notices(self.store, snapshot, self.settings, current, now, self.local)
        with self.store.read() as tx:
            known = tx.known_keys(scheduled_notices.keys(self.settings, now, self.local))
        if missing := scheduled_notices.people(self.settings, known, now, self.local):
            steps = open_steps(self.store, snapshot, self.settings, current, now)
            board = scheduled_notices.with_drifts(self.board(now), snapshot.climates)
            found += scheduled_notices.notices(missing, board, self._evening.ahead, steps, now, self.local)
        return found

    def _dates(self, current: Mapping[int, Forecast], now: datetime) -> list[datetime]:
        """When milestone notices will fall due next, one for each piece."""
        told = self.settings.notices.milestones
        moments = [milestoning.next_due(forecast, told, now) for forecast in current.values()]
        return [at for at in moments if at is not None]

    def _next_due(self, snapshot: Snapshot, current: dict[int, Forecast], now: datetime) -> datetime:
        """At the latest in a minute while anything is being watched (delays, silence), else in an hour."""
        moments = self._dates(current, now) + scheduled_notices.next_ones(self.settings, now, self.local)
        busy = any(forecast.reason or not forecasting.settled(forecast, now) for forecast in current.values())
        idle = now + (timedelta(minutes=1) if busy else forecasting.LAPSE)
        return min([idle, *moments])

    # --- views ---

    def board(self, now: datetime) -> Board:
        """The studio as last forecast (see `refresh`)."""
        with self.store.read() as tx:
            snapshot, rooms = read_snapshot(tx, None, now), tx.rooms()
            latest = latest_air(tx, snapshot.newest, now)
        lines = [room_line(snapshot, room.name, latest.get(room.name)) for room in rooms]
        return boards.board(snapshot.dryings, snapshot.forecasts, lines, snapshot.alarms, now)

    def piece(self, name: str, now: datetime) -> PieceReport:
        """Everything about the piece called `name`. Raises FactError, with near names, if none is here."""
        with self.store.read() as tx:
            snapshot = read_snapshot(tx, None, now)
            latest = latest_air(tx, snapshot.newest, now)
        for drying in snapshot.dryings:
            if drying.piece.name == name:
                room = room_line(snapshot, drying.room, latest.get(drying.room))
                forecast = snapshot.forecasts.get(drying.piece.id)
                return PieceReport(
                    line=boards.piece_line(drying, forecast, now),
                    drying=drying,
                    forecast=forecast,
                    alarms=tuple(a for a in snapshot.alarms if a.room == drying.room and is_active(a)),
                    room=room,
                    damages=tuple(d for d in snapshot.damages if d.piece_id == drying.piece.id and damage.stands(d)),
                    dew=dew_margin(latest[drying.room]) if drying.room in latest else None,
                )
        raise FactError("NAME", name, nearest(name, [drying.piece.name for drying in snapshot.dryings], "a piece here"))

    def tell_test(self, now: datetime) -> Notice:
        """Write a test notice to every channel."""
        notice = Notice(
            key=f"test/{int(now.timestamp() * 1e6)}",
            kind="test",
            created_at=now,
            title="curewatch: a test",
            text="If you can read this, notices reach you. Nothing needs doing.",
            expires_at=now + timedelta(hours=1),
        )
        with self.store.write() as tx:
            tx.add_notice(notice, due_times(self.settings, notice))
        return notice

    def local(self, at: datetime) -> datetime:
        """A moment in the studio's own zone."""
        return at.astimezone(self.settings.tz)


def room_line(snapshot: Snapshot, name: str, climate: Climate | None) -> RoomLine:
    newest = snapshot.newest.get(name)
    return RoomLine(
        name=name,
        newest=newest,
        temp_c=float(climate.temp_c[-1]) if climate else (newest.temp_c if newest else None),
        rh_pct=float(climate.rh_pct[-1]) if climate else (newest.rh_pct if newest else None),
        data_at=climate.newest_at if climate else (newest.at if newest else None),
        pieces=sum(drying.room == name for drying in snapshot.dryings),
        quality=(climate.findings if climate else ()) + cells.findings(snapshot.low, snapshot.heard, name),
    )


def write_pour(tx: Transaction, order: PourOrder, piece_id: int, air_speed_m_s: float) -> None:
    """Store what `order` tells of a piece that is there already, in air of that speed [m/s]."""
    width, height = order.size_m or (None, None)
    tx.add_pour(
        Pour(
            piece_id=piece_id,
            at=order.at,
            wet_thickness_m=order.wet_thickness_m,
            thickness_source=order.thickness_source,
            width_m=width,
            height_m=height,
            round=order.round,
            recipe=order.recipe or DEFAULT_RECIPE,
            silicone=order.silicone,
            support=order.support,
            air_speed_m_s=air_speed_m_s,
        )
    )
    if order.tilt_rad is not None:
        tx.put_tilt(Tilt(piece_id=piece_id, measured_at=order.at, tilt_rad=order.tilt_rad))
    if order.paint is not None:
        tx.put_paint(order.paint.model_copy(update={"piece_id": piece_id}))


AT_HAND = 150
"""So many pieces are marched in a second or two, while somebody waits; more are left to a daemon that watches."""


@dataclass(frozen=True)
class Refreshed:
    """What a look at the studio came to."""

    forecasts: int
    """How many were made."""
    notices: int
    """How many were written."""
    next_due: datetime
    """When the next look is due, if nothing is logged before."""
    left: int = 0
    """How many pieces' dates were left to the daemon; then nothing was made, decided or written."""


@dataclass(frozen=True)
class PieceReport:
    """One piece with all that bears on it."""

    line: PieceLine
    drying: Drying
    forecast: Forecast | None
    alarms: tuple[Alarm, ...]
    room: RoomLine
    """The room that it is in, as the board has it: what its forecast was made with may be an hour older."""
    damages: tuple[Damage, ...] = ()
    """What stands against it until a person clears it."""
    dew: DewMargin | None = None
    """How far it would be from dew if it were dry; None where its room is not known."""

    @property
    def data_at(self) -> datetime | None:
        """Until when its room was read."""
        return self.room.data_at
