"""An estimate: one film in one air, without a store. Numbers in, numbers out; what is typed and shown is elsewhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C
from curewatch.physics.air_series import AirSeries
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.part_physics_supports import BACKINGS
from curewatch.physics.solver import integrator
from curewatch.records import Support, ThicknessSource
from curewatch.studio.forecasting.drying import DEFAULT_SIDE_M
from curewatch.studio.forecasting.forecast import reason_in_words

Array = NDArray[np.float64]

DAY_S = 86_400.0


@dataclass(frozen=True)
class RoomAir:
    """The air from the pour on: knots joined by straight lines, the last held. One knot: it stays as it is."""

    time_s: Array
    """[s from the pour]"""
    temp_c: Array
    rh_pct: Array

    @classmethod
    def constant(cls, temp_c: float, rh_pct: float) -> RoomAir:
        return cls(np.zeros(1), np.array([temp_c]), np.array([rh_pct]))

    @property
    def is_constant(self) -> bool:
        return len(self.time_s) == 1

    def at(self, time_s: Array) -> tuple[Array, Array]:
        """Temperature [°C] and relative humidity [%]."""
        return np.interp(time_s, self.time_s, self.temp_c), np.interp(time_s, self.time_s, self.rh_pct)

    def series(self) -> AirSeries:
        return AirSeries([(self.time_s, self.temp_c + ZERO_C, self.rh_pct / 100)])


def film(
    wet_thickness_m: float,
    source: ThicknessSource,
    *,
    solids: float,
    glycol: float,
    side_m: float | None = None,
    air_speed_m_s: float,
    support: Support = Support.CANVAS,
) -> ensemble.Pouring:
    """A film as a person tells it, in the model's terms. `side_m`: its shorter side, where it was told."""
    return ensemble.Pouring(
        wet_thickness=wet_thickness_m,
        thickness_spread=ensemble.THICKNESS_SPREAD[source],
        solids=solids,
        glycol=glycol,
        side=DEFAULT_SIDE_M if side_m is None else side_m,
        air_speed=air_speed_m_s,
        **vars(BACKINGS[support]),
    )


@dataclass(frozen=True)
class EstimateInput:
    pouring: ensemble.Pouring
    air: RoomAir
    members: int
    days: float


@dataclass(frozen=True)
class Reached:
    """When one milestone is reached by 10, 50 and 90 % of the members [h from the pour], None: not foreseen."""

    hours: tuple[float | None, float | None, float | None]
    reason: str | None
    """Why one of them is None."""


@dataclass(frozen=True)
class EstimateResult:
    milestones: dict[str, Reached]
    film_temp_c: float
    """In the first minute."""

    def hours(self, milestone: str, percent: int) -> float | None:
        return self.milestones[milestone].hours[(10, 50, 90).index(percent)]


@dataclass(frozen=True)
class Curve:
    """The liquid still in the film, as a share of what was poured; 10, 50 and 90 % of the members."""

    hours: Array
    low: Array
    median: Array
    high: Array


def answer(question: EstimateInput) -> EstimateResult:
    until = question.days * DAY_S
    outcomes, _ = _run(question, until)
    first_temp, first_rh = float(question.air.temp_c[0]), float(question.air.rh_pct[0])
    film = ensemble.central_film_temperature(question.pouring, first_temp + ZERO_C, first_rh / 100)
    found = {name: _reached(outcomes[0], name, question.days) for name in MILESTONES}
    return EstimateResult(found, film - ZERO_C)


def _run(
    question: EstimateInput, until_s: float, sample_at: Array | None = None
) -> tuple[list[ensemble.Outcome], dict[str, Array]]:
    # Only many members in a long record take long enough for the coarser steps to be worth having.
    quick = question.members > 1 and not question.air.is_constant
    tolerance = (integrator.RTOL, integrator.ATOL) if quick else integrator.FINE
    return ensemble.run(
        [question.pouring],
        question.air.series(),
        np.zeros(1, dtype=np.intp),
        until_s,
        question.members,
        sample_at=sample_at,
        tolerance=tolerance,
    )


def _reached(outcome: ensemble.Outcome, milestone: str, days: float) -> Reached:
    low, median, high = (s / 3600 if np.isfinite(s) else None for s in outcome.at(milestone))
    reason = None
    if high is None:
        hindrance = outcome.hindrance_of(milestone)
        reason = f"not within {days:g} days" if hindrance == "not_yet" else reason_in_words(hindrance, round(days))
    return Reached((low, median, high), reason)


def curve(question: EstimateInput, found: EstimateResult, points: int) -> Curve:
    """How the film dries, at `points` times from the pour until it may be handled, or as far as that is foreseen."""
    times = np.linspace(0.0, _worth_showing_s(found, question.days), points)
    _, samples = _run(question, float(times[-1]), times)
    volatile = samples["volatile_fraction"][:, 0]
    liquid = volatile / (1 - volatile)  # volume ratio to the solids, which do not change
    left = liquid / liquid[0]
    low, median, high = np.array([ensemble.quantiles(row) for row in left]).T
    return Curve(times / 3600, low, median, high)


def _worth_showing_s(found: EstimateResult, days: float) -> float:
    for milestone, room in (("handle", 1.1), ("touch_dry", 1.4), ("packed", 2.0)):
        hours = found.hours(milestone, 90)
        if hours is not None:
            return min(room * hours * 3600, days * DAY_S)
    return min(14.0, days) * DAY_S
