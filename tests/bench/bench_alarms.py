"""Alarms against what really happened: eight pieces in each recorded room over two months, looked at as they come.

The daemon's side is rolling: again and again the readings that have come are stored, forecasts are made of what is
known then, alarms are judged and messages sent. The truth is known with hindsight (`true_films.py`, where hazards,
events and odds are said). Three recorded rooms, and then simulated ones (`--most N`: so many rooms in all).

    missed   an event whose kind and piece no message named: foretold for that time, or sent within `IN_TIME` of its
             beginning (or before, of an alarm that still stood)
    missed_knowable
             those of them that were likelier than not by what was told of the pour and read in the room; the others are
             by what nobody told (how fast a draught is, mostly), of which no alarm can be asked
    false    a message that says "now" of a kind of which no piece, really wet, is or was within the hour in hazard, the
             limits widened by the deadband; of readings that stopped, any: they never do here
    false_by_the_odds
             how many of the messages had to be false: an alarm whose odds of harm are p is false at a rate of 1 - p
    delay    from an event's beginning to the message [min], of those that were not told before it
    foretold how many evening warnings there were, and how many came true
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour, log_pours
from curewatch.desk.snapshot.pieces import dryings_of
from curewatch.records import AlarmKind, Notice, Reading
from curewatch.store import Store
from curewatch.studio.forecasting.drying import Drying
from tests.bench.true_films import APART, AROUND, DAYS, Event, Truth, pours_of, simulated, truth_of
from tests.shell.month import SERIES, Month, record_of, settings

LONG = True
"""Some minutes a room."""

MEMBERS = 32
STEP, CLOSE_STEP = timedelta(hours=1), timedelta(minutes=10)
"""How often the daemon looks here, and how often where something begins: in life it looks each minute."""
IN_TIME = timedelta(hours=2)
EVEN = 0.5
SIMULATED = ("cellar 11", "draughty 11", "heated 11", "unheated 11", "damp hall 11", "sunny 11")
"""Of the rooms of `bench_alarm_rules.py` none."""


# --- What was told ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Told:
    """One notice as a person got it."""

    at: datetime
    notice: Notice
    until: datetime
    """When what it says was told to be over, or the time it was foretold for."""

    @property
    def kinds(self) -> set[str]:
        return set(self.notice.data.get("alarms", [self.notice.data.get("alarm")]))

    def covers(self, event: Event) -> bool:
        if event.kind not in self.kinds or event.piece not in self.notice.data.get("names", ()):
            return False
        if self.notice.kind == "foreseen":
            begins = datetime.fromisoformat(self.notice.data["begins_at"])
            return self.at <= event.begin + IN_TIME and begins - AROUND <= event.end and event.begin <= self.until
        return self.at <= event.begin + IN_TIME and self.until >= event.begin - APART


def told_in(month: Month, end: datetime) -> list[Told]:
    sent, notices = month.post.told_at(), sorted(month.notices(), key=lambda one: one.created_at)
    found = []
    for notice in notices:
        if notice.key not in sent or notice.kind not in ("alarm", "reminder", "foreseen"):
            continue
        until = end
        if notice.kind == "foreseen":
            until = datetime.fromisoformat(notice.data["ends_at"]) + AROUND
        elif notice.data.get("past"):
            continue
        else:
            kinds = set(notice.data["alarms"])
            overs = [
                one.created_at
                for one in notices
                if one.kind == "alarm_over" and one.created_at > notice.created_at and kinds & set(one.data["alarms"])
            ]
            until = min(overs, default=end)
        found.append(Told(sent[notice.key], notice, until))
    return found


def is_false(told: Told, truth: Truth) -> bool:
    at = datetime.fromisoformat(told.notice.data["at"])
    return not any(
        begin - AROUND <= at <= end + AROUND for kind in told.kinds for begin, end in truth.so.get(AlarmKind(kind), ())
    )


def _likely(told: Told, truth: Truth) -> float:
    """The odds of what it says, by all that could be known."""
    at = datetime.fromisoformat(told.notice.data["at"])
    return max(truth.likely(AlarmKind(kind), at) for kind in told.kinds)


def _came(told: Told, truth: Truth) -> bool:
    begins, kind = datetime.fromisoformat(told.notice.data["begins_at"]), AlarmKind(told.notice.data["alarm"])
    return any(begin <= told.until and end >= begins - AROUND for begin, end in truth.so.get(kind, ()))


# --- The two months -----------------------------------------------------------------------------------------------


def replay(record: list[Reading], pours: Sequence[PourOrder], truth: Truth, store: Store) -> Month:
    """Two months as the daemon lives them."""
    start, waiting, index = begin_of(record), list(pours), 0
    month, end = Month(store, start, members=MEMBERS), start + timedelta(days=DAYS)
    while month.clock.now() < end:
        step = CLOSE_STEP if _is_close(month.clock.now(), truth) else STEP
        until = month.clock.now() + step
        while waiting and waiting[0].at <= until:
            log_pour(month.desk, waiting.pop(0), until)
        first = index
        while index < len(record) and record[index].at <= until:
            index += 1
        month.step(record[first:index], step)
    return month


def begin_of(record: Sequence[Reading]) -> datetime:
    return record[0].at.replace(minute=0, second=0)


def _is_close(now: datetime, truth: Truth) -> bool:
    """Whether a hazard begins about now."""
    return any(now - IN_TIME < event.begin <= now + STEP for event in truth.events)


def dryings_of_pours(pours: Sequence[PourOrder], until: datetime, store: Store) -> list[Drying]:
    """The pours, logged at leisure."""
    desk = Desk(store, settings())
    log_pours(desk, pours, until)
    with store.read() as tx:
        return list(dryings_of(tx, tx.pieces()))


def measured(name: str, month: Month, truth: Truth) -> Mapping[str, Any]:
    """A room's line."""
    end = month.clock.now()
    told = told_in(month, end)
    live = [one for one in told if one.notice.kind != "foreseen"]
    ahead = [one for one in told if one.notice.kind == "foreseen"]
    delays, missed = [], []
    for event in truth.events:
        first = min((one.at for one in told if one.covers(event)), default=None)
        if first is None:
            missed.append(event)
        elif first > event.begin:
            delays.append((first - event.begin).total_seconds() / 60)
    false = [one for one in live if is_false(one, truth)]
    return {
        "name": f"alarms_{name}",
        "value": len(month.post.sent) / DAYS,
        "unit": "messages/day",
        "baseline": 0.7,
        "ratio": None,
        "events": len(truth.events),
        "of": dict(Counter(event.kind.value for event in truth.events)),
        "missed": len(missed),
        "missed_knowable": sum(one.odds >= EVEN for one in missed),
        "missed_of": [
            f"{one.piece} {one.kind} {one.begin:%d %b %H:%M}-{one.end:%d %b %H:%M}, odds {one.odds:.2f}"
            for one in missed[:6]
        ],
        "alarms": len(live),
        "false": len(false),
        "false_pct": round(100 * len(false) / max(1, len(live)), 1),
        "false_by_the_odds": round(sum(1.0 - _likely(one, truth) for one in live), 1),
        "false_of": [one.notice.key for one in false[:6]],
        "delay_min": round(median(delays), 1) if delays else None,
        "foretold": len(ahead),
        "came_true": sum(_came(one, truth) for one in ahead),
        "notices": dict(Counter(notice.kind for _, notice in month.post.sent)),
    }


def lines(most: int = len(SERIES) + len(SIMULATED)) -> Iterator[Mapping[str, Any]]:
    for series in SERIES[:most]:
        yield line_of(series.stem, record_of(series))
    for name in SIMULATED[: max(0, most - len(SERIES))]:
        yield line_of(name, simulated(name))


def line_of(name: str, record: list[Reading]) -> Mapping[str, Any]:
    end = begin_of(record) + timedelta(days=DAYS)
    record, pours = [one for one in record if one.at <= end], pours_of(name, record[0].at)
    with (
        tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder,
        Store.open(Path(folder) / "truth.sqlite") as leisure,
        Store.open(Path(folder) / "studio.sqlite") as store,
    ):
        truth = truth_of(record, dryings_of_pours(pours, end, leisure), end)
        return measured(name, replay(record, pours, truth, store), truth)
