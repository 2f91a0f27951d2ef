"""When each piece will be touch-dry, dry to handle and ready to varnish: the ensemble, run on the facts.

A forecast is a pure function of the pour, its recipe, the air the piece has had, and how far ahead to look. Each member
goes on through its own plausible future of the room; a room of which nothing is foreseen is taken to stay as it was
last read. Equal inputs give an equal fingerprint, and a forecast equal but for `made_at`, whether its members were
integrated from the pour or gone on with from where they were kept (studio/forecasting/batch.py).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

from curewatch.language import phrase
from curewatch.records import Forecast
from curewatch.records.decisions import Checkpoint
from curewatch.studio.air.climate import Air, Climate
from curewatch.studio.forecasting import batch, simulation
from curewatch.studio.forecasting.batch import (
    MODEL_VERSION,
    ForecastResult,
    Task,
    checkpoint_fingerprint,
    checkpoint_time,
)
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.gap_uncertainty import GapUncertainty, gap_uncertainty_of
from curewatch.studio.outlook.scenarios import RoomScenarios

LAPSE = timedelta(hours=1)
"""A forecast is made again at least this often while its piece dries."""
MOVED_C, MOVED_RH_PCT = 0.5, 3.0
"""A room that has moved this far from what a forecast assumed matters, where nothing tells how much."""
STIRRED_C, STIRRED_RH_PCT = 0.2, 1.0
"""One that has moved less cannot move a date by two hundredths before the hour is over."""
DAY = timedelta(days=1)
Each = Callable[[Callable[[Any], Any], Iterable[Any]], Iterator[Any]]
"""Like `map`: how chunks of work are done, one after the other or by several processes."""


def stale(forecast: Forecast | None, drying: Drying, climates: Mapping[str, Climate], now: datetime) -> bool:
    """Whether to make the forecast again: none yet, an hour old, other facts, late readings, a room that has moved."""
    return inputs_changed(forecast, drying, climates, now) or room_changed(
        forecast, drying, climates, now, (MOVED_C, MOVED_RH_PCT)
    )


def inputs_changed(forecast: Forecast | None, drying: Drying, climates: Mapping[str, Climate], now: datetime) -> bool:
    """As `stale`, but for the room that has moved."""
    if forecast is None or not needs_air(forecast, drying, now):
        return forecast is None
    if forecast.model_version != MODEL_VERSION or not forecast.fingerprint.startswith(drying.facts):
        return True
    if not timedelta(0) <= now - forecast.made_at < LAPSE:  # below zero: the clock was set back
        return True
    unread = drying.unread(climates) is not None
    if unread or forecast.data_until is None or forecast.room_temp_c is None or forecast.room_rh_pct is None:
        return unread != (forecast.reason is not None)
    climate = climates[drying.room]
    return climate.settled(drying.pour.at.timestamp(), forecast.data_until.timestamp()) != forecast.readings_used


def room_changed(
    forecast: Forecast | None,
    drying: Drying,
    climates: Mapping[str, Climate],
    now: datetime,
    limits: tuple[float, float] = (STIRRED_C, STIRRED_RH_PCT),
) -> bool:
    """Whether its room has moved by as much as `limits` [°C, %] since the forecast was made."""
    if forecast is None or not needs_air(forecast, drying, now) or drying.unread(climates) is not None:
        return False
    if forecast.room_temp_c is None or forecast.room_rh_pct is None:
        return False
    climate = climates[drying.room]
    return bool(
        abs(climate.temp_c[-1] - forecast.room_temp_c) >= limits[0]
        or abs(climate.rh_pct[-1] - forecast.room_rh_pct) >= limits[1]
    )


def needs_air(forecast: Forecast | None, drying: Drying, now: datetime) -> bool:
    """Whether the piece's air still matters: False once all is settled by what is known of it today."""
    if forecast is None or forecast.model_version != MODEL_VERSION:
        return True
    return not (settled(forecast, now) and forecast.fingerprint.startswith(drying.facts))


def settled(forecast: Forecast, now: datetime) -> bool:
    """Whether every milestone is safe to assume, by air that was read up to then: nothing is left to foresee.

    Air that was only taken to go on may yet come in otherwise, from a sensor that was away or a room typed in late.
    """
    if not forecast.milestones or forecast.data_until is None:
        return False
    dates = [milestone.safe_at for milestone in forecast.milestones]
    return all(at is not None and at <= min(now, forecast.data_until) for at in dates)


def forecasts(
    dryings: Sequence[Drying],
    climates: Mapping[str, Climate],
    now: datetime,
    *,
    members: int,
    days: int,
    known: Mapping[int, Forecast] | None = None,
    futures: Mapping[str, RoomScenarios] | None = None,
    kept: MutableMapping[int, Checkpoint] | None = None,
    each: Each = map,
) -> list[Forecast]:
    """Forecasts of these pieces at `now`; they look `days` ahead of the pour, further if that is past.

    `known`: earlier forecasts by piece; where nothing that goes in has changed since, the old one holds at `now` too.
    `futures`: by room, its air to come, with as many members. `kept`: by piece, states to go on from, where they still
    stand for the facts; they are replaced by those to go on from next time. `each`: as `map`.
    """
    made = {d.piece.id: _without_readings(d, climates, now) for d in dryings}
    todo = []
    for drying, task in _tasks(dryings, climates, now, members, days, futures or {}, kept or {}):
        old = (known or {}).get(drying.piece.id)
        if old is not None and old.fingerprint == task.fingerprint and old.model_version == MODEL_VERSION:
            made[drying.piece.id] = old.model_copy(update={"made_at": now})
        else:
            todo.append(task)
    one: ForecastResult
    for chunk in each(partial(batch.make, now=now), batch.in_chunks(todo)):
        for one in chunk:
            made[one.forecast.piece_id] = one.forecast
            if kept is not None and one.kept is not None:
                kept[one.forecast.piece_id] = one.kept
    return [made[drying.piece.id] for drying in dryings]


