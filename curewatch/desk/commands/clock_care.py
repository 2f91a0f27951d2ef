"""The clock that everything is dated by: what is noted of it between runs, a person's word for it, and readings that
were dated by one that ran ahead."""

from __future__ import annotations

import json
from contextlib import suppress
from datetime import datetime, timedelta

from curewatch.clock import LEAP_S, Leap, WatchedClock
from curewatch.desk.desk import Desk, mark_air_changed
from curewatch.language import Span, Value, Words, joined, phrase
from curewatch.store import Store

CLOCK_LINE = "clock_line"
"""The store's note of the line that was believed last, and of which start of the machine: JSON."""
NOTED_WITHIN_S = 60.0
"""A line that has crept by less than this [s] is not noted anew."""


def take_up(store: Store, clock: WatchedClock) -> None:
    """Believe what was noted in this start of the machine, by an earlier run or by a person's word."""
    noted = _noted(store, clock)
    if noted is not None and noted != clock.line:
        clock.trust(noted)


def note(store: Store, clock: WatchedClock) -> None:
    """Have the next run, and every command, know which line is believed."""
    line, noted, boot = clock.line, _noted(store, clock), clock.boot_id()
    if line is None or boot is None or (noted and abs((noted - line).total_seconds()) < NOTED_WITHIN_S):
        return
    with store.write() as tx:
        tx.set_meta(CLOCK_LINE, json.dumps({"boot": boot, "line": line.isoformat()}))


def confirm(store: Store, clock: WatchedClock) -> None:
    """A person says that what the machine's clock shows is right."""
    clock.confirm()
    note(store, clock)


def _noted(store: Store, clock: WatchedClock) -> datetime | None:
    with store.read() as tx:
        found = json.loads(tx.get_meta(CLOCK_LINE) or "{}")
    with suppress(KeyError, TypeError, ValueError):
        return datetime.fromisoformat(found["line"]) if found["boot"] == clock.boot_id() is not None else None
    return None


def redate(desk: Desk, since: datetime, ahead: timedelta, now: datetime) -> int:
    """The clock was ahead by so much until now, from when it showed `since`: readings that came meanwhile and bear its
    time get their own; how many."""
    if ahead.total_seconds() <= LEAP_S:
        return 0
    count = 0
    with desk.store.write() as tx:
        for room in tx.rooms():
            came = tx.readings(room.name, since=since - ahead)
            late = [one for one in came if one.received_at >= since and one.received_at - one.at < ahead / 2]
            for one in late:
                tx.forget_reading(room.name, one.source, one.at)
            tx.add_readings(
                one.model_copy(update={"at": one.at - ahead, "received_at": one.received_at - ahead}) for one in late
            )
            if late:
                mark_air_changed(tx, room.name, min(since, now) - ahead)
            count += len(late)
    return count


def leapt(leap: Leap) -> Words:
    """What is said of a clock that is held, wherever it is said."""
    values: dict[str, Value] = {"span": Span(abs(leap.shown - leap.carried)), "time": f"{leap.shown:%Y-%m-%d %H:%M}"}
    if leap.shown > leap.carried:
        said = phrase("This machine's clock has leapt {span} ahead and shows {time} UTC.", **values)
    else:
        said = phrase("This machine's clock has leapt {span} back and shows {time} UTC.", **values)
    return joined(said, HELD)


HELD = phrase(
    "Every prediction is held until it is right again or confirmed, and nothing can be logged. Readings are kept and "
    "get their times then."
)
