"""The studio's facts as the pure middle wants them, read in one transaction."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

from pydantic import ValidationError

from curewatch.desk.desk import FACTS_REVISION, fact_count, limits_of
from curewatch.desk.snapshot.air import AirCache
from curewatch.desk.snapshot.pieces import dryings_of, learned_so_far, with_posterior, within_findings
from curewatch.records import Alarm, AlarmState, Damage, Forecast, Notice, Reading
from curewatch.records.names import name_key
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio.air import sensors
from curewatch.studio.air.climate import Change, Climate
from curewatch.studio.air.sensors import LowBattery
from curewatch.studio.alarms.conditions import OccupiedRoom
from curewatch.studio.alarms.remedies import asked_for
from curewatch.studio.board import RoomLine
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.forecast import needs_air
from curewatch.studio.learning.learning import Learned
from curewatch.studio.planning.advice import changes

TAIL = timedelta(hours=36)
"""What is read of a room to say how it is, and whether its sensors can be believed: a stuck one shows after a day."""
LATELY = timedelta(hours=6)
"""A room read so much earlier than another says nothing of whether a piece may be carried there."""


@dataclass(frozen=True)
class Snapshot:
    """Everything that bears on the pieces that are still in the studio, as known at one moment."""

    dryings: tuple[Drying, ...]
    climates: dict[str, Climate]
    """By room, its air: of the rooms in which something dries."""
    forecasts: dict[int, Forecast]
    """By piece, held within what a finger found of it."""
    stored: dict[int, Forecast]
    """By piece, as they were made."""
    alarms: tuple[Alarm, ...]
    newest: dict[str, Reading]
    """By room, its newest reading."""
    revision: str | None
    """The store's mark as of these facts."""
    damages: tuple[Damage, ...] = ()
    heard: Mapping[tuple[str, str], Reading] = field(default_factory=dict)
    """By room and source, its newest reading."""
    low: tuple[LowBattery, ...] = ()
    """Batteries that were low at the last look."""
    facts: int = 0
    """How often facts other than readings had been logged."""
    foretold: tuple[Notice, ...] = ()
    """What people were told of the hours ahead."""

    def occupied(self, settings: Settings, forecasts: Mapping[int, Forecast]) -> list[OccupiedRoom]:
        """The rooms with pieces in them, and those with alarms that their last piece has left awake."""
        rooms: dict[str, list[Drying]] = {
            alarm.room: [] for alarm in self.alarms if alarm.state is not AlarmState.NORMAL
        }
        for drying in self.dryings:
            rooms.setdefault(drying.room, []).append(drying)
        sensed = {name_key(sensor.room) for sensor in settings.sensors}
        lately = self._lately()
        return [
            OccupiedRoom(
                name=name,
                dryings=tuple(there),
                forecasts=forecasts,
                climate=self.climates.get(name),
                has_sensor=name_key(name) in sensed,
                heated=settings.room(name).heated,
                elsewhere={room: air for room, air in lately.items() if room != name},
            )
            for name, there in rooms.items()
        ]

    def changes(self, settings: Settings, room: str, climate: Climate) -> tuple[Change, ...]:
        """What can be done about the air of a room, which is this: what its alarms ask for, and else what is usual."""
        limits, heated = limits_of(settings), settings.room(room).heated
        there = next((one for one in self.occupied(settings, self.forecasts) if one.name == room), None)
        found = None if there is None else asked_for(replace(there, climate=climate), self.alarms, limits)
        advised = None if found is None else found.change
        return changes(float(climate.temp_c[-1]), limits, heated=heated, advised=advised)

    def _lately(self) -> dict[str, tuple[float, float]]:
        """The rooms that were read lately: temperature [°C] and humidity [%]."""
        last = max((reading.at for reading in self.newest.values()), default=None)
        return {
            room: (reading.temp_c, reading.rh_pct)
            for room, reading in self.newest.items()
            if last is not None
            and last - reading.at <= LATELY
            and reading.temp_c is not None
            and reading.rh_pct is not None
        }


def read_snapshot(
    tx: Transaction,
    air: AirCache | None,
    now: datetime,
    *,
    stored: dict[int, Forecast] | None = None,
    so_far: Learned | None = None,
) -> Snapshot:
    """Pieces that are here, with their pours, and the air of the rooms they have been in since, as known at `now`.

    Only the air that still matters is read: that of pieces with a milestone ahead. Without `air`, none. `stored`: the
    forecasts of every piece here, where the caller knows that they are still the stored ones. `so_far`: what was
    learned, for whoever makes forecasts; who shows what was forecast has no use for it.
    """
    pieces = tx.pieces()
    here = [piece.id for piece in pieces]
    dryings = tuple(dryings_of(tx, pieces))
    if so_far is not None and so_far.lessons:
        dryings = with_posterior(dryings, so_far, tx.observations(here))
    stored = tx.forecasts(here) if stored is None else stored
    forecasts = within_findings(stored, dryings, now)
    heard = tx.newest_by_source(until=now)
    return Snapshot(
        dryings=dryings,
        climates={} if air is None else _climates(tx, air, _wanted(dryings, forecasts, now), now),
        forecasts=forecasts,
        stored=stored,
        alarms=tuple(tx.alarms()),
        newest=newest_of(heard),
        revision=tx.get_meta(FACTS_REVISION),
        damages=tuple(tx.damages(here)),
        heard=heard,
        low=known(tx),
        facts=fact_count(tx),
        foretold=foretold(tx, now),
    )


