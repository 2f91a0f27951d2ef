"""When each piece will be touch-dry, fit to handle and ready for varnish: the ensemble, run on the facts.

A forecast is a pure function of the pour, its recipe, the air the piece has had, and how far ahead to look. Each member
goes on through its own plausible future of the room; a room of which nothing is foreseen is taken to stay as it was
last read. Equal inputs give an equal fingerprint, and a forecast equal but for `made_at`.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C
from curewatch.physics.evaporation import H_BACK
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.series import AirSeries
from curewatch.records import Forecast, Milestone, MilestoneKind, Piece, Pour, Recipe, Stay
from curewatch.studio import marching
from curewatch.studio.climate import Array, Climate, along
from curewatch.studio.future import RoomFuture
from curewatch.studio.knowing import Knowing

MODEL_VERSION = "2"
"""Raised when the same facts would give other dates; every forecast is then made again."""
LAPSE = timedelta(hours=1)
"""A forecast is made again at least this often while its piece dries."""
MOVED_C, MOVED_RH_PCT = 0.5, 3.0
"""A room that has moved this far from what a forecast assumed matters."""
DEFAULT_SIDE_M = 0.25
DAY = timedelta(days=1)
Air = tuple[Array, Array, Array]
"""Time [s since 1970], temperature [°C], relative humidity [%]."""
_REASONS = {
    "too_cold": "not in this room: too cold, the film stays below its film-forming temperature",
    "too_damp": "not in this room: too damp, the film's water stays above the limit",
    "not_yet": "not within {days} days",
}


@dataclass(frozen=True)
class Drying:
    """One piece's facts as far as its drying goes."""

    piece: Piece
    pour: Pour
    recipe: Recipe
    stays: tuple[Stay, ...]
    knowing: Knowing | None = field(default=None, compare=False)
    """What was learned about it from observations; None: nothing."""

    @property
    def room(self) -> str:
        """Where it is now."""
        return self.stays[-1].room

    @property
    def place(self) -> str | None:
        return self.stays[-1].place

    @cached_property
    def pouring(self) -> ensemble.Pouring:
        """The facts in the model's terms, SI."""
        pour, recipe = self.pour, self.recipe
        sides = [side for side in (pour.width_m, pour.height_m) if side is not None]
        return ensemble.Pouring(
            wet_thickness=pour.wet_thickness_m,
            thickness_spread=ensemble.THICKNESS_SPREAD[pour.thickness_source],
            solids=recipe.solids,
            glycol=recipe.glycol,
            side=min(sides) if sides else DEFAULT_SIDE_M,
            air_speed=pour.air_speed_m_s,
            h_back=H_BACK[pour.support],
        )

    @cached_property
    def facts(self) -> str:
        """Hash of what was typed about the piece, and of what was learned about it."""
        stays = [(stay.room, stay.since.timestamp()) for stay in self.stays]
        text = repr((self.pouring, self.pour.at.timestamp(), stays))
        if self.knowing is not None:
            text += self.knowing.mark
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    @cached_property
    def lain(self) -> tuple[Stay, ...]:
        """Its stays since the pour, the one that the pour fell in included."""
        ends = [*(stay.since for stay in self.stays[1:]), None]
        return tuple(s for s, end in zip(self.stays, ends, strict=True) if end is None or end > self.pour.at)

    def unread(self, climates: Mapping[str, Climate]) -> str | None:
        """A room that it lies or has lain in and whose air is not known."""
        return next((stay.room for stay in self.lain if stay.room not in climates), None)

    def air(self, climates: Mapping[str, Climate]) -> Air | None:
        """The air it has had since its pour (see climate.along), None if a room it lay in was never read."""
        if self.unread(climates) is not None:
            return None
        rooms = [(stay.since.timestamp(), climates[stay.room]) for stay in self.lain]
        return along(rooms, self.pour.at.timestamp())


def reason_in_words(hindrance: str, days: int) -> str:
    """What keeps a film from a milestone, for people. `hindrance` as `ensemble.hindrances` names it."""
    return _REASONS[hindrance].format(days=days)


def stale(forecast: Forecast | None, drying: Drying, climates: Mapping[str, Climate], now: datetime) -> bool:
    """Whether to make the forecast again: none yet, an hour old, other facts, late readings, a room that has moved."""
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
    late = climate.settled(drying.pour.at.timestamp(), forecast.data_until.timestamp()) != forecast.readings_used
    moved = (
        abs(climate.temp_c[-1] - forecast.room_temp_c) >= MOVED_C
        or abs(climate.rh_pct[-1] - forecast.room_rh_pct) >= MOVED_RH_PCT
    )
    return bool(late or moved)


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
    futures: Mapping[str, RoomFuture] | None = None,
) -> list[Forecast]:
    """Forecasts of these pieces at `now`, in one batch; they look `days` ahead of the pour, further if that is past.

    `known`: earlier forecasts by piece; where nothing that goes in has changed since, the old one holds at `now` too.
    `futures`: by room, its air to come, with as many members.
    """
    made = {d.piece.id: _without_readings(d, climates, now) for d in dryings}
    todo = []
    for drying in dryings:
        if (air := drying.air(climates)) is None:
            continue
        ahead = (futures or {}).get(drying.room)
        input_ = _Input(drying, air, climates[drying.room], ahead, members, _horizon(drying, now, days))
        old = (known or {}).get(drying.piece.id)
        if old is not None and old.fingerprint == input_.fingerprint and old.model_version == MODEL_VERSION:
            made[drying.piece.id] = old.model_copy(update={"made_at": now})
        else:
            todo.append(input_)
    if todo:
        runs = _Batch(todo, now)
        made |= {one.drying.piece.id: runs.forecast(k) for k, one in enumerate(todo)}
    return [made[drying.piece.id] for drying in dryings]


