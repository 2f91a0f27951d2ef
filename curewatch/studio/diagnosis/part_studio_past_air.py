"""What air a piece has had: least, mean and most, and how long it was out of range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from curewatch.studio.air.climate import Array, Climate
from curewatch.studio.alarms.conditions import Limits
from curewatch.studio.forecasting.forecast import Drying
from curewatch.studio.outlook.gap_uncertainty import SILENT_S as SILENT_S

STEP_S = 300.0
"""The air is looked at every five minutes, as finely as it is known."""


@dataclass(frozen=True)
class Spread:
    """Of one quantity over a span of time."""

    least: float
    mean: float
    most: float

    @classmethod
    def of(cls, values: Array) -> Spread:
        return cls(float(values.min()), float(values.mean()), float(values.max()))


@dataclass(frozen=True)
class PastAir:
    """The air over a span. Hours out of range are by the limits of the alarms, of the room's air."""

    begins_at: datetime
    ends_at: datetime
    temp_c: Spread
    rh_pct: Spread
    cold_h: float
    damp_h: float
    hot_h: float
    dry_h: float
    unread_h: float
    """Hours within gaps of the record, which all the other numbers fill in with straight lines."""


def past_air(
    drying: Drying, climates: Mapping[str, Climate], until: datetime, limits: Limits, since: datetime | None = None
) -> PastAir | None:
    """The air from the pour (or `since`) to `until`, or as far as it was read; None where it was not."""
    known = drying.air(climates)
    if known is None:
        return None
    time_s, temp_c, rh_pct = known
    begin = max((since or drying.pour.at).timestamp(), drying.pour.at.timestamp())
    end = min(until.timestamp(), climates[drying.room].newest_s)
    if end <= begin:
        return None
    at = np.linspace(begin, end, max(2, int(np.ceil((end - begin) / STEP_S)) + 1))
    middle = 0.5 * (at[1:] + at[:-1])
    temp, rh = np.interp(middle, time_s, temp_c), np.interp(middle, time_s, rh_pct)
    hours = (at[1] - at[0]) / 3600

    def lasting(flags: Array) -> float:
        return float(flags.sum() * hours)

    return PastAir(
        datetime.fromtimestamp(begin, UTC),
        datetime.fromtimestamp(end, UTC),
        Spread.of(temp),
        Spread.of(rh),
        lasting(np.asarray(temp < limits.cold_mfft_c)),
        lasting(np.asarray(rh > limits.damp_rh_pct)),
        lasting(np.asarray(temp > limits.fast_temp_c)),
        lasting(np.asarray(rh < limits.fast_rh_pct)),
        _unread_h(drying, climates, begin, end),
    )


def _unread_h(drying: Drying, climates: Mapping[str, Climate], begin: float, end: float) -> float:
    """Hours of [begin, end] that lie in gaps of the record of the room that the piece lay in."""
    stays = drying.stays_since_pour
    found = 0.0
    for i, stay in enumerate(stays):
        first = begin if i == 0 else max(begin, stay.since.timestamp())
        last = min(end, stays[i + 1].since.timestamp()) if i + 1 < len(stays) else end
        read = climates[stay.room].time_s
        edges = np.concatenate([[-np.inf], read, [np.inf]])
        gaps = np.minimum(edges[1:], last) - np.maximum(edges[:-1], first)
        found += float(gaps[(np.diff(edges) > SILENT_S) & (gaps > 0)].sum())
    return found / 3600
