"""When each piece will be touch-dry, fit to handle and ready for varnish: the ensemble, run on the facts.

A forecast is a pure function of the pour, its recipe, the air the piece has had, and `now`; the air is taken to stay
as it was last read. Equal inputs give an equal fingerprint and an equal forecast.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.physics import ensemble, march
from curewatch.physics.air import ZERO_C
from curewatch.physics.evaporation import H_BACK
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.series import AirSeries
from curewatch.records import Forecast, Milestone, MilestoneKind, Piece, Pour, Recipe, Stay
from curewatch.studio.climate import Array, Climate, along

MODEL_VERSION = "1"
"""Raised when the same facts would give other dates; every forecast is then made again."""
LAPSE = timedelta(hours=1)
"""A forecast is made again at least this often while its piece dries."""
MOVED_C, MOVED_RH_PCT = 0.5, 3.0
"""A room that has moved this far from what a forecast assumed matters."""
DEFAULT_SIDE_M = 0.25
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

    @property
    def room(self) -> str:
        """Where it is now."""
        return self.stays[-1].room

    @property
    def place(self) -> str | None:
        return self.stays[-1].place

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

    def air(self, climates: dict[str, Climate]) -> tuple[Array, Array, Array] | None:
        """The air it has had since its pour (see climate.along), None if a room it was in was never read."""
        rooms = [(stay.since.timestamp(), climates.get(stay.room)) for stay in self.stays]
        known = [(since, climate) for since, climate in rooms if climate is not None]
        if len(known) < len(rooms):
            return None
        return along(known, self.pour.at.timestamp())


def reason_in_words(hindrance: str, days: int) -> str:
    """What keeps a film from a milestone, for people. `hindrance` as `ensemble.hindrances` names it."""
    return _REASONS[hindrance].format(days=days)


def stale(forecast: Forecast | None, drying: Drying, climates: dict[str, Climate], now: datetime) -> bool:
    """Whether to make the forecast again: none yet, an hour old, other facts, late readings, a room that has moved."""
    if forecast is None or forecast.model_version != MODEL_VERSION:
        return True
    if settled(forecast, now) and forecast.fingerprint.startswith(_facts(drying)):
        return False
    if not timedelta(0) <= now - forecast.made_at < LAPSE:  # below zero: the clock was set back
        return True
    climate = climates.get(drying.room)
    if forecast.reason is not None or climate is None or forecast.data_until is None:
        return (forecast.reason is None) != (climate is None) or not forecast.fingerprint.startswith(_facts(drying))
    if not forecast.fingerprint.startswith(_facts(drying)):
        return True
    late = climate.settled_before(forecast.data_until.timestamp()) != forecast.readings_used
    moved = (
        abs(climate.temp_c[-1] - (forecast.room_temp_c or 0.0)) >= MOVED_C
        or abs(climate.rh_pct[-1] - (forecast.room_rh_pct or 0.0)) >= MOVED_RH_PCT
    )
    return bool(late or moved)


def settled(forecast: Forecast, now: datetime) -> bool:
    """Whether every milestone is safe to assume: nothing is left to foresee."""
    return bool(forecast.milestones) and all(m.safe_at is not None and m.safe_at <= now for m in forecast.milestones)


def forecasts(
    dryings: Sequence[Drying], climates: dict[str, Climate], now: datetime, *, members: int, days: int
) -> list[Forecast]:
    """Forecasts of these pieces at `now`, in one batch."""
    airs = [drying.air(climates) for drying in dryings]
    ready = [i for i, air in enumerate(airs) if air is not None]
    made: list[Forecast] = [_without_readings(drying, now) for drying in dryings]
    if not ready:
        return made
    known = [air for air in airs if air is not None]
    pourings = [dryings[i].pouring() for i in ready]
    series = AirSeries(
        [
            (time - dryings[i].pour.at.timestamp(), temp + ZERO_C, rh / 100)
            for i, (time, temp, rh) in zip(ready, known, strict=True)
        ]
    )
    rooms = np.arange(len(ready))
    until = np.array([max(days * 86400.0, _age_s(dryings[i], now) + 86400.0) for i in ready])
    outcomes, _ = ensemble.run(pourings, series, rooms, until, members)
    centre, samples = _centre(pourings, series, until, [_data_age_s(dryings[i], climates) for i in ready])
    usual, _ = ensemble.run(
        pourings, AirSeries.constant(21 + ZERO_C, 0.5), np.zeros(len(ready), dtype=np.intp), 60 * 86400.0, 1
    )
    for k, i in enumerate(ready):
        film_temp, volatile = samples["film_temperature"][k], samples["volatile_fraction"][k]
        climate = climates[dryings[i].room]
        made[i] = Forecast(
            piece_id=dryings[i].piece.id,
            made_at=now,
            model_version=MODEL_VERSION,
            fingerprint=_fingerprint(dryings[i], known[k], members, days),
            milestones=tuple(_milestone(kind, outcomes[k], dryings[i].pour.at, days) for kind in MilestoneKind),
            film_temp_c=_finite(film_temp - ZERO_C),
            volatile_fraction=_finite(volatile),
            skin_gap_h=_skin_gap_h(centre[k]),
            usual_skin_gap_h=_skin_gap_h(usual[k]),
            data_until=climate.newest_at,
            readings_used=climate.settled_before(climate.newest_s),
            room_temp_c=float(climate.temp_c[-1]),
            room_rh_pct=float(climate.rh_pct[-1]),
        )
    return made


def _centre(
    pourings: list[ensemble.Pouring], series: AirSeries, until: Array, ages_s: list[float]
) -> tuple[list[ensemble.Outcome], dict[str, Array]]:
    """The central members: their outcomes, and samples (pieces) at each piece's own age `ages_s` [s]."""
    times = np.unique(ages_s)
    outcomes, samples = ensemble.run(
        pourings, series, np.arange(len(pourings)), until, 1, sample_at=times, tolerance=(march.RTOL, march.ATOL)
    )
    own = np.searchsorted(times, ages_s)
    return outcomes, {name: value[own, np.arange(len(pourings)), 0] for name, value in samples.items()}


