"""The air that varnish wants: how the room stands to it and to dew now, and when it will next be good."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.language import (
    Difference,
    Listed,
    Message,
    Percent,
    Span,
    Temperature,
    TemperatureRange,
    Value,
    When,
    Words,
    phrase,
)
from curewatch.physics import air
from curewatch.physics.air import ZERO_C, Array, Flags, dew_point
from curewatch.studio.air.climate import HOUR_S, AirBands, Climate

LONG_ENOUGH = timedelta(hours=2)
"""A shorter spell of good air is none: a coat needs it while it levels and sets [cal]."""


@dataclass(frozen=True)
class AirLimits:
    """As most labels have it (common practice)."""

    temp_low_c: float = 18.0
    temp_high_c: float = 24.0
    rh_high_pct: float = 65.0
    above_dew_point_k: float = 3.0
    """ISO 8502-4's usual margin [K]."""

    def in_words(self) -> Message:
        return phrase(
            "{temps}, at most {rh}, {above} above the dew point",
            temps=TemperatureRange(self.temp_low_c, self.temp_high_c),
            rh=Percent(self.rh_high_pct, of="%RH"),
            above=Difference(self.above_dew_point_k),
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


def against(temp_c: float, rh_pct: float, limits: AirLimits, piece_c: float | None = None) -> list[Message]:
    """What in the air of a room speaks against varnishing now; nothing: it is good.

    `piece_c`: the piece's own temperature [°C], where it may be cooler than the room that warms up around it.
    """
    found = []
    if temp_c < limits.temp_low_c:
        low = Temperature(limits.temp_low_c)
        found.append(phrase("too cold ({temp}, at least {limit})", temp=Temperature(temp_c, 1), limit=low))
    if temp_c > limits.temp_high_c:
        high = Temperature(limits.temp_high_c)
        found.append(phrase("too warm ({temp}, at most {limit})", temp=Temperature(temp_c, 1), limit=high))
    if rh_pct > limits.rh_high_pct:
        damp = Percent(limits.rh_high_pct)
        found.append(phrase("too damp ({rh}, at most {limit})", rh=Percent(rh_pct), limit=damp))
    cooler = 0.0 if piece_c is None else temp_c - piece_c
    margin = float(above_dew_point(temp_c, rh_pct)) - cooler
    if margin < limits.above_dew_point_k:
        least = Difference(limits.above_dew_point_k)
        near = phrase("too near the dew point ({by} above it, at least {limit})", by=Difference(margin, 1), limit=least)
        found.append(near)
    return found


def air_caveat(speaks_against: Sequence[Value] | None) -> Words:
    """What follows the date of a coat that the film itself would bear; nothing where the air is good.

    `speaks_against`: as `against` has it; None: the room was not read.
    """
    if speaks_against is None:
        return phrase(", but the room's air is not known")
    if not speaks_against:
        return ""
    return phrase(", but not in this air: {reasons}", reasons=Listed(tuple(speaks_against)))


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


MARGIN_K = AirLimits().above_dew_point_k
LAGS = timedelta(hours=1)
"""Canvas and board follow the air within the hour: a piece may still be as cool as the room was then."""


@dataclass(frozen=True)
class DewMargin:
    """How far a dry piece in a room is from dew."""

    at: datetime
    """The room's data is of this time."""
    piece_c: float
    """Temperature the piece may have [°C]: the lower of the room's now and an hour before."""
    dew_point_c: float
    """Of the room's air [°C]."""

    @property
    def kelvin(self) -> float:
        return self.piece_c - self.dew_point_c

    @property
    def is_near(self) -> bool:
        return self.kelvin < MARGIN_K


def dew_margin(climate: Climate) -> DewMargin:
    """The margin at the end of the room's record. A dry piece takes the room's temperature; a wet one is cooler."""
    temps, rhs = climate.at(np.array([climate.newest_s - LAGS.total_seconds(), climate.newest_s]))
    temp, rh = float(temps[1]), max(float(rhs[1]), 1.0)
    dew = float(dew_point(np.array([temp + ZERO_C]), np.array([rh / 100]))[0]) - ZERO_C
    return DewMargin(climate.newest_at, min(float(temps[0]), temp), dew)


def in_words(margin: DewMargin, now: datetime) -> Message:
    """What it means for varnishing, for somebody who reads it at once."""
    known = phrase("{air}, room read {span} ago", air=_air(margin), span=Span(now - margin.at))
    if margin.is_near:
        return phrase(
            "Do not varnish now: the piece is within {margin} of the dew point ({known}), and dew under varnish "
            "blooms. Warm the room or dry its air first, and let the piece follow for an hour.",
            margin=Difference(MARGIN_K),
            known=known,
        )
    return phrase("No dew to fear now: {known}. Read it again before you varnish.", known=known)


def as_read(margin: DewMargin, now: datetime) -> Message:
    """What it meant when the room was read: for a notice, which may be read hours later."""
    read, air = When(margin.at, now), _air(margin)
    if margin.is_near:
        return phrase(
            "Too near to dew when the room was read, {at} ({air}): dew under varnish blooms. Varnish only once the "
            "piece is {margin} above the dew point.",
            at=read,
            air=air,
            margin=Difference(MARGIN_K),
        )
    return phrase(
        "No dew to fear when the room was read, {at} ({air}). Read it again before you varnish.", at=read, air=air
    )


def _air(margin: DewMargin) -> Message:
    return phrase(
        "dew point {dew}, the piece about {piece}",
        dew=Temperature(margin.dew_point_c, 1),
        piece=Temperature(margin.piece_c, 1),
    )
