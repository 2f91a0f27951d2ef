"""How a piece has dried so far, by its central film in the air it has had: what a look back rests on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from curewatch.physics import ensemble, flow
from curewatch.physics.air import ZERO_C
from curewatch.physics.air_series import AirSeries
from curewatch.physics.milestones import MILESTONES
from curewatch.studio.air.climate import Array, Climate
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.forecasting.forecast import Drying

EARLY_S = 6 * 3600.0
"""The first hours, in which a skin forms if it forms too soon."""
POINTS, DAYS = 400, 60


@dataclass(frozen=True)
class Trace:
    """Hours are counted from the pour; None where the film did not get there in the air known or assumed."""

    packed_h: float | None
    touch_h: float | None
    handle_h: float | None
    usual_touch_h: float | None
    usual_handle_h: float | None
    """The same film in still air at 21 °C and 50 %."""
    early_pace: float
    """Water that left in the first hours, over that of the same film in still air at 21 °C and 50 %."""
    cold_h: float
    """Film below its film-forming temperature after packing and before it may be handled, up to now [h]."""
    coldest_c: float
    """Lowest film temperature until it may be handled, up to now [°C]."""
    tilt_for_5mm: float
    """Tilt at which its design would have drifted 5 mm [rad], for a mix of common flow."""
    film: flow.Drying = field(compare=False, repr=False)
    """Until it packed, or as far as it came."""

    @property
    def gap_h(self) -> float | None:
        return None if self.handle_h is None or self.touch_h is None else self.handle_h - self.touch_h

    @property
    def usual_gap_h(self) -> float | None:
        usual = (self.usual_touch_h, self.usual_handle_h)
        return None if usual[0] is None or usual[1] is None else usual[1] - usual[0]


def trace(drying: Drying, climates: Mapping[str, Climate], limits: Limits, now: datetime) -> Trace | None:
    """None where the air of a room that it lay in was never read."""
    known = drying.air(climates)
    if known is None:
        return None
    time_s, temp_c, rh_pct = known
    own = AirSeries([(time_s - drying.pour.at.timestamp(), temp_c + ZERO_C, rh_pct / 100)])
    usual = AirSeries.constant(21 + ZERO_C, 0.5)
    (reached, times, samples), (usually, _, calm) = _march(drying, own), _march(drying, usual, still=True)
    packed, touch, handle, _ = reached
    film_c, volatile = samples["film_temperature"] - ZERO_C, samples["volatile_fraction"]
    elapsed = max(0.0, (now - drying.pour.at).total_seconds())  # below: by a clock that was set back meanwhile
    until = np.isfinite(film_c) & (times <= min(elapsed, np.inf if handle is None else handle * 3600))
    cold = until & (film_c < limits.cold_mfft_c) & (times >= (np.inf if packed is None else packed * 3600))
    flowing = np.isfinite(volatile) & (times <= (np.inf if packed is None else packed * 3600))
    film = flow.Drying.of(times[flowing], drying.pour.wet_thickness_m, volatile[flowing])
    return Trace(
        packed, touch, handle, usually[1], usually[2],
        early_pace=_early(times, samples["rate"]) / _early(times, calm["rate"]),
        cold_h=float(np.diff(times, append=times[-1])[cold].sum() / 3600),
        coldest_c=float(film_c[until].min()),
        tilt_for_5mm=flow.tilt_for(film, flow.Rheology(), 0.005),
        film=film,
    )  # fmt: skip


def _early(times: Array, rate: Array) -> float:
    early = times <= EARLY_S
    return float(np.trapezoid(rate[early], times[early]))


def _march(
    drying: Drying, series: AirSeries, *, still: bool = False
) -> tuple[list[float | None], Array, dict[str, Array]]:
    """When the central film reaches the milestones [h], and samples along the way, finer at first."""
    film = drying.pouring
    if still:
        film = replace(film, air_speed=min(film.air_speed, 0.1), turns=())
    end = DAYS * 86_400.0
    times = np.unique(np.concatenate([np.linspace(0, 2 * 86_400.0, POINTS), np.linspace(0, end, POINTS)]))
    (found,), samples = ensemble.run([film], series, np.zeros(1, dtype=np.intp), end, 1, sample_at=times)
    reached = found.reached_s[: len(MILESTONES), 0]
    hours = [float(s) / 3600 if np.isfinite(s) else None for s in reached]
    return hours, times, {name: value[:, 0, 0] for name, value in samples.items()}
