"""The use cases. Every one takes `now`; facts and decisions are each written in one transaction."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.orders import FactError, Logged, PourOrder
from curewatch.desk.room_air import RoomAir
from curewatch.desk.scene import Scene, limits_of, read_scene
from curewatch.records import Alarm, Forecast, Notice, Pour, Reading, Recipe, Room, Stay
from curewatch.settings import Settings
from curewatch.store import DuplicateName, Store, Transaction
from curewatch.studio import board as boards
from curewatch.studio import forecast as forecasting
from curewatch.studio import milestones as milestoning
from curewatch.studio.alarms import is_active, looking_back
from curewatch.studio.board import Board, PieceLine, RoomLine
from curewatch.studio.forecast import Drying
from curewatch.studio.watch import watch

REVISION = "facts_revision"
"""The store's mark that facts have changed; a daemon looks at it to see what commands and pages have logged."""
DEFAULT_RECIPE = "house mix"
"""What a pour without a recipe is taken to be."""


@dataclass(frozen=True)
class Refreshed:
    """What a look at the studio came to."""

    forecasts: int
    """How many were made."""
    notices: int
    """How many were written."""
    next_due: datetime
    """When the next look is due, if nothing is logged before."""


@dataclass(frozen=True)
class PieceReport:
    """One piece with all that bears on it."""

    line: PieceLine
    drying: Drying
    forecast: Forecast | None
    alarms: tuple[Alarm, ...]
    data_at: datetime | None


