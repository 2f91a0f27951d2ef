"""The air that varnish wants: how the room stands to it now, and when it will next be good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.studio.air.climate import Array
from curewatch.studio.air.part_studio_hourly import HOUR_S
from curewatch.studio.alarms.forewarning import AirBands

Flags = NDArray[np.bool_]

LONG_ENOUGH = timedelta(hours=2)
"""A shorter spell of good air is none: a coat needs it while it levels and sets [cal]."""


@dataclass(frozen=True)
class AirLimits:
    """As most labels have it (common practice)."""

    temp_low_c: float = 18.0
    temp_high_c: float = 24.0
    rh_high_pct: float = 65.0
    above_dew_point_k: float = 3.0

    def in_words(self) -> str:
        return (
            f"{self.temp_low_c:g} to {self.temp_high_c:g} °C, at most {self.rh_high_pct:g} %RH, "
            f"{self.above_dew_point_k:g} K above the dew point"
        )


@dataclass(frozen=True)
class Window:
    """A spell of air that is good for varnish."""

    begins_at: datetime
    ends_at: datetime
    sure: bool
    """Whether it is good in nine cases of ten, not only at even odds."""


def above_dew_point(temp_c: Array | float, rh_pct: Array | float) -> Array:
    """How far the air, and so a piece that has lain in it for hours, is above its dew point [K]."""
    t = np.asarray(temp_c, dtype=float) + air.ZERO_C
    # air without any water has no dew point: with a trace of it, one far below any room
    rh = np.maximum(np.asarray(rh_pct, dtype=float) / 100, 1e-3)
    return np.asarray(t - air.dew_point(t, rh))


def fits(temp_c: Array, rh_pct: Array, limits: AirLimits) -> Flags:
    """Whether air is within the limits, for each of the values."""
    warm = (temp_c >= limits.temp_low_c) & (temp_c <= limits.temp_high_c) & (rh_pct <= limits.rh_high_pct)
    return np.asarray(warm & (above_dew_point(temp_c, rh_pct) >= limits.above_dew_point_k), dtype=bool)


def against(temp_c: float, rh_pct: float, limits: AirLimits, piece_c: float | None = None) -> list[str]:
    """What in the air of a room speaks against varnishing now; nothing: it is good.

    `piece_c`: the piece's own temperature [°C], where it may be cooler than the room that warms up around it.
    """
    found = []
    if temp_c < limits.temp_low_c:
        found.append(f"too cold ({temp_c:.1f} °C, at least {limits.temp_low_c:g})")
    if temp_c > limits.temp_high_c:
        found.append(f"too warm ({temp_c:.1f} °C, at most {limits.temp_high_c:g})")
    if rh_pct > limits.rh_high_pct:
        found.append(f"too damp ({rh_pct:.0f} %, at most {limits.rh_high_pct:g})")
    cooler = 0.0 if piece_c is None else temp_c - piece_c
    margin = float(above_dew_point(temp_c, rh_pct)) - cooler
    if margin < limits.above_dew_point_k:
        found.append(f"too near the dew point ({margin:.1f} K, at least {limits.above_dew_point_k:g})")
    return found


def air_caveat(speaks_against: Sequence[str] | None) -> str:
    """What follows the date of a coat that the film itself would bear; nothing where the air is good.

    `speaks_against`: as `against` has it; None: the room was not read.
    """
    if speaks_against is None:
        return ", but the room's air is not known"
    return f", but not in this air: {' and '.join(speaks_against)}" if speaks_against else ""


def next_window(future: AirBands, limits: AirLimits, earliest: datetime) -> Window | None:
    """The first spell of good air from `earliest` on, whole hours at even odds; None where none is foreseen."""
    good = fits(future.temp_c, future.rh_pct, limits) & (future.time_s - HOUR_S / 2 >= earliest.timestamp() - HOUR_S)
    surely = good & fits(future.temp_low_c, future.rh_high_pct, limits)
    edges = np.diff(np.concatenate([[0], good.astype(int), [0]]))
    for begin, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        begins = max(_moment(future.time_s[begin] - HOUR_S / 2), earliest.astimezone(UTC))
        ends = _moment(future.time_s[end - 1] + HOUR_S / 2)
        if ends - begins >= LONG_ENOUGH:
            return Window(begins, ends, bool(surely[begin:end].all()))
    return None


def _moment(epoch_s: float) -> datetime:
    return datetime.fromtimestamp(float(epoch_s), UTC)
