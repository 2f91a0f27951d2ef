"""What is told at certain hours: the evening's warnings, and the morning's work with the steps that are open."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from curewatch.desk.desk import Desk, care_of, limits_of
from curewatch.desk.snapshot.air import air_to_come
from curewatch.desk.snapshot.snapshot import Snapshot, latest_air, room_line
from curewatch.records import AlarmKind, AlarmState, Forecast, MilestoneKind, Notice
from curewatch.records.workshop import StepDone
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio import board as boards
from curewatch.studio import morning_digest
from curewatch.studio.air.climate import AirBands, Climate
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.alarms import forewarning
from curewatch.studio.alarms.conditions import OccupiedRoom, is_fresh
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.board import RoomLine
from curewatch.studio.care.aftercare import CareStep, Odds, OpenStep, milestone, open_line, plan
from curewatch.studio.care.varnish_air import next_window
from curewatch.studio.wording import Local

AGAIN_AFTER = timedelta(minutes=30)
"""An outlook takes some work and changes little in this time."""


class EveningWarnings:
    """Looks ahead for every room with something wet in it, every half hour. Keeps only what it saw last."""

    def __init__(self, desk: Desk) -> None:
        self._settings, self._local = desk.settings, desk.local
        self.ahead: dict[str, Foreseen] = {}
        """By room, what was foreseen at the last look."""
        self._looked: dict[str, datetime] = {}

    def due(self, rooms: Collection[str], now: datetime) -> list[str]:
        """Which of these rooms are to be looked at now; none at an hour at which nobody would hear of it."""
        if forewarning.is_time_to_tell(now, self._local) or any(
            p.morning_hour is not None for p in self._settings.people
        ):
            return [room for room in rooms if self._is_due(room, now)]
        return []

    def notices(
        self,
        snapshot: Snapshot,
        forecasts: Mapping[int, Forecast],
        pasts: Mapping[str, Climate],
        due: Collection[str],
        now: datetime,
    ) -> list[Notice]:
        """The warnings for tonight, in the evening; nothing at other hours. `pasts`: of the rooms that are `due`."""
        told: list[Notice] = []
        for room in snapshot.occupied(self._settings, forecasts):
            if room.name not in due:
                continue
            found = self._look(room, pasts.get(room.name), now)
            if (
                found is not None
                and forewarning.is_time_to_tell(now, self._local)
                and not _is_on(snapshot, room.name, found.kind, now)
            ):
                told.append(forewarning.notice(room, found, now, self._local))
        return told

    def _is_due(self, room: str, now: datetime) -> bool:
        last = self._looked.get(room)
        return last is None or not timedelta(0) <= now - last < AGAIN_AFTER

    def _look(self, room: OccupiedRoom, past: Climate | None, now: datetime) -> Foreseen | None:
        self._looked[room.name] = now
        self.ahead.pop(room.name, None)
        limits = limits_of(self._settings)
        if past is None or not room.wet_at(now) or not is_fresh(room, now, limits):
            return None
        future = air_to_come(past, now)
        found = None if future is None else forewarning.foreseen(room, future, limits, now)
        if found is not None:
            self.ahead[room.name] = found
        return found


def _is_on(snapshot: Snapshot, room: str, kind: AlarmKind, now: datetime) -> bool:
    """Whether it is so now, as people have been told or are about to be, or they want to hear nothing of it."""
    return any(
        alarm.room == room and alarm.kind is kind and (alarm.state is not AlarmState.NORMAL or alarm.is_muted(now))
        for alarm in snapshot.alarms
    )


@dataclass(frozen=True)
class Morning:
    """Who is to be told of the day's work, and what of the store it is told from."""

    people: Sequence[str]
    rooms: Sequence[str]
    latest: Mapping[str, Climate]
    """By room, the end of its record."""
    steps: Sequence[StepDone]
    """Of the pieces here, those undone too."""


def read_morning(tx: Transaction, desk: Desk, snapshot: Snapshot, now: datetime) -> Morning | None:
    """None where nobody is to be told at `now`, or everybody has been."""
    asked = {
        morning_digest.key_of(person.name, now, desk.local): person.name
        for person in desk.settings.people
        if person.morning_hour is not None and morning_digest.is_morning(person.morning_hour, now, desk.local)
    }
    known = tx.known_keys(asked) if asked else set()
    people = [name for key, name in asked.items() if key not in known]
    if not people:
        return None
    latest = latest_air(tx, snapshot.newest, now)
    steps = tx.steps([drying.piece.id for drying in snapshot.dryings])
    return Morning(people, [room.name for room in tx.rooms()], latest, steps)


def morning_notices(
    desk: Desk,
    morning: Morning,
    snapshot: Snapshot,
    forecasts: Mapping[int, Forecast],
    pasts: Mapping[str, Climate],
    ahead: Mapping[str, Foreseen],
    now: datetime,
) -> list[Notice]:
    """One for each who is to be told, if there is anything to do."""
    lines = [
        _with_drift(room_line(snapshot, room, morning.latest.get(room)), snapshot.climates.get(room))
        for room in morning.rooms
    ]
    board = boards.board(snapshot.dryings, forecasts, lines, snapshot.alarms, now)
    steps = open_steps(desk.settings, morning.steps, snapshot, forecasts, pasts, now)
    unheated = [room for room in morning.rooms if not desk.settings.room(room).heated]
    names = {drying.piece.id: drying.piece.name for drying in snapshot.dryings}
    found = [
        morning_digest.notice(name, board, ahead, now, desk.local, steps, unheated, names) for name in morning.people
    ]
    return [notice for notice in found if notice is not None]


def _with_drift(room: RoomLine, climate: Climate | None) -> RoomLine:
    """With what shows in weeks only: sensors that drift. `climate`: the air since the room's pours."""
    drifts = () if climate is None else tuple(one for one in climate.findings if one.flaw is Flaw.DRIFT)
    return replace(room, quality=tuple(dict.fromkeys(room.quality + drifts)))


def next_mornings(settings: Settings, now: datetime, local: Local) -> list[datetime]:
    """When the next morning begins for each person who wants to be told."""
    hours = {person.morning_hour for person in settings.people if person.morning_hour is not None}
    return [morning_digest.next_morning(hour, now, local).astimezone(UTC) for hour in hours]


_NOT_ASKED = Odds(None, None, None)
"""When the skins are through takes an integration, and is told nowhere in the morning."""


def open_steps(
    settings: Settings,
    done: Sequence[StepDone],
    snapshot: Snapshot,
    forecasts: Mapping[int, Forecast],
    pasts: Mapping[str, Climate],
    now: datetime,
) -> dict[str, OpenStep | None]:
    """By name, the step that is open on each piece that is safe to handle; None where nothing is today."""
    care = care_of(settings)
    futures: dict[str, AirBands | None] = {}
    found: dict[str, OpenStep | None] = {}
    for drying in snapshot.dryings:
        safe = milestone(forecasts.get(drying.piece.id), MilestoneKind.HANDLE).safe
        if safe is None or safe > now:
            continue
        mine = [step for step in done if step.piece_id == drying.piece.id]
        line: CareStep | None = open_line(
            plan(drying.pour, forecasts.get(drying.piece.id), _NOT_ASKED, mine, care), now
        )
        window = None
        if line is not None and line.needs_air:
            if drying.room not in futures:
                futures[drying.room] = air_to_come(pasts[drying.room], now) if drying.room in pasts else None
            future = futures[drying.room]
            window = None if future is None else next_window(future, care.air, now)
        found[drying.piece.name] = None if line is None else OpenStep(line, window)
    return found