def _horizon(drying: Drying, now: datetime, days: int) -> int:
    return max(days, math.ceil((now - drying.pour.at) / DAY) + 1)


@dataclass(frozen=True)
class _Input:
    """All that a forecast of one piece is made from."""

    drying: Drying
    air: Air
    climate: Climate
    """Of the room it is in now."""
    future: RoomFuture | None
    members: int
    days: int

    @property
    def leg(self) -> marching.Leg:
        poured_s = self.drying.pour.at.timestamp()
        until_s = self.days * 86400.0
        return marching.Leg(self.drying.pouring, poured_s, self.air, self.future, until_s, self.drying.knowing)

    @cached_property
    def fingerprint(self) -> str:
        """Hash of it all: what was typed, then the air, its age and the ensemble."""
        digest = hashlib.sha256(f"{MODEL_VERSION} {self.members} {self.days} {self.climate.newest_s!r}".encode())
        ahead = () if self.future is None else (self.future.time_s, self.future.temp_c, self.future.rh_pct)
        for column in (*self.air, *ahead):
            digest.update(column.tobytes())
        return self.drying.facts + digest.hexdigest()[:16]


class _Batch:
    """The runs of several pieces with known air: the ensemble, the central film, and that film in usual air."""

    def __init__(self, inputs: list[_Input], now: datetime) -> None:
        self.inputs, self.now = inputs, now
        legs = [one.leg for one in inputs]
        self.outcomes, _ = marching.run(legs, inputs[0].members)
        data_age_s = [max(0.0, one.climate.newest_s - leg.poured_s) for one, leg in zip(inputs, legs, strict=True)]
        self.centre, self.samples = _centre(legs, data_age_s)
        pourings = [leg.pouring for leg in legs]
        usual = AirSeries.constant(21 + ZERO_C, 0.5)
        self.usual, _ = ensemble.run(pourings, usual, np.zeros(len(inputs), dtype=np.intp), 60 * 86400.0, 1)

    def forecast(self, k: int) -> Forecast:
        """The forecast of the k-th piece."""
        one = self.inputs[k]
        pour, climate = one.drying.pour, one.climate
        return Forecast(
            piece_id=one.drying.piece.id,
            made_at=self.now,
            model_version=MODEL_VERSION,
            fingerprint=one.fingerprint,
            milestones=tuple(_milestone(kind, self.outcomes[k], pour.at, one.days) for kind in MilestoneKind),
            film_temp_c=_finite(self.samples["film_temperature"][k] - ZERO_C, 3),
            volatile_fraction=_finite(self.samples["volatile_fraction"][k], 5),
            skin_gap_h=_skin_gap_h(self.centre[k]),
            usual_skin_gap_h=_skin_gap_h(self.usual[k]),
            data_until=climate.newest_at,
            readings_used=climate.settled(pour.at.timestamp(), climate.newest_s),
            room_temp_c=float(climate.temp_c[-1]),
            room_rh_pct=float(climate.rh_pct[-1]),
        )


def _centre(legs: list[marching.Leg], ages_s: list[float]) -> tuple[list[ensemble.Outcome], dict[str, Array]]:
    """The central members: their outcomes, and samples (pieces) at each piece's own age `ages_s` [s]."""
    times = np.unique(ages_s)
    outcomes, samples = marching.run(legs, 1, sample_at=times)
    own = np.searchsorted(times, ages_s)
    return outcomes, {name: value[own, np.arange(len(legs)), 0] for name, value in samples.items()}


def _milestone(kind: MilestoneKind, outcome: ensemble.Outcome, poured_at: datetime, days: int) -> Milestone:
    early, even, late = (
        None if not np.isfinite(s) else poured_at + timedelta(seconds=round(s)) for s in outcome.at(kind.value)
    )
    hindrance = outcome.hindrance_of(kind.value)
    reason = reason_in_words(hindrance, days) if late is None else None
    return Milestone(kind=kind, early_at=early, worth_checking_at=even, safe_at=late, reason=reason)


def _skin_gap_h(outcome: ensemble.Outcome) -> float | None:
    touch_dry, handle = (float(outcome.reached_s[MILESTONES.index(name), 0]) for name in ("touch_dry", "handle"))
    return _finite((handle - touch_dry) / 3600, 4) if math.isfinite(touch_dry) else None


def _without_readings(drying: Drying, climates: Mapping[str, Climate], now: datetime) -> Forecast:
    return Forecast(
        piece_id=drying.piece.id,
        made_at=now,
        model_version=MODEL_VERSION,
        fingerprint=drying.facts,
        reason=f"no temperature and humidity of {drying.unread(climates)} yet",
    )


def _finite(value: float, digits: int) -> float | None:
    """Rounded: the last digits of a number depend on which films were marched beside this one."""
    return round(float(value), digits) if np.isfinite(value) else None
