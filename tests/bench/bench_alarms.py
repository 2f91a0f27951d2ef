"""Alarms against what really happened: eight pieces in each recorded room over two months, looked at as they come.

The daemon's side is rolling: again and again the readings that have come are stored, forecasts are made of what is
known then, alarms are judged and messages sent. The truth is known with hindsight: of each piece one film, drawn from
what is believed of its pour, integrated over the recorded air (which for this film is the air, without any sensor's
error).

    hazard   the true film at a moment: below the film-forming limit, in frost, in air too damp, drying from its skin
             inwards; by the same limits as the settings have, of its own temperature, stage and evaporation
    event    a hazard of one piece and kind that lasts over the on-delay while it can still do harm: until the film is
             really touch-dry, damp until it can be handled; less than an hour apart is one
    missed   an event whose kind and piece no message named: foretold for that time, or sent within `IN_TIME` of its
             beginning (or before, of an alarm that still stood)
    false    a message that says "now" of a kind of which no piece, really wet, is or was within the hour in hazard, the
             limits widened by the deadband; of readings that stopped, any: they never do here
    delay    from an event's beginning to the message [min], of those that were not told before it
    foretold how many evening warnings there were, and how many came true
"""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour, log_pours
from curewatch.desk.snapshot.pieces import dryings_of
from curewatch.physics import air, ensemble
from curewatch.physics.air import AirSeries
from curewatch.physics.evaporation import Balance
from curewatch.records import AlarmKind, Notice, Reading, ThicknessSource
from curewatch.store import Store
from curewatch.studio.alarms.conditions import Limits, film_hastes, relative_rate
from curewatch.studio.forecasting.drying import Drying
from tests.shell.month import ROOM, SERIES, Month, record_of, settings

LONG = True
"""Some minutes a room."""

PIECES, DAYS, POURING_DAYS, MEMBERS = 8, 61, 48, 8
STEP, CLOSE_STEP = timedelta(hours=1), timedelta(minutes=10)
"""How often the daemon looks here, and how often where something begins: in life it looks each minute."""
EVERY_S = 600.0
"""How closely the truth is looked at [s]."""
ON_DELAY, APART = timedelta(minutes=10), timedelta(hours=1)
IN_TIME = timedelta(hours=2)
AROUND = timedelta(hours=1)
LIMITS = Limits()
AIRS = (0.1, 0.1, 0.1, 0.3)
"""One piece in four lies in a draught [m/s]."""
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Event:
    """A true hazard of one piece, in which a person should have been told."""

    piece: str
    kind: AlarmKind
    begin: datetime
    end: datetime


@dataclass
class Truth:
    """What really became of the pieces."""

    events: list[Event] = field(default_factory=list)
    so: dict[AlarmKind, list[tuple[datetime, datetime]]] = field(default_factory=dict)
    """When any piece was in hazard by the widened limits."""


def pours_of(name: str, start: datetime) -> list[PourOrder]:
    """Eight pours by hand and eye, at hours at which people pour."""
    chance = random.Random(f"alarms {name}")
    days = sorted(chance.uniform(0, POURING_DAYS) for _ in range(PIECES))
    orders = [
        PourOrder(
            f"Piece {k}",
            ROOM,
            start.replace(hour=0, minute=0) + timedelta(days=int(day) + 1, hours=chance.uniform(8, 20)),
            chance.uniform(0.6, 1.6) * 1e-3,
            ThicknessSource.GAUGE,
            air_speed_m_s=AIRS[k % len(AIRS)],
        )
        for k, day in enumerate(days, 1)
    ]
    return sorted(orders, key=lambda order: order.at)


def truth_of(record: Sequence[Reading], dryings: Sequence[Drying], until: datetime) -> Truth:
    """The true films, drawn once by the pieces' names, in the recorded air."""
    found = Truth()
    columns = np.array([(one.at.timestamp(), one.temp_c, one.rh_pct) for one in record], dtype=float).T
    for drying in dryings:
        poured_s = drying.pour.at.timestamp()
        ages = np.arange(0.0, until.timestamp() - poured_s, EVERY_S)
        z = np.random.default_rng(list(drying.piece.name.encode())).standard_normal((1, len(ensemble.SPREADS)))
        for exact in ("air_temp", "air_rh"):
            z[:, ensemble.SPREADS.index(exact)] = 0.0
        series = AirSeries.from_celsius([(columns[0], columns[1], columns[2])], poured_s)
        run = ensemble.run([drying.pouring], z, series, float(ages[-1]), sample_at=ages)
        _add(found, drying, run, ages, columns)
    return found


