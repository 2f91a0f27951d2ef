"""Everything into an empty store, as `exporting.everything` or `exporting.write_tables` gave it."""

from __future__ import annotations

import itertools
from base64 import b64decode
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from typing import Any, TypeVar

from pydantic import ValidationError

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.transfer.exporting import KINDS, SCHEMA
from curewatch.records import Notice, Reading, Record
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import PHOTO_MOST_BYTES, Photo
from curewatch.store import FactRefused, RowRefused, Transaction

SINCE_LATER = frozenset(
    {
        "tilts",
        "paints",
        "photos",
        "photo_files",
        "promises",
        "forgettings",
        "sensor_trusts",
        "corrections",
        "changes",
        "alarms",
        "alarm_events",
        "notices",
    }
)
"""Kinds that an export may lack: they were not told of from the beginning."""
MOST_OF_A_KIND, MOST_READINGS = 100_000, 50_000_000
"""What is held while it is checked, so that nobody's file can take all memory: decades of a school's pieces; and what
passes through, forty sensors' readings of a year."""
AT_A_TIME = 5000
"""Readings that are held at a time on their way into the store."""
R = TypeVar("R", bound=Record)
T = TypeVar("T")


@dataclass(frozen=True)
class ExportedFacts:
    """What an export tells, read and checked one by one, but not yet against each other."""

    records: Mapping[str, Sequence[Record]]
    """By kind, in the order they go in."""
    readings: Iterable[Reading]
    """Gone through once; what is wrong with one may show only then."""
    where: Callable[[str, int, str | None], str]
    """How to say to a person where a record of a kind stands, or one field of it."""
    picture: Callable[[str], bytes | None] = lambda name: None
    """What a photo's file holds, by its name; None: it is not there."""


def import_facts(desk: Desk, facts: ExportedFacts) -> dict[str, int]:
    """Make the studio that `facts` tell of in this store, which must be empty; how much of each kind went in.

    Into an empty one only: two studios' facts would contradict each other by name. All in one transaction. Raises
    InputError, and nothing is written, where the store holds anything, or `facts` contradict themselves; and whatever
    going through the readings raises. Forecasts are made at the next look; nobody is told again what the old store's
    notices say.
    """
    count = 0
    try:
        with desk.store.write() as tx:
            _refuse_facts(tx)
            for kind, some in facts.records.items():
                tx.import_facts(kind, some)
            readings = counted(facts.readings, "readings", MOST_READINGS)
            while batch := list(itertools.islice(readings, AT_A_TIME)):
                tx.add_readings(batch)
                count += len(batch)
            _keep_pictures(desk, facts)
            mark_changed(tx)
    except RowRefused as error:
        raise _refused(error, facts) from error
    except (FactRefused, UnicodeError) as error:
        raise InputError(Field.FILE, "readings", f"what agrees with the rest ({error})") from error
    return {**{kind: len(some) for kind, some in facts.records.items()}, "readings": count}


def require_empty(desk: Desk) -> None:
    """InputError where this store could take no export in: asked before anything of one is read."""
    with desk.store.read() as tx:
        _refuse_facts(tx)


def _refuse_facts(tx: Transaction) -> None:
    if tx.holds_anything():
        wanted = ("an empty store to take it in; this one holds facts (see ", Field.STORE, ")")
        raise InputError(Field.FILE, "an export", wanted)


def counted(some: Iterable[T], kind: str, most: int) -> Iterator[T]:
    """The same; InputError once there are more than `most`."""
    for number, one in enumerate(some):
        if number == most:
            raise InputError(Field.FILE, f"more than {most} {kind}", f"at most {most} of {kind}")
        yield one


def _keep_pictures(desk: Desk, facts: ExportedFacts) -> None:
    """The files of the photos. A name that is not what its file holds, or a file that is no JPEG, goes nowhere."""
    for name in sorted({photo.sha256 for photo in facts.records.get("photos", ()) if isinstance(photo, Photo)}):
        jpeg = facts.picture(name)
        if jpeg is None:
            continue
        sound = jpeg.startswith(_JPEG) and len(jpeg) <= PHOTO_MOST_BYTES and sha256(jpeg).hexdigest() == name
        if not sound:
            raise InputError(Field.FILE, name, "a photo as it was exported")
        desk.store.photos.put(jpeg)


_JPEG = bytes((0xFF, 0xD8, 0xFF))


