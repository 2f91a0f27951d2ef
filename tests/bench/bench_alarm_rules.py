"""The conditions of the alarms by themselves against what really happened, in many rooms: seconds each, not minutes.

As `bench_alarms.py`, without forecasts, messages and people: each alarm lives through a room's record with the dates of
the believed films over that very air. What is past by those is past in a forecast too, so when an alarm begins and ends
is what it would be; what is told of it, in which message and when, is for the other. Rules are tried here.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import AirSeries
from curewatch.records import AlarmKind, Forecast, Milestone, MilestoneKind, Reading
from curewatch.store import Store
from curewatch.studio.air.climate import climate_of
from curewatch.studio.alarms import conditions, lifecycle
from curewatch.studio.alarms.conditions import OF_THE_AIR, OccupiedRoom
from curewatch.studio.forecasting.drying import Drying
from tests.bench.bench_alarms import EVEN, IN_TIME, begin_of, dryings_of_pours
from tests.bench.true_films import (
    APART,
    AROUND,
    BELIEVED,
    DAYS,
    EVERY_S,
    KINDS,
    LIMITS,
    Truth,
    pours_of,
    simulated,
    truth_of,
)
from tests.shell.month import ROOM, SERIES, record_of

LONG = True
"""Some seconds a room."""
SEEDS = (1, 2, 3)
Span = tuple[datetime, datetime]


def lines(most: int = len(SERIES) + len(KINDS) * len(SEEDS)) -> Iterator[Mapping[str, Any]]:
    for series in SERIES[:most]:
        yield line_of(series.stem, record_of(series))
    names = [f"{kind} {seed}" for seed in SEEDS for kind in KINDS]
    for name in names[: max(0, most - len(SERIES))]:
        yield line_of(name, simulated(name))


def line_of(name: str, record: list[Reading]) -> Mapping[str, Any]:
    end = begin_of(record) + timedelta(days=DAYS)
    record = [one for one in record if one.at <= end]
    with tempfile.TemporaryDirectory() as folder, Store.open(Path(folder) / "studio.sqlite") as store:
        dryings = dryings_of_pours(pours_of(name, record[0].at), end, store)
    truth, lived = truth_of(record, dryings, end), lived_through(record, dryings, end)
    false = {kind: [s for s in spans if not _is_so(truth, kind, s[0])] for kind, spans in lived.items()}
    raised = [(kind, begin) for kind, spans in lived.items() for begin, _ in spans]
    missed = [
        event
        for event in truth.events
        if not any(b <= event.begin + IN_TIME and e >= event.begin - APART for b, e in lived[event.kind])
    ]
    return {
        "name": f"alarm_rules_{name}",
        "value": len(raised) / DAYS,
        "unit": "alarms/day",
        "baseline": None,
        "ratio": None,
        "events": len(truth.events),
        "missed": len(missed),
        "missed_knowable": sum(one.odds >= EVEN for one in missed),
        "missed_of": [f"{one.piece} {one.kind} {one.begin:%d %b %H:%M}, odds {one.odds:.2f}" for one in missed[:6]],
        "alarms": len(raised),
        "false": sum(map(len, false.values())),
        "false_by_the_odds": round(sum(1.0 - truth.likely(kind, at) for kind, at in raised), 1),
        "false_of": {kind.value: len(some) for kind, some in false.items() if some},
    }


def _is_so(truth: Truth, kind: AlarmKind, at: datetime) -> bool:
    return any(begin - AROUND <= at <= end + AROUND for begin, end in truth.so.get(kind, ()))


def lived_through(record: Sequence[Reading], dryings: Sequence[Drying], end: datetime) -> dict[AlarmKind, list[Span]]:
    """When each alarm of the room's air stood."""
    columns = np.array([(one.at.timestamp(), one.temp_c, one.rh_pct) for one in record], dtype=float).T
    forecasts = {one.piece.id: _forecast(one, columns, end) for one in dryings}
    room = OccupiedRoom(ROOM, tuple(dryings), forecasts, climate_of(*columns), has_sensor=True)
    first = min(one.pour.at for one in dryings)
    times = np.arange(first.timestamp(), end.timestamp(), EVERY_S)
    moments = [datetime.fromtimestamp(float(at), UTC) for at in times]
    found: dict[AlarmKind, list[Span]] = {kind: [] for kind in OF_THE_AIR}
    for kind, codes in conditions.codes(room, times, LIMITS).items():
        alarm = lifecycle.fresh(kind, ROOM, first - timedelta(seconds=1))
        for at, code in zip(moments, codes.tolist(), strict=True):
            alarm, effect = lifecycle.step(alarm, code, at, LIMITS)
            if effect is lifecycle.Effect.RAISED:
                found[kind].append((at, at))
            elif alarm.is_active:
                found[kind][-1] = (found[kind][-1][0], at)
    return found


def _forecast(drying: Drying, columns: Any, end: datetime) -> Forecast:
    """The dates of the believed films over the record."""
    poured = drying.pour.at
    series = AirSeries.from_celsius([(columns[0], columns[1], columns[2])], poured.timestamp())
    run = ensemble.run([drying.pouring], ensemble.design(BELIEVED), series, (end - poured).total_seconds())
    milestones = []
    for kind, reached in zip(MilestoneKind, np.sort(run.reached_s[:, 0], axis=1), strict=True):
        early, even, safe = (reached[int(np.ceil(q * BELIEVED)) - 1] for q in ensemble.QUANTILES)
        dates = [poured + timedelta(seconds=float(s)) if np.isfinite(s) else None for s in (early, even, safe)]
        milestones.append(
            Milestone(
                kind=kind,
                early_at=dates[0],
                worth_checking_at=dates[1],
                safe_at=dates[2],
                reason=None if dates[2] else "not within the record",
            )
        )
    return Forecast(
        piece_id=drying.piece.id, made_at=poured, model_version="", fingerprint="", milestones=tuple(milestones)
    )
