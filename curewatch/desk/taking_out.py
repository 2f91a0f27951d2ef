"""Everything out of the store: all facts as one object, or one room's readings as rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Any

from curewatch.desk.desk import Desk
from curewatch.desk.naming import nearest
from curewatch.desk.orders import FactError
from curewatch.records import Reading, Record

TABLES = ("rooms", "recipes", "mixes", "pieces", "stays", "pours", "steps", "observations", "damages")


def all_facts(desk: Desk) -> dict[str, Any]:
    """Every fact but the readings, by kind, as of one moment; times ISO 8601 in UTC, units as in their names."""
    with desk.store.read() as tx:
        found: dict[str, Sequence[Record]] = {
            "rooms": tx.rooms(),
            "recipes": tx.recipes(),
            "mixes": tx.mixes(),
            "pieces": [*tx.pieces(), *tx.pieces(gone=True)],
            "stays": tx.stays(),
            "pours": tx.pours(),
            "steps": tx.steps(),
            "observations": tx.observations(),
            "damages": tx.damages(),
        }
    return {name: [one.model_dump(mode="json") for one in found[name]] for name in TABLES}


def readings_of(desk: Desk, room: str, since: datetime | None = None) -> list[Reading]:
    """A room's readings in the order of time. FactError for an unknown room."""
    with desk.store.read() as tx:
        if tx.room(room) is None:
            known = [one.name for one in tx.rooms()]
            raise FactError("--readings-of", room, nearest(room, known, "a room"))
        return tx.readings(room, since=since)


def rows(readings: list[Reading]) -> Iterator[tuple[str, str, str, str]]:
    """Time, temperature [°C], humidity [%] and source, as `import-readings` takes them by itself."""
    yield "time_utc", "temp_c", "rh_pct", "source"
    for one in readings:
        temp = "" if one.temp_c is None else repr(one.temp_c)
        rh = "" if one.rh_pct is None else repr(one.rh_pct)
        yield one.at.isoformat(), temp, rh, one.source
