"""What is told at certain hours: the evening's warnings, and the morning's work with the steps that are open."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from curewatch.desk.snapshot.air_outlook import coming_air
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.desk.studio_settings import care_of, limits_of
from curewatch.records import AlarmKind, Forecast, MilestoneKind, Notice
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio import morning_digest
from curewatch.studio.air.climate import AirBands, Climate
from curewatch.studio.air.flaws import Flaw
from curewatch.studio.alarms import forewarning
from curewatch.studio.alarms.conditions import OccupiedRoom, is_fresh
from curewatch.studio.alarms.forewarning import Foreseen
from curewatch.studio.alarms.lifecycle import is_active, is_muted
from curewatch.studio.board import Board, RoomLine
from curewatch.studio.care.aftercare import CareStep, Odds, OpenStep, milestone, open_line, plan
from curewatch.studio.care.varnish_air import next_window
from curewatch.studio.wording import Local

AGAIN_AFTER = timedelta(minutes=30)
"""An outlook takes some work and changes little in this time."""


class EveningWarnings:
    """Looks ahead for every room with something wet in it, every half hour. Keeps only what it saw last."""

    def __init__(self) -> None:
        self.ahead: dict[str, Foreseen] = {}
        """By room, what was foreseen at the last look."""
        self._looked: dict[str, datetime] = {}

    def notices(
        self,
        store: Store,
        snapshot: Snapshot,
        settings: Settings,
        forecasts: Mapping[int, Forecast],
        now: datetime,
        local: Local,
    ) -> list[Notice]:
        """The warnings for tonight that have not been told yet, in the evening; nothing at other hours."""
        told: list[Notice] = []
        if not forewarning.is_time_to_tell(now, local) and not any(p.morning_hour is not None for p in settings.people):
            return told  # nobody would hear of it at this hour
        limits = limits_of(settings)
        for room in snapshot.occupied(settings, forecasts):
            if not room.dryings or not self._is_due(room.name, now):
                continue
            found = self._look(store, room, settings, now)
            if (
                found is None
                or not forewarning.is_time_to_tell(now, local)
                or _is_on(snapshot, room.name, found.kind, now)
            ):
                continue
            told.append(forewarning.notice(room.name, found, limits, now, local))
        with store.read() as tx:
            known = tx.known_keys([notice.key for notice in told]) if told else set()
        return [notice for notice in told if notice.key not in known]

    def _is_due(self, room: str, now: datetime) -> bool:
        last = self._looked.get(room)
        return last is None or not timedelta(0) <= now - last < AGAIN_AFTER

    def _look(self, store: Store, room: OccupiedRoom, settings: Settings, now: datetime) -> Foreseen | None:
        self._looked[room.name] = now
        self.ahead.pop(room.name, None)
        limits = limits_of(settings)
        if not room.wet_at(now) or not is_fresh(room, now, limits):
            return None
        future = coming_air(store, room.name, now)
        found = None if future is None else forewarning.foreseen(room, future, limits, now)
        if found is not None:
            self.ahead[room.name] = found
        return found


def _is_on(snapshot: Snapshot, room: str, kind: AlarmKind, now: datetime) -> bool:
    """Whether people have been told already that it is so now, or want to hear nothing of it."""
    return any(
        alarm.room == room and alarm.kind is kind and (is_active(alarm) or is_muted(alarm, now))
        for alarm in snapshot.alarms
    )


def keys(settings: Settings, now: datetime, local: Local) -> list[str]:
    """The keys of the notices that are due this morning, told or not."""
    return [morning_digest.key_of(name, now, local) for name in people(settings, (), now, local)]


def people(settings: Settings, known: Collection[str], now: datetime, local: Local) -> list[str]:
    """Who is to be told at `now`, but for those whose notice is `known`."""
    return [
        person.name
        for person in settings.people
        if person.morning_hour is not None
        and morning_digest.is_morning(person.morning_hour, now, local)
        and morning_digest.key_of(person.name, now, local) not in known
    ]


def notices(
    names: Collection[str],
    board: Board,
    ahead: Mapping[str, Foreseen],
    steps: Mapping[str, OpenStep | None],
    now: datetime,
    local: Local,
) -> list[Notice]:
    """One for each of `names`, if there is anything to do."""
    found = [morning_digest.notice(name, board, ahead, now, local, steps) for name in names]
    return [notice for notice in found if notice is not None]


def with_drifts(board: Board, climates: Mapping[str, Climate]) -> Board:
    """The board, with what shows in weeks only: sensors that drift. `climates`: by room, the air since its pours."""
    return replace(board, rooms=tuple(_with_drift(room, climates.get(room.name)) for room in board.rooms))


def _with_drift(room: RoomLine, climate: Climate | None) -> RoomLine:
    drifts = () if climate is None else tuple(one for one in climate.findings if one.flaw is Flaw.DRIFT)
    return replace(room, quality=tuple(dict.fromkeys(room.quality + drifts)))


def next_ones(settings: Settings, now: datetime, local: Local) -> list[datetime]:
    """When the next morning begins for each person who wants to be told."""
    hours = {person.morning_hour for person in settings.people if person.morning_hour is not None}
    return [morning_digest.next_morning(hour, now, local).astimezone(UTC) for hour in hours]


_NOT_ASKED = Odds(None, None, None)
"""When the skins are through takes a march, and is told nowhere in the morning."""


def open_steps(
    store: Store, snapshot: Snapshot, settings: Settings, forecasts: Mapping[int, Forecast], now: datetime
) -> dict[str, OpenStep | None]:
    """By name, the step that is open on each piece that is safe to handle; None where nothing is today."""
    dry = [
        drying
        for drying in snapshot.dryings
        if (safe := milestone(forecasts.get(drying.piece.id), MilestoneKind.HANDLE).safe) and safe <= now
    ]
    if not dry:
        return {}
    care = care_of(settings)
    with store.read() as tx:
        done = tx.steps([drying.piece.id for drying in dry])
    futures: dict[str, AirBands | None] = {}
    found: dict[str, OpenStep | None] = {}
    for drying in dry:
        mine = [step for step in done if step.piece_id == drying.piece.id]
        line: CareStep | None = open_line(
            plan(drying.pour, forecasts.get(drying.piece.id), _NOT_ASKED, mine, care), now
        )
        window = None
        if line is not None and line.needs_air:
            if drying.room not in futures:
                futures[drying.room] = coming_air(store, drying.room, now)
            future = futures[drying.room]
            window = None if future is None else next_window(future, care.air, now)
        found[drying.piece.name] = None if line is None else OpenStep(line, window)
    return found