def _refused(error: RowRefused, facts: ExportedFacts) -> InputError:
    if error.dangling is None:
        where = facts.where(error.kind, error.index, None)
        return InputError(Field.FILE, where, f"what agrees with the rest ({error.why})")
    column, wanted = error.dangling
    given = getattr(facts.records[error.kind][error.index], column)
    return InputError(Field.FILE, f"{facts.where(error.kind, error.index, column)} = {given}", f"one of {wanted}")


def facts_from_json(data: Mapping[str, Any]) -> ExportedFacts:
    """What an export in JSON tells. InputError where it is none of ours."""
    records = {kind: _read(kind, KINDS[kind][0], data) for kind in _checked(data)}
    return ExportedFacts(records, _readings(data["readings"]), _where, partial(_picture, data.get("photo_files", {})))


def _picture(files: Any, name: str) -> bytes | None:
    text = files.get(name) if isinstance(files, Mapping) else None
    try:
        return None if text is None else b64decode(text, validate=True)
    except (TypeError, ValueError):
        raise InputError(Field.FILE, f"photo_files[{name!r}]", "a picture in base64") from None


def _where(kind: str, index: int, column: str | None) -> str:
    return f"{kind}[{index}]" if column is None else f"{kind}[{index}].{column}"


def _checked(data: Mapping[str, Any]) -> list[str]:
    """The kinds that are in it, in the order they go in. InputError where it is no export of ours."""
    if not isinstance(data, Mapping) or data.get("kind") != "export":
        given = data.get("kind") if isinstance(data, Mapping) else type(data).__name__
        raise InputError(Field.FILE, repr(given), "what `curewatch export` printed")
    if data.get("schema") != SCHEMA:
        raise InputError(Field.FILE, f"schema {data.get('schema')!r}", f"schema {SCHEMA}, which this curewatch reads")
    known = {"schema", "kind", "readings", "photo_files", *KINDS}
    if strange := sorted(set(data) - known):
        raise InputError(Field.FILE, strange[0], f"only {', '.join(KINDS)} and readings")
    if missing := sorted((known - SINCE_LATER) - set(data)):
        raise InputError(Field.FILE, f"no {missing[0]}", "a whole export; this one lacks a part")
    return [kind for kind in KINDS if kind in data]


def _read(kind: str, record: type[Record], data: Mapping[str, Any]) -> list[Record]:
    some = counted(_listed(data[kind], kind), kind, MOST_OF_A_KIND)
    return [_one(record, given, f"{kind}[{index}]") for index, given in enumerate(some)]


def _readings(given: Any) -> Iterator[Reading]:
    if not isinstance(given, Mapping):
        raise InputError(Field.FILE, "readings", "readings by room")
    for room, some in given.items():
        for index, one in enumerate(_listed(some, f"readings[{room!r}]")):
            reading = _one(Reading, one, f"readings[{room!r}][{index}]")
            if reading.room != room:
                raise InputError(
                    Field.FILE, f"readings[{room!r}][{index}] of {reading.room!r}", f"a reading of {room!r}"
                )
            yield reading


def _listed(given: Any, where: str) -> list[Any]:
    if not isinstance(given, list):
        raise InputError(Field.FILE, where, f"a list at {where}")
    return given


def _one(record: type[R], given: Any, where: str) -> R:
    try:
        return made(record, given)
    except InvalidRecord as error:
        at = f"{where}.{error.place}" if error.place else where
        raise InputError(Field.FILE, f"{at} = {str(error.given)[:60]}", error.allowed) from None


class InvalidRecord(ValueError):
    """Values that make no record: the `place` of the first that is wrong ("" where it is several), it, what may be."""

    def __init__(self, place: str, given: Any, allowed: str) -> None:
        super().__init__(place, given, allowed)
        self.place, self.given, self.allowed = place, given, allowed


def made(record: type[R], values: Any) -> R:
    """The record of these values. Raises InvalidRecord."""
    try:
        found = record.model_validate(values)
    except OverflowError:  # of a time whose offset leads out of the calendar
        raise InvalidRecord("", values, "times between the years 1 and 9999") from None
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        allowed = first["msg"].removeprefix("Input should be ").removeprefix("Value error, ")
        raise InvalidRecord(
            ".".join(map(str, first["loc"])), first["input"], allowed[:1].lower() + allowed[1:]
        ) from None
    if isinstance(found, Notice):
        try:
            found.model_dump(mode="json")
        except ValueError:  # else it would go in, and never come out again
            raise InvalidRecord("data", "data in data in data…", "data of less than 250 levels") from None
    return found