TOLD_BEFORE = timedelta(hours=18)
"""What was foreseen so long before was foreseen for this night."""


def foretold(tx: Transaction, now: datetime, room: str | None = None) -> tuple[Notice, ...]:
    """What people were told that the air (of that room) will come to in the hours ahead, and what was not withdrawn."""
    found = tx.notices(since=now - TOLD_BEFORE, limit=1000, kinds=["foreseen"], room=room)
    return tuple(one for one in found if not one.is_withdrawn)


def reread_snapshot(tx: Transaction, air: AirCache, snapshot: Snapshot, now: datetime) -> Snapshot:
    """The scene as it is stored now, with its air: quick where nothing but readings and decisions have come since."""
    if fact_count(tx) != snapshot.facts:
        return read_snapshot(tx, air, now, so_far=learned_so_far(tx))
    climates = _climates(tx, air, _wanted(snapshot.dryings, snapshot.forecasts, now), now)
    here = {drying.piece.id for drying in snapshot.dryings}
    damages = tuple(one for one in tx.damages() if one.piece_id in here)
    return replace(with_new_readings(tx, snapshot, now), climates=climates, damages=damages)


def _wanted(dryings: Iterable[Drying], forecasts: Mapping[int, Forecast], now: datetime) -> dict[str, datetime]:
    """By room with a piece whose milestones lie ahead, from when on its air matters."""
    since: dict[str, datetime] = {}
    for drying in dryings:
        if needs_air(forecasts.get(drying.piece.id), drying, now):
            for stay in drying.stays_since_pour:
                since[stay.room] = min(since.get(stay.room, drying.pour.at), drying.pour.at)
    return since


def with_new_readings(tx: Transaction, snapshot: Snapshot, now: datetime) -> Snapshot:
    """The scene after nothing but readings: its pieces, which are most of the work, are taken as they were read."""
    heard = tx.newest_by_source(until=now)
    return replace(
        snapshot,
        newest=newest_of(heard),
        heard=heard,
        alarms=tuple(tx.alarms()),
        revision=tx.get_meta(FACTS_REVISION),
        low=known(tx),
        foretold=foretold(tx, now),
    )


def newest_of(heard: Mapping[tuple[str, str], Reading]) -> dict[str, Reading]:
    newest: dict[str, Reading] = {}
    for (room, _), reading in heard.items():
        if room not in newest or reading.at > newest[room].at:
            newest[room] = reading
    return newest


def _climates(tx: Transaction, air: AirCache, since: Mapping[str, datetime], now: datetime) -> dict[str, Climate]:
    known = {room: air.climate(tx, room, needed, now) for room, needed in since.items()}
    return {room: climate for room, climate in known.items() if climate is not None}


def latest_air(
    tx: Transaction, newest: Mapping[str, Reading], now: datetime, air: AirCache | None = None
) -> dict[str, Climate]:
    """The end of each room's record, whether anything dries there or not."""
    return _climates(tx, air or AirCache(), {room: reading.at - TAIL for room, reading in newest.items()}, now)


def room_line(snapshot: Snapshot, name: str, climate: Climate | None) -> RoomLine:
    """The room as the board has it; `climate`: the end of its record."""
    pieces = sum(drying.room == name for drying in snapshot.dryings)
    return line_of_room(name, pieces, climate, snapshot.newest.get(name), snapshot.low, snapshot.heard)


def line_of_room(
    name: str,
    pieces: int,
    climate: Climate | None,
    newest: Reading | None,
    low: Sequence[LowBattery],
    heard: Mapping[tuple[str, str], Reading],
) -> RoomLine:
    return RoomLine(
        name=name,
        newest=newest,
        temp_c=float(climate.temp_c[-1]) if climate else (newest.temp_c if newest else None),
        rh_pct=float(climate.rh_pct[-1]) if climate else (newest.rh_pct if newest else None),
        data_at=climate.newest_at if climate else (newest.at if newest else None),
        pieces=pieces,
        quality=(climate.findings if climate else ()) + sensors.battery_findings(low, heard, name),
    )


LOW = "batteries_low"
"""The store's mark of them, as JSON."""


def known(tx: Transaction) -> tuple[LowBattery, ...]:
    """What was stored last; none where that is of another curewatch and not understood: they are judged anew."""
    try:
        return tuple(LowBattery.model_validate(one) for one in json.loads(tx.get_meta(LOW) or "[]"))
    except (ValidationError, ValueError, TypeError):
        return ()


def keep(tx: Transaction, low: Sequence[LowBattery]) -> None:
    tx.set_meta(LOW, json.dumps([one.model_dump(mode="json") for one in low]))