class Desk:
    """Use cases over one store. Safe to use from several threads: it keeps no state but copies of readings."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self.store, self.settings, self._air = store, settings, RoomAir()
        self.channels: tuple[str, ...] = ("webhook",) if settings.webhook else ()

    # --- facts ---

    def log_pour(self, order: PourOrder, now: datetime) -> Logged:
        """Store a new piece with its pour. A room or recipe named for the first time is made, and said so.

        Raises FactError if a piece of that name is here already, or if the pour is yet to come.
        """
        if order.at > now:
            raise FactError("--at", order.at.isoformat(timespec="seconds"), "a moment that has passed")
        with self.store.write() as tx:
            notes = _meet_room(tx, order.room) + _meet_recipe(tx, order.recipe)
            try:
                piece = tx.add_piece(order.name, now)
            except DuplicateName:
                raise FactError("NAME", order.name, "a name that no piece here bears yet") from None
            size = order.size_m or (None, None)
            air = self.settings.air_in(order.room) if order.air_speed_m_s is None else order.air_speed_m_s
            tx.add_pour(
                Pour(
                    piece_id=piece.id,
                    at=order.at,
                    wet_thickness_m=order.wet_thickness_m,
                    thickness_source=order.thickness_source,
                    width_m=size[0],
                    height_m=size[1],
                    recipe=order.recipe or DEFAULT_RECIPE,
                    silicone=order.silicone,
                    support=order.support,
                    air_speed_m_s=air,
                )
            )
            tx.add_stay(Stay(piece_id=piece.id, room=order.room, place=order.place, since=order.at))
            _look_back(tx, {order.room: order.at})
            _mark_changed(tx)
        return Logged(piece, tuple(notes))

    def log_reading(self, reading: Reading) -> Logged:
        """Store a typed reading."""
        with self.store.write() as tx:
            notes = _meet_room(tx, reading.room)
            if not tx.add_readings([reading]):
                notes.append("a reading of that moment is stored already; it stands as it was")
            else:
                _look_back(tx, {reading.room: reading.at})
                _mark_changed(tx)
        return Logged(notes=tuple(notes))

    def absorb(self, readings: Sequence[Reading]) -> int:
        """Store sensors' readings, all or none; the number that were new."""
        oldest: dict[str, datetime] = {}
        for reading in readings:
            oldest[reading.room] = min(oldest.get(reading.room, reading.at), reading.at)
        with self.store.write() as tx:
            for room in oldest:
                tx.add_room(Room(name=room))
            new = tx.add_readings(readings)
            if new:
                _look_back(tx, oldest)
                _mark_changed(tx)
        return new

    def put_recipe(self, recipe: Recipe) -> Logged:
        """Say what a recipe is made of, or correct it; its pieces are forecast anew."""
        with self.store.write() as tx:
            tx.put_recipe(recipe)
            _mark_changed(tx)
        return Logged()

    def revision(self) -> str:
        """Changes whenever facts are logged, by whatever process."""
        with self.store.read() as tx:
            return tx.get_meta(REVISION) or "0"

    # --- decisions ---

    def refresh(self, now: datetime) -> Refreshed:
        """Make stale forecasts again, judge the alarms, and write what people should be told, in one transaction."""
        with self.store.read() as tx:
            scene = read_scene(tx, self._air, now)
        stale = [
            drying
            for drying in scene.dryings
            if forecasting.stale(scene.forecasts.get(drying.piece.id), drying, scene.climates, now)
        ]
        s = self.settings.forecast
        made = forecasting.forecasts(stale, scene.climates, now, members=s.members, days=s.days)
        current = scene.forecasts | {forecast.piece_id: forecast for forecast in made}
        written = self._decide(scene, made, current, now)
        return Refreshed(len(made), written, self._next_due(scene, current, now))

    def _decide(self, scene: Scene, made: list[Forecast], current: dict[int, Forecast], now: datetime) -> int:
        due = self._due(scene, current, now)
        alarms = scene.alarms
        changed, told = self._watch(scene, alarms, current, now)
        if not (made or due or changed or told):
            return 0
        with self.store.write() as tx:
            here = {piece.id for piece in tx.pieces()}
            tx.put_forecasts(forecast for forecast in made if forecast.piece_id in here)
            if (stored := tuple(tx.alarms())) != alarms:  # another process has judged meanwhile: go on from there
                changed, told = self._watch(scene, stored, current, now)
            tx.put_alarms(changed)
            known = tx.known_keys({key for one in due for key in one.told_by})
            told += [
                milestoning.notice(one, now, self.local)
                for one in due
                if one.drying.piece.id in here and known.isdisjoint(one.told_by)
            ]
            return sum(tx.add_notice(notice, self.channels) for notice in told)

    def _due(self, scene: Scene, current: dict[int, Forecast], now: datetime) -> list[milestoning.Due]:
        """The milestones that people should hear of and have not."""
        kinds = self.settings.notices.milestones
        found = [
            one
            for drying in scene.dryings
            if (forecast := current.get(drying.piece.id))
            for one in milestoning.due(drying, forecast, kinds, now)
        ]
        with self.store.read() as tx:
            known = tx.known_keys({key for one in found for key in one.told_by}) if found else set()
        return [one for one in found if known.isdisjoint(one.told_by)]

    def _watch(
        self, scene: Scene, alarms: Sequence[Alarm], current: dict[int, Forecast], now: datetime
    ) -> tuple[list[Alarm], list[Notice]]:
        limits = limits_of(self.settings)
        changed: list[Alarm] = []
        told: list[Notice] = []
        for room in scene.occupied(self.settings, current, alarms):
            known = {alarm.kind: alarm for alarm in alarms if alarm.room == room.name}
            new, notices = watch(room, known, now, limits, self.local)
            changed += new
            told += notices
        return changed, told

    def _next_due(self, scene: Scene, current: dict[int, Forecast], now: datetime) -> datetime:
        """At the latest in a minute while anything is being watched (delays, silence), else in an hour."""
        told = self.settings.notices.milestones
        moments = [milestoning.next_due(forecast, told, now) for forecast in current.values()]
        busy = any(forecast.reason or not forecasting.settled(forecast, now) for forecast in current.values())
        idle = now + (timedelta(minutes=1) if busy else forecasting.LAPSE)
        return min([idle, *(at for at in moments if at is not None)])

    # --- views ---

    def board(self, now: datetime) -> Board:
        """The studio as last forecast (see `refresh`)."""
        with self.store.read() as tx:
            scene, rooms = read_scene(tx, self._air, now, every_room=True), tx.rooms()
        return boards.board(
            scene.dryings, scene.forecasts, [_room_line(scene, room.name) for room in rooms], scene.alarms, now
        )

    def piece(self, name: str, now: datetime) -> PieceReport:
        """Everything about the piece called `name`. Raises FactError, with near names, if none is here."""
        with self.store.read() as tx:
            scene = read_scene(tx, self._air, now)
        for drying in scene.dryings:
            if drying.piece.name == name:
                forecast = scene.forecasts.get(drying.piece.id)
                return PieceReport(
                    line=boards.piece_line(drying, forecast, now),
                    drying=drying,
                    forecast=forecast,
                    alarms=tuple(a for a in scene.alarms if a.room == drying.room and is_active(a)),
                    data_at=scene.newest[drying.room].at if drying.room in scene.newest else None,
                )
        raise FactError("NAME", name, _near(name, [drying.piece.name for drying in scene.dryings], "a piece here"))

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
            tx.add_notice(notice, self.channels)
        return notice

    def local(self, at: datetime) -> datetime:
        """A moment in the studio's own zone."""
        return at.astimezone(self.settings.tz)


