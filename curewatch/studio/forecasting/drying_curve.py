"""How a piece dries over time, on the facts: what its drying curve shows. Made when somebody looks at it.

The milestones come from the forecast; this is the way there, by fewer members of the same ensemble: drawn from what
was learned about the piece, weighed against its own observations, each through its own future of the room and, where
that was not read closely, its own past.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C, Array
from curewatch.records import Forecast, MilestoneKind
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting import simulation
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.gap_uncertainty import gap_uncertainty_of
from curewatch.studio.outlook.outlook import Band
from curewatch.studio.outlook.scenarios import RoomScenarios

MEMBERS, POINTS = 24, 49
_SHOWN = ((MilestoneKind.HANDLE, 1.1), (MilestoneKind.TOUCH_DRY, 1.4), (MilestoneKind.SET, 2.0))
"""The curve goes on to the furthest milestone with a date, and this much further."""
_UNDATED, _LEAST, _MOST = timedelta(days=14), timedelta(hours=6), timedelta(days=120)


@dataclass(frozen=True)
class DryingCurve:
    """What the members come to at each of `hours` [h from the pour]: 10, 50 and 90 % of them."""

    hours: Array
    left: Band
    """Water and glycol still in the film, as a share of what was poured [0-1]."""
    surface: Band
    bottom: Band
    """Volatile volume fraction of the top tenth and at the bottom [0-1]."""
    film_temp_c: Band
    """Film temperature [°C]."""


def drying_curve(
    drying: Drying,
    climates: Mapping[str, Climate],
    forecast: Forecast | None,
    now: datetime,
    future: RoomScenarios | None = None,
) -> DryingCurve | None:
    """The curve from the pour until the piece may be handled, or as far as is foreseen. None: its air is not known.

    `future`: of the room it is in now, for `MEMBERS` members; None: the air stays as it was last read.
    """
    air = drying.air(climates)
    if air is None:
        return None
    times = np.linspace(0.0, _shown(drying, forecast, now).total_seconds(), POINTS)
    had, poured_s = drying.series(air, climates), drying.pour.at.timestamp()
    problem = simulation.DryingProblem(
        drying.pouring, poured_s, had, future, float(times[-1]), drying.posterior, uncertainty=gap_uncertainty_of(had)
    )
    samples, weights = simulation.sampled_trajectory(problem, MEMBERS, times)
    volatile = samples["volatile_fraction"]
    liquid = volatile / (1 - volatile)  # volume ratio to the solids, which do not change
    left, surface, bottom, film_c = (
        Band(*np.array([ensemble.quantiles(row, weights) for row in rows]).T)
        for rows in (liquid / liquid[0], samples["surface"], samples["bottom"], samples["film_temperature"] - ZERO_C)
    )
    return DryingCurve(times / 3600, left, surface, bottom, film_c)


def _shown(drying: Drying, forecast: Forecast | None, now: datetime) -> timedelta:
    known = forecast.milestones if forecast else ()
    dates = {one.kind: one.worth_checking_at if one.held else one.safe_at for one in known}
    for kind, further in _SHOWN:
        at = dates.get(kind)
        if at is not None:
            return min(max((at - drying.pour.at) * further, _LEAST), _MOST)
    return min(max(_UNDATED, (now - drying.pour.at) * 1.2), _MOST)
