"""Everything out of the store: all that is known as one object, or one room's readings as rows."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from curewatch.desk.desk import Desk
from curewatch.desk.orders import FactError
from curewatch.desk.part_desk_naming import nearest
from curewatch.records import Alarm, AlarmEvent, Damage, Notice, Piece, Pour, Reading, Recipe, Record, Room, Stay
from curewatch.records.observations import Forgetting, Observation
from curewatch.records.workshop import Paint, RecipeMix, StepDone, Tilt
from curewatch.store import Transaction

SCHEMA = 1
"""Of what `everything` gives. Raised when what it gave before could no longer be read."""
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20", "'")
"""Text that begins so is a formula to a spreadsheet (OWASP, CSV Injection; the four wide ones are = + - @ too), and
what hides it: such text gets a ' before it, which reading takes off."""
ALL = 2**62
"""More of anything than there can be."""

KINDS: Mapping[str, tuple[type[Record], Callable[[Transaction], Sequence[Record]]]] = {
    "rooms": (Room, lambda tx: tx.rooms()),
    "recipes": (Recipe, lambda tx: tx.recipes()),
    "mixes": (RecipeMix, lambda tx: tx.mixes()),
    "pieces": (Piece, lambda tx: sorted((*tx.pieces(), *tx.pieces(gone=True)), key=lambda piece: piece.id)),
    "stays": (Stay, lambda tx: tx.stays()),
    "pours": (Pour, lambda tx: tx.pours()),
    "tilts": (Tilt, lambda tx: tx.tilts()),
    "paints": (Paint, lambda tx: tx.paints()),
    "steps": (StepDone, lambda tx: tx.steps()),
    "observations": (Observation, lambda tx: tx.observations()),
    "forgettings": (Forgetting, lambda tx: tx.forgettings()),
    "damages": (Damage, lambda tx: tx.damages()),
    "alarms": (Alarm, lambda tx: tx.alarms()),
    "alarm_events": (AlarmEvent, lambda tx: tx.alarm_events(limit=ALL)[::-1]),
    "notices": (Notice, lambda tx: tx.notices(limit=ALL)[::-1]),
}
"""What is told of, in this order: its record, and where it is read. Forecasts and lessons are derived, and made again;
alarms carry who acknowledged and muted what, notices what people were told, so that nobody is told twice."""


def everything(desk: Desk) -> dict[str, Any]:
    """All that is known, as of one moment, fit for JSON: `import_facts` makes the same studio of it in an empty store.

    `kind` is "export"; each of `KINDS` is a list of objects, and `readings` one of lists by room. Times are ISO 8601 in
    UTC, units as in the names. Deliveries, secrets and the page's own notes stay behind.
    """
    with desk.store.read() as tx:
        found = _facts(tx)
        rooms = [room["name"] for room in found["rooms"]]
        readings = {room: [_plain(one) for one in tx.each_reading(room)] for room in rooms}
    return {"schema": SCHEMA, "kind": "export", **found, "readings": readings}


def all_facts(desk: Desk) -> dict[str, Any]:
    """As `everything`, but for the readings."""
    with desk.store.read() as tx:
        return _facts(tx)


def _facts(tx: Transaction) -> dict[str, Any]:
    return {name: [_plain(one) for one in read(tx)] for name, (_, read) in KINDS.items()}


def _plain(record: Record) -> dict[str, Any]:
    return record.model_dump(mode="json")


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
        yield one.at.isoformat(), temp, rh, harmless(one.source)


def harmless(text: str) -> str:
    """Text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(RISKY) else text
