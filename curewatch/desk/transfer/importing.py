"""Everything into an empty store, as `exporting.as_json` or `exporting.write_tables` gave it."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, TypeVar

from pydantic import ValidationError

from curewatch.desk.desk import Desk, mark_changed
from curewatch.language import phrase
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
"""Decades of a school's pieces, and forty sensors' readings of a year."""
AT_A_TIME, FACTS_AT_A_TIME = 5000, 100
"""Readings, and other facts, that are held at a time on their way into the store."""
R = TypeVar("R", bound=Record)
T = TypeVar("T")


@dataclass(frozen=True)
class ExportedFacts:
    """What an export tells, read and checked one by one, but not yet against each other."""

    records: Mapping[str, Iterable[Record]]
    """By kind, in the order they go in; each is gone through once."""
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
    counts: Counter[str] = Counter()
    pictures: set[str] = set()
    try:
        with desk.store.write() as tx:
            _refuse_facts(tx)
            for kind, some in facts.records.items():
                counts[kind] = 0
                for records in _batches(counted(some, kind, MOST_OF_A_KIND), FACTS_AT_A_TIME):
                    tx.import_facts(kind, records, first=counts[kind])
                    counts[kind] += len(records)
                    pictures.update(photo.sha256 for photo in records if isinstance(photo, Photo))
            counts["readings"] = 0
            for readings in _batches(counted(facts.readings, "readings", MOST_READINGS), AT_A_TIME):
                tx.add_readings(readings)
                counts["readings"] += len(readings)
            _keep_pictures(desk, facts, pictures)
            mark_changed(tx)
    except RowRefused as error:
        raise _refused(error, facts) from error
    except (FactRefused, UnicodeError) as error:
        raise InputError(
            Field.FILE, "readings", phrase("what agrees with the rest ({error})", error=str(error))
        ) from error
    return dict(counts)


def _batches(some: Iterable[T], most: int) -> Iterator[list[T]]:
    left = iter(some)
    while batch := list(itertools.islice(left, most)):
        yield batch


def require_empty(desk: Desk) -> None:
    """InputError where this store could take no export in: asked before anything of one is read."""
    with desk.store.read() as tx:
        _refuse_facts(tx)


def _refuse_facts(tx: Transaction) -> None:
    if tx.holds_anything():
        wanted = phrase("an empty store to take it in; this one holds facts (see {store})", store=Field.STORE)
        raise InputError(Field.FILE, "an export", wanted)


def counted(some: Iterable[T], kind: str, most: int) -> Iterator[T]:
    """The same; InputError once there are more than `most`."""
    for number, one in enumerate(some):
        if number == most:
            raise InputError(
                Field.FILE, f"more than {most} {kind}", phrase("at most {most} of {kind}", most=most, kind=kind)
            )
        yield one


def _keep_pictures(desk: Desk, facts: ExportedFacts, names: Iterable[str]) -> None:
    """The files of photos. A name that is not what its file holds, or a file that is no JPEG, goes nowhere."""
    for name in sorted(names):
        jpeg = facts.picture(name)
        if jpeg is None:
            continue
        sound = jpeg.startswith(_JPEG) and len(jpeg) <= PHOTO_MOST_BYTES and sha256(jpeg).hexdigest() == name
        if not sound:
            raise InputError(Field.FILE, name, phrase("a photo as it was exported"))
        desk.store.photos.put(jpeg)


_JPEG = bytes((0xFF, 0xD8, 0xFF))


def _refused(error: RowRefused, facts: ExportedFacts) -> InputError:
    if error.dangling is None:
        where = facts.where(error.kind, error.index, None)
        return InputError(Field.FILE, where, phrase("what agrees with the rest ({why})", why=error.why))
    column, wanted, given = error.dangling
    return InputError(
        Field.FILE,
        f"{facts.where(error.kind, error.index, column)} = {given}",
        phrase("one of {wanted}", wanted=wanted),
    )


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
