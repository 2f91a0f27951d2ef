"""The studio's facts as the pure middle wants them, read in one transaction."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.records import Alarm, AlarmKind, Forecast, Reading, Recipe, Stay
from curewatch.settings import Settings
from curewatch.store import Transaction
from curewatch.studio.climate import Climate, climate_of
from curewatch.studio.conditions import Limits, Occupied
from curewatch.studio.forecast import Drying


@dataclass(frozen=True)
class Scene:
    """Everything that bears on the pieces that are still in the studio."""

    dryings: tuple[Drying, ...]
    climates: dict[str, Climate]
    forecasts: dict[int, Forecast]
    alarms: tuple[Alarm, ...]
    newest: dict[str, Reading]
    """By room, its newest reading."""
    freshest: dict[str, datetime]
    """By room, the newest reading that proves a live source."""

    def alarms_in(self, room: str) -> dict[AlarmKind, Alarm]:
        return {alarm.kind: alarm for alarm in self.alarms if alarm.room == room}

    def occupied(self, settings: Settings, forecasts: dict[int, Forecast]) -> list[Occupied]:
        """The rooms with pieces in them."""
        rooms: dict[str, list[Drying]] = {}
        for drying in self.dryings:
            rooms.setdefault(drying.room, []).append(drying)
        sensed = {sensor.room for sensor in settings.sensors}
        return [
            Occupied(
                name=name,
                dryings=tuple(there),
                forecasts=forecasts,
                climate=self.climates.get(name),
                freshest_at=self.freshest.get(name),
                has_sensor=name in sensed,
            )
            for name, there in rooms.items()
        ]


def read_scene(tx: Transaction) -> Scene:
    """Pieces that are here, with their pours, and the air of the rooms they have been in since."""
    pieces = {piece.id: piece for piece in tx.pieces()}
    recipes = {recipe.name: recipe for recipe in tx.recipes()}
    stays: dict[int, list[Stay]] = {}
    for stay in tx.stays(pieces):
        stays.setdefault(stay.piece_id, []).append(stay)
    dryings = [
        Drying(pieces[pour.piece_id], pour, recipes.get(pour.recipe, Recipe(name=pour.recipe)), tuple(there))
        for pour in tx.pours(pieces)
        if (there := stays.get(pour.piece_id))
    ]
    newest_by_source = tx.newest_by_source()
    newest: dict[str, Reading] = {}
    freshest: dict[str, datetime] = {}
    for (room, _), reading in newest_by_source.items():
        if room not in newest or reading.at > newest[room].at:
            newest[room] = reading
        if not reading.retained and (room not in freshest or reading.at > freshest[room]):
            freshest[room] = reading.at
    return Scene(
        dryings=tuple(dryings),
        climates=_climates(tx, dryings),
        forecasts=tx.forecasts(pieces),
        alarms=tuple(tx.alarms()),
        newest=newest,
        freshest=freshest,
    )


def _climates(tx: Transaction, dryings: list[Drying]) -> dict[str, Climate]:
    since: dict[str, datetime] = {}
    for drying in dryings:
        for stay in drying.stays:
            # a day of lead, so that the air at the pour itself is known from both sides
            start = drying.pour.at - timedelta(days=1)
            since[stay.room] = min(since.get(stay.room, start), start)
    found = {}
    for room, start in since.items():
        columns = tx.reading_columns(room, since=start)
        if not len(columns.epoch_s):  # nothing that recent: the last thing known of the room still counts
            newest = tx.newest_reading(room)
            columns = tx.reading_columns(room, since=newest.at - timedelta(days=1)) if newest else columns
        climate = climate_of(columns.epoch_s, columns.temp_c, columns.rh_pct)
        if climate is not None:
            found[room] = climate
    return found


def limits_of(settings: Settings) -> Limits:
    """The alarm settings in the studio's terms."""
    s = settings.alarms
    return Limits(
        cold_mfft_c=s.cold_mfft_c,
        frost_c=s.frost_c,
        damp_rh_pct=s.damp_rh_pct,
        damp_rate_fraction=s.damp_rate_fraction,
        fast_temp_c=s.fast_temp_c,
        fast_rh_pct=s.fast_rh_pct,
        deadband_c=s.deadband_c,
        deadband_rh_pct=s.deadband_rh_pct,
        on_delay=timedelta(minutes=s.on_delay_min),
        off_delay=timedelta(minutes=s.off_delay_min),
        reminder=timedelta(hours=s.reminder_h),
        stale_after=timedelta(minutes=s.stale_after_min),
        typed_stale_after=timedelta(hours=s.typed_stale_after_h),
    )