def _add(found: Truth, drying: Drying, run: ensemble.EnsembleRun, ages: Any, columns: Any) -> None:
    times = drying.pour.at.timestamp() + ages
    temp, rh = np.interp(times, columns[0], columns[1]), np.interp(times, columns[0], columns[2])
    _, touch, handle, _ = run.reached_s[:, 0, 0]
    harmed = {AlarmKind.DAMP: ages < handle}
    for wider in (False, True):
        hazards = _hazards(drying, run, temp, rh, wider=wider)
        for kind, on in hazards.items():
            if wider:
                found.so.setdefault(kind, []).extend(_spans(on & (ages < handle), times))
                continue
            for begin, end in _joined(_spans(on & harmed.get(kind, ages < touch), times)):
                if end - begin > ON_DELAY:
                    found.events.append(Event(drying.piece.name, kind, begin, end))


def _hazards(drying: Drying, run: ensemble.EnsembleRun, temp: Any, rh: Any, *, wider: bool) -> dict[AlarmKind, Flags]:
    """Moment by moment, what the true film is in; `wider`: by limits moved out by the deadband."""
    film = run.samples["film_temperature"][:, 0, 0]
    rate = run.samples["rate"][:, 0, 0]
    side, h_back = (np.full_like(film, x) for x in (drying.pouring.side, drying.pouring.h_back))
    haste = film_hastes(Balance(film, rate, rate, rate), np.full_like(film, run.solids_m(0)[0]), side, h_back, LIMITS)
    c, pct, share = (LIMITS.deadband_c, LIMITS.deadband_rh_pct, 1.2) if wider else (0.0, 0.0, 1.0)
    slow = relative_rate(temp, rh)
    return {
        AlarmKind.COLD: film - air.ZERO_C < LIMITS.cold_mfft_c + c,
        AlarmKind.FROST: temp <= LIMITS.frost_c + c,
        AlarmKind.DAMP: (rh > LIMITS.damp_rh_pct - pct) | (slow < LIMITS.damp_rate_fraction * share),
        AlarmKind.TOO_FAST: haste > 1.0 / share,
    }


def _spans(on: Flags, times: Any) -> list[tuple[datetime, datetime]]:
    """From the first to the last moment of each run of true flags."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    moments = [datetime.fromtimestamp(float(at), UTC) for at in times]
    return [(moments[a], moments[b - 1]) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _joined(spans: list[tuple[datetime, datetime]]) -> list[tuple[datetime, datetime]]:
    """As one, where less than `APART` lies between."""
    found: list[tuple[datetime, datetime]] = []
    for begin, end in spans:
        if found and begin - found[-1][1] < APART:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found


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


def _is_false(told: Told, truth: Truth) -> bool:
    at = datetime.fromisoformat(told.notice.data["at"])
    return not any(
        begin - AROUND <= at <= end + AROUND for kind in told.kinds for begin, end in truth.so.get(AlarmKind(kind), ())
    )


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
    false = [one for one in live if _is_false(one, truth)]
    return {
        "name": f"alarms_{name}",
        "value": len(month.post.sent) / DAYS,
        "unit": "messages/day",
        "baseline": 0.7,
        "ratio": None,
        "events": len(truth.events),
        "of": dict(Counter(event.kind.value for event in truth.events)),
        "missed": len(missed),
        "missed_of": [f"{one.piece} {one.kind} {one.begin:%d %b %H:%M}-{one.end:%d %b %H:%M}" for one in missed[:6]],
        "alarms": len(live),
        "false": len(false),
        "false_pct": round(100 * len(false) / max(1, len(live)), 1),
        "false_of": [one.notice.key for one in false[:6]],
        "delay_min": round(median(delays), 1) if delays else None,
        "foretold": len(ahead),
        "came_true": sum(_came(one, truth) for one in ahead),
        "notices": dict(Counter(notice.kind for _, notice in month.post.sent)),
    }


def lines() -> Iterator[Mapping[str, Any]]:
    for series in SERIES:
        yield line_of(series)


def line_of(series: Path) -> Mapping[str, Any]:
    record = record_of(series)
    end = begin_of(record) + timedelta(days=DAYS)
    record, pours = [one for one in record if one.at <= end], pours_of(series.stem, record[0].at)
    with (
        tempfile.TemporaryDirectory(prefix="curewatch-bench-") as folder,
        Store.open(Path(folder) / "truth.sqlite") as leisure,
        Store.open(Path(folder) / "studio.sqlite") as store,
    ):
        truth = truth_of(record, dryings_of_pours(pours, end, leisure), end)
        return measured(series.stem, replay(record, pours, truth, store), truth)
