"""Everything into an empty store, as `taking_out.everything` gave it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any, TypeVar

from pydantic import ValidationError

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import FactError
from curewatch.desk.taking_out import KINDS, SCHEMA
from curewatch.records import Reading, Record
from curewatch.store import FactRefused

_SINCE_LATER = {"tilts", "paints", "forgettings", "alarms", "alarm_events", "notices"}
"""Kinds that an export may lack: they were not told of from the beginning."""
_FIELD = "FILE"
R = TypeVar("R", bound=Record)


def take_in(desk: Desk, data: Mapping[str, Any], now: datetime) -> dict[str, int]:
    """Make the studio that `data` tells of in this store, which must be empty; how much of each kind went in.

    Into an empty one only: two studios' facts would contradict each other by name. Raises FactError, and nothing is
    written, where the store holds anything, where `data` is no such export, or contradicts itself. Forecasts are made
    at the next look; nobody is told again what the old store's notices say.
    """
    records = {kind: _read(kind, KINDS[kind][0], data) for kind in _checked(data)}
    readings = _readings(data["readings"])
    try:
        with desk.store.write() as tx:
            if tx.holds_anything():
                raise FactError(_FIELD, "an export", "an empty store to take it in; this one holds facts (see --store)")
            for kind, some in records.items():
                tx.take_in(kind, some)
            tx.add_readings(readings)
            mark_changed(tx)
    except FactRefused as error:
        raise FactError(_FIELD, str(error), "an export whose parts agree with each other") from error
    desk.refresh(now)
    return {**{kind: len(some) for kind, some in records.items()}, "readings": len(readings)}


def _checked(data: Mapping[str, Any]) -> list[str]:
    """The kinds that are in it, in the order they go in. FactError where it is no export of ours."""
    if not isinstance(data, Mapping) or data.get("kind") != "export":
        given = data.get("kind") if isinstance(data, Mapping) else type(data).__name__
        raise FactError(_FIELD, repr(given), "what `curewatch export` printed")
    if data.get("schema") != SCHEMA:
        raise FactError(_FIELD, f"schema {data.get('schema')!r}", f"schema {SCHEMA}, which this curewatch reads")
    known = {"schema", "kind", "readings", *KINDS}
    if strange := sorted(set(data) - known):
        raise FactError(_FIELD, strange[0], f"only {', '.join(KINDS)} and readings")
    if missing := sorted((known - _SINCE_LATER) - set(data)):
        raise FactError(_FIELD, f"no {missing[0]}", "a whole export; this one lacks a part")
    return [kind for kind in KINDS if kind in data]


def _read(kind: str, record: type[Record], data: Mapping[str, Any]) -> list[Record]:
    return [_one(record, given, f"{kind}[{index}]") for index, given in enumerate(_listed(data[kind], kind))]


def _readings(given: Any) -> list[Reading]:
    if not isinstance(given, Mapping):
        raise FactError(_FIELD, "readings", "readings by room")
    found = []
    for room, some in given.items():
        for index, one in enumerate(_listed(some, f"readings[{room!r}]")):
            reading = _one(Reading, one, f"readings[{room!r}][{index}]")
            if reading.room != room:
                raise FactError(_FIELD, f"readings[{room!r}][{index}] of {reading.room!r}", f"a reading of {room!r}")
            found.append(reading)
    return found


def _listed(given: Any, where: str) -> list[Any]:
    if not isinstance(given, list):
        raise FactError(_FIELD, where, f"a list at {where}")
    return given


def _one(record: type[R], given: Any, where: str) -> R:
    try:
        return record.model_validate(given)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        at = f"{where}.{place}" if place else where
        raise FactError(_FIELD, f"{at} = {str(first['input'])[:60]}", first["msg"].lower()) from None
