"""The demo studio: a boat shed by a river with invented pieces, to look at before one's own is begun."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk import Desk
from curewatch.desk.desk import DEMO
from curewatch.desk.refresh.refresher import Refresher
from curewatch.notify.routing import without_channels
from curewatch.records import Pour, Reading, Recipe, Room, Stay, Support, ThicknessSource
from curewatch.settings import Settings

SOURCE = "demo"
"""What the invented readings give as their source."""
DAYS = 25
"""How far back the demo's readings go, one an hour."""
SEED = 20_261_101

BENCH, LOFT = "Boat shed", "Sail loft"
WHITE = Recipe(name="river white", solids=0.34, glycol=0.03, stated=True)
HOUSE = Recipe(name="house mix")


@dataclass(frozen=True)
class _Air:
    """A room's weather: what it swings about, by day and from week to week."""

    temp_c: float
    day_c: float
    drift_c: float
    rh_pct: float
    day_rh: float
    drift_rh: float


ROOMS = {
    BENCH: _Air(temp_c=18.5, day_c=2.2, drift_c=1.2, rh_pct=54, day_rh=5, drift_rh=6),
    LOFT: _Air(temp_c=8.6, day_c=2.4, drift_c=1.6, rh_pct=66, day_rh=6, drift_rh=4),
}


@dataclass(frozen=True)
class _Piece:
    name: str
    room: str
    place: str
    hours_ago: float
    wet_thickness_m: float
    size_m: tuple[float, float]
    recipe: str = HOUSE.name
    silicone: bool = False
    support: Support = Support.CANVAS


PIECES = (
    _Piece("Heron at slack water", BENCH, "turning table", 2, 1.2e-3, (0.30, 0.40)),
    _Piece("Tar and gulls", BENCH, "rack 1", 19, 1.1e-3, (0.40, 0.40), recipe=WHITE.name),
    _Piece("Low tide", BENCH, "rack 2", 46, 1.6e-3, (0.50, 0.70)),
    _Piece(
        "Oil on the slipway",
        BENCH,
        "rack 4",
        20 * 24,
        0.6e-3,
        (0.25, 0.25),
        silicone=True,
        support=Support.BOARD,
    ),
    _Piece("Winter mooring", LOFT, "trestles", 30, 1.4e-3, (0.60, 0.80), recipe=WHITE.name),
    _Piece("Eel trap", LOFT, "window sill", 9 * 24, 0.7e-3, (0.20, 0.30), support=Support.BOARD),
)


def settings_of_demo(settings: Settings) -> Settings:
    """What is set, as far as it bears on invented pieces: nobody is told of them, and no sensor is heard."""
    keys = ("zone", "by", "notices", "forecast", "aftercare", "web")
    nothing_of = {key: getattr(Settings(zone=settings.zone), key) for key in Settings.model_fields if key not in keys}
    return settings.model_copy(update=nothing_of)


def seed_demo(desk: Desk, now: datetime) -> bool:
    """Put the demo studio into an empty store; False, and nothing done, where there is any piece or reading.

    One transaction, so it is there as a whole or not at all. What the demo's past would have told is written down
    without being sent anywhere: with a webhook set, nobody is flooded with news of pieces that were never poured.
    What falls due from `now` on is told like any other notice.
    """
    with desk.store.write() as tx:
        counts = tx.counts()
        if counts["pieces"] or counts["readings"]:
            return False
        tx.set_meta(DEMO, now.isoformat())
        for room in ROOMS:
            tx.add_room(Room(name=room))
        for recipe in (HOUSE, WHITE):
            if tx.recipe(recipe.name) is None:
                tx.put_recipe(recipe)
        for piece in PIECES:
            poured_at = now - timedelta(hours=piece.hours_ago)
            piece_id = tx.add_piece(piece.name, poured_at).id
            tx.add_pour(_pour(piece, piece_id, poured_at))
            tx.add_stay(Stay(piece_id=piece_id, room=piece.room, place=piece.place, since=poured_at))
        tx.add_readings(reading for room, air in ROOMS.items() for reading in _readings(room, air, desk, now))
    # The same desk, but with nowhere to send: the notices' keys are taken, so they are never sent later either.
    Refresher(Desk(desk.store, without_channels(desk.settings))).refresh(now)
    return True


def _pour(piece: _Piece, piece_id: int, at: datetime) -> Pour:
    return Pour(
        piece_id=piece_id,
        at=at,
        wet_thickness_m=piece.wet_thickness_m,
        thickness_source=ThicknessSource.VOLUME,
        width_m=piece.size_m[0],
        height_m=piece.size_m[1],
        recipe=piece.recipe,
        silicone=piece.silicone,
        support=piece.support,
    )


def _readings(room: str, air: _Air, desk: Desk, now: datetime) -> Iterator[Reading]:
    """Hourly up to `now`: warmest and driest in the afternoon, a slow drift of the weather, and a little noise."""
    chance = random.Random(f"{SEED} {room}")  # the same studio every time, whatever the hour
    phase = chance.uniform(0, math.tau)
    for hours_ago in range(DAYS * 24, -1, -1):
        at = now - timedelta(hours=hours_ago)
        local = desk.local(at)
        day = math.cos((local.hour + local.minute / 60 - 15) / 24 * math.tau)
        weather = math.sin(hours_ago / (24 * 6.5) * math.tau + phase)
        yield Reading(
            room=room,
            at=at,
            temp_c=round(air.temp_c + air.day_c * day + air.drift_c * weather + chance.gauss(0, 0.15), 2),
            rh_pct=round(air.rh_pct - air.day_rh * day - air.drift_rh * weather + chance.gauss(0, 0.8), 1),
            source=SOURCE,
            received_at=at,
        )
