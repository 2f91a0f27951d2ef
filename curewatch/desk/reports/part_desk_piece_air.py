"""The air that one piece has lain in since its pour, for whoever looks at that piece."""

from __future__ import annotations

from datetime import datetime

from curewatch.desk.desk import Desk
from curewatch.desk.snapshot.air_cache import AirCache
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.forecast import Drying


def piece_air(desk: Desk, drying: Drying, now: datetime) -> dict[str, Climate]:
    """By room, the climate of every room it has lain in; rooms that were never read are missing."""
    air = AirCache()
    with desk.store.read() as tx:
        known = {stay.room: air.climate(tx, stay.room, drying.pour.at, now) for stay in drying.stays_since_pour}
    return {room: climate for room, climate in known.items() if climate is not None}