def moved(
    dryings: Sequence[Drying],
    climates: Mapping[str, Climate],
    now: datetime,
    *,
    members: int,
    days: int,
    futures: Mapping[str, RoomScenarios],
    kept: Mapping[int, Checkpoint],
) -> set[int]:
    """The pieces whose dates the air of today would move by more than they are worth (batch.MOVES).

    Those of which nothing is kept that still stands for the facts are among them if their rooms have moved.
    """
    tasks = [task for _, task in _tasks(dryings, climates, now, members, days, futures, kept)]
    found = {task.piece_id for task in tasks if task.kept is None}
    going = [task for task in tasks if task.kept is not None]
    step = batch.PIECES * (1 + members)
    for i in range(0, len(going), step):
        found |= batch.moved(going[i : i + step])
    return found


def _tasks(
    dryings: Sequence[Drying],
    climates: Mapping[str, Climate],
    now: datetime,
    members: int,
    days: int,
    futures: Mapping[str, RoomScenarios],
    kept: Mapping[int, Checkpoint],
) -> Iterator[tuple[Drying, Task]]:
    """What the forecasts of the pieces with known air are made from."""
    uncertainties: dict[str | int, GapUncertainty | None] = {}  # one a room, shared like its record
    for drying in dryings:
        if (air := drying.air(climates)) is not None:
            had, key = drying.series(air, climates), drying.air_key
            if key not in uncertainties:
                uncertainties[key] = gap_uncertainty_of(had)
            past = Past(air, had, uncertainties[key])
            ahead = futures.get(drying.room)
            yield drying, _task(drying, past, climates, now, members, days, ahead, kept.get(drying.piece.id))


def task_of(
    drying: Drying, climates: Mapping[str, Climate], now: datetime, members: int, days: int, ahead: RoomScenarios | None
) -> Task | None:
    """What a forecast of the piece from its pour is made from; None where its air is not known."""
    futures = {} if ahead is None else {drying.room: ahead}
    return next((task for _, task in _tasks([drying], climates, now, members, days, futures, {})), None)


@dataclass(frozen=True)
class Past:
    """The air a piece has had."""

    air: Air
    """Since its pour."""
    had: Air
    """The same for the solver (Drying.series)."""
    uncertainty: GapUncertainty | None
    """What is not known of `had`."""


def _task(
    drying: Drying,
    past: Past,
    climates: Mapping[str, Climate],
    now: datetime,
    members: int,
    days: int,
    ahead: RoomScenarios | None,
    kept: Checkpoint | None,
) -> Task:
    air, climate, poured_s = past.air, climates[drying.room], drying.pour.at.timestamp()
    days = max(days, math.ceil((now - drying.pour.at) / DAY) + 1)
    checkpoint_s = checkpoint_time(air, poured_s, climate.newest_s)
    sign = partial(checkpoint_fingerprint, MODEL_VERSION, drying.facts, members, air, past.uncertainty)
    if kept is not None:
        until_s = kept.until.timestamp()
        if checkpoint_s is None or until_s > checkpoint_s or sign(until_s) != kept.fingerprint:
            kept = None
    return Task(
        piece_id=drying.piece.id,
        poured_at=drying.pour.at,
        problem=simulation.DryingProblem(
            drying.pouring,
            poured_s,
            past.had,
            ahead,
            days * 86400.0,
            drying.posterior,
            sample_s=max(poured_s, min(climate.newest_s, float(air[0][-1]))),
            checkpoint_s=checkpoint_s,
            uncertainty=past.uncertainty,
            room=drying.room,
            air_key=drying.air_key,
        ),
        members=members,
        days=days,
        fingerprint=drying.facts + _fingerprint(past, climate, ahead, members, days),
        checkpoint_fingerprint=None if checkpoint_s is None else sign(checkpoint_s),
        kept=kept,
        newest_s=climate.newest_s,
        readings=climate.settled(poured_s, climate.newest_s),
        room_temp_c=float(climate.temp_c[-1]),
        room_rh_pct=float(climate.rh_pct[-1]),
        found=drying.standing(now),
    )


def _fingerprint(past: Past, climate: Climate, ahead: RoomScenarios | None, members: int, days: int) -> str:
    """Hash of all that goes into a forecast beside what was typed: the air, its age and the ensemble."""
    digest = hashlib.sha256(f"{MODEL_VERSION} {members} {days} {climate.newest_s!r}".encode())
    for column in (*past.air, *(() if ahead is None else (ahead.time_s, ahead.temp_c, ahead.rh_pct))):
        digest.update(column.tobytes())
    if past.uncertainty is not None:
        digest.update(past.uncertainty.facts(float(past.air[0][0])))
    return digest.hexdigest()[:16]


def _without_readings(drying: Drying, climates: Mapping[str, Climate], now: datetime) -> Forecast:
    return Forecast(
        piece_id=drying.piece.id,
        made_at=now,
        model_version=MODEL_VERSION,
        fingerprint=drying.facts,
        reason=phrase("no temperature and humidity of {rooms} yet", rooms=drying.unread(climates) or ""),
    )