def _room_line(scene: Scene, name: str) -> RoomLine:
    newest, climate = scene.newest.get(name), scene.climates.get(name)
    return RoomLine(
        name=name,
        newest=newest,
        temp_c=float(climate.temp_c[-1]) if climate else (newest.temp_c if newest else None),
        rh_pct=float(climate.rh_pct[-1]) if climate else (newest.rh_pct if newest else None),
        data_at=newest.at if newest else None,
        pieces=sum(drying.room == name for drying in scene.dryings),
    )


def _meet_room(tx: Transaction, name: str) -> list[str]:
    if tx.room(name) is not None:
        return []
    near = difflib.get_close_matches(name, [room.name for room in tx.rooms()], 1)
    tx.add_room(Room(name=name))
    return [f"room {name!r} is new" + (f"; did you mean {near[0]!r}?" if near else "")]


def _meet_recipe(tx: Transaction, name: str | None) -> list[str]:
    if tx.recipe(name or DEFAULT_RECIPE) is not None:
        return []
    recipe = Recipe(name=name or DEFAULT_RECIPE)
    near = difflib.get_close_matches(recipe.name, [known.name for known in tx.recipes()], 1) if name else []
    tx.put_recipe(recipe)
    if name is None:
        return []
    assumed = f"recipe {name!r} is new: taken as {recipe.solids:.0%} solids, {recipe.glycol:.0%} glycol by volume"
    return [assumed + (f"; did you mean {near[0]!r}?" if near else "")]


def _near(given: str, names: list[str], what: str) -> str:
    near = difflib.get_close_matches(given, names, 3, 0.5)
    if near:
        return f"{what}, perhaps {' or '.join(repr(name) for name in near)}"
    return f"{what}: {', '.join(repr(name) for name in names[:8])}" if names else f"{what} (none is logged yet)"


def _look_back(tx: Transaction, rooms: Mapping[str, datetime]) -> None:
    """More is now known of these rooms from a moment on: their quiet alarms are to be judged from there again."""
    was = [alarm for alarm in tx.alarms() if alarm.room in rooms]
    now = [looking_back(alarm, rooms[alarm.room] - timedelta(seconds=1)) for alarm in was]
    tx.put_alarms(new for new, old in zip(now, was, strict=True) if new != old)


def _mark_changed(tx: Transaction) -> None:
    tx.set_meta(REVISION, str(int(tx.get_meta(REVISION) or 0) + 1))
