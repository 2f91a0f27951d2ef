"""The plots of air: of a room as read and as foreseen, and of a piece since its pour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from curewatch.desk.reports.room import RoomRecord
from curewatch.physics.air import Array
from curewatch.settings import AlarmSettings
from curewatch.studio.air.climate import HOUR_S, Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.outlook import Band, Outlook
from curewatch.web.plots.plot import Curve, Plot, thinned
from curewatch.web.texts import Words

POINTS = 160
FORESEEN = " Dashed, with a band that holds four cases of five: foreseen from the room's own habits."


@dataclass(frozen=True)
class _Quantity:
    """One of the two that air has."""

    name: str
    title: str
    css: str
    unit: str
    digits: int
    limits: tuple[tuple[float, str], ...]

    def plot(
        self, at: Array, curves: list[Curve], words: Words, more: str = "", aside: tuple[tuple[float, float], ...] = ()
    ) -> Plot:
        return Plot(
            title=self.title,
            description=f"The room's air as read, with the limits of its alarms.{more}",
            unit=self.unit,
            at=at,
            curves=tuple(curves),
            words=words,
            limits=self.limits,
            points=aside,
            digits=self.digits,
        )


def _quantities(limits: AlarmSettings) -> tuple[_Quantity, _Quantity]:
    cold = ((limits.cold_mfft_c, f"cold {limits.cold_mfft_c:g} °C"), (limits.frost_c, f"frost {limits.frost_c:g} °C"))
    damp = (
        (limits.damp_rh_pct, f"damp {limits.damp_rh_pct:g} %"),
        (limits.fast_rh_pct, f"dry {limits.fast_rh_pct:g} %"),
    )
    return (
        _Quantity("temp_c", "Room temperature, °C", "temp", "°C", 1, cold),
        _Quantity("rh_pct", "Relative humidity, %", "damp", "%", 0, damp),
    )


def piece_air(drying: Drying, climates: Mapping[str, Climate], limits: AlarmSettings, words: Words) -> list[Plot]:
    """The air that a piece had from its pour until it left, or until now; nothing where that is not known."""
    air = drying.air(climates)
    if air is None:
        return []
    keep = air[0] <= (drying.piece.gone_at or words.now).timestamp()
    at, temp, rh = (column[keep] for column in air)
    if len(at) < 2:
        return []
    at, temp, rh = thinned(at, temp, rh, most=POINTS)
    warm, damp = _quantities(limits)
    return [
        warm.plot(at, [Curve("temperature", warm.css, temp)], words),
        damp.plot(at, [Curve("humidity", damp.css, rh)], words),
    ]


def room_air(
    record: RoomRecord, ahead: Outlook | None, since_s: float, limits: AlarmSettings, words: Words
) -> list[Plot]:
    """Temperature and humidity from `since_s` on, and for the hours to come with the band of 10 to 90 %."""
    climate = record.climate
    times = np.concatenate([[since_s], climate.time_s[climate.time_s > since_s]])
    temp, rh = climate.at(times)
    began = max(since_s, float(climate.time_s[0]))
    at, temp, rh = (a[times >= began] for a in (times, temp, rh))
    if len(at) < 2:
        return []
    at, temp, rh = thinned(at, temp, rh, most=POINTS)
    bands = (None, None) if ahead is None else (ahead.temp_c, ahead.rh_pct)
    hours = np.empty(0) if ahead is None else ahead.first_s + HOUR_S * (np.arange(len(ahead.temp_c.mid)) + 0.5)
    return [
        _plot(quantity, at, past, np.asarray(hours, dtype=float), band, record, since_s, words)
        for quantity, past, band in zip(_quantities(limits), (temp, rh), bands, strict=True)
    ]


def _plot(
    quantity: _Quantity, at: Array, past: Array, hours: Array, band: Band | None, record: RoomRecord, since_s: float,
    words: Words,
) -> Plot:  # fmt: skip
    ahead = hours > at[-1]
    hours = hours[ahead]
    nothing, none_yet = np.full(len(at), np.nan), np.full(len(hours), np.nan)
    curves = [Curve("as read", quantity.css, np.concatenate([past, none_yet]), absent="–")]
    if band is not None and len(hours):
        low, mid, high = (np.concatenate([nothing, edge[ahead]]) for edge in (band.low, band.mid, band.high))
        curves.append(Curve("foreseen", quantity.css, mid, "second", low, high, absent="–"))
    aside = [one for one in record.aside if one.quantity == quantity.name and one.at_s >= since_s]
    return quantity.plot(
        np.concatenate([at, hours]), curves, words, FORESEEN if band else "",
        tuple((one.at_s, one.value) for one in aside),
    )  # fmt: skip