def _milestone(kind: MilestoneKind, outcome: ensemble.Outcome, poured_at: datetime, days: int) -> Milestone:
    early, even, late = (
        None if not np.isfinite(s) else poured_at + timedelta(seconds=round(s)) for s in outcome.at(kind.value)
    )
    hindrance = outcome.hindrance_of(kind.value)
    reason = reason_in_words(hindrance, days) if late is None else None
    return Milestone(kind=kind, early_at=early, worth_checking_at=even, safe_at=late, reason=reason)


def _skin_gap_h(outcome: ensemble.Outcome) -> float | None:
    rows = outcome.reached_s[:, 0]
    return _finite((rows[MILESTONES.index("handle")] - rows[MILESTONES.index("touch_dry")]) / 3600)


def _without_readings(drying: Drying, now: datetime) -> Forecast:
    return Forecast(
        piece_id=drying.piece.id,
        made_at=now,
        model_version=MODEL_VERSION,
        fingerprint=_facts(drying),
        reason=f"no temperature and humidity of {drying.room} yet",
    )


def _age_s(drying: Drying, now: datetime) -> float:
    return max(0.0, (now - drying.pour.at).total_seconds())


def _data_age_s(drying: Drying, climates: dict[str, Climate]) -> float:
    """How old the piece was at the newest reading of its room [s]."""
    return max(0.0, climates[drying.room].newest_s - drying.pour.at.timestamp())


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _facts(drying: Drying) -> str:
    """Hash of what was typed about the piece."""
    text = json.dumps(
        [
            asdict(drying.pouring()),
            drying.pour.at.astimezone(UTC).isoformat(),
            [[stay.room, stay.since.isoformat()] for stay in drying.stays],
        ],
        sort_keys=True,
    )
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _fingerprint(drying: Drying, air: tuple[Array, Array, Array], members: int, days: int) -> str:
    """Hash of everything that goes into a forecast: what was typed, then the air and the ensemble."""
    digest = hashlib.sha256(f"{MODEL_VERSION} {members} {days}".encode())
    for column in air:
        digest.update(column.tobytes())
    return _facts(drying) + digest.hexdigest()[:16]
