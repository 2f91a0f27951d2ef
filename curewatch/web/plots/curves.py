"""The plots of a room's air, as read and as foreseen, and of one piece: its air since the pour, and how it dries."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from curewatch.desk.reports.piece import PieceReport
from curewatch.desk.reports.room import RoomRecord
from curewatch.desk.snapshot.air import piece_future
from curewatch.language import Percent, Reader, Temperature
from curewatch.physics.air import Array
from curewatch.settings import AlarmSettings
from curewatch.studio import wording
from curewatch.studio.air.climate import HOUR_S, Climate
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.forecasting.drying_curve import MEMBERS, DryingCurve, drying_curve
from curewatch.studio.outlook.outlook import Band, Outlook
from curewatch.web.plots.plot import Curve, Plot, thinned
from curewatch.web.site import Site
from curewatch.web.texts import Words

POINTS = 160


@dataclass(frozen=True)
class _Quantity:
    """One of the two that air has."""

    name: str
    title: str
    css: str
    unit: str
    digits: int
    limits: tuple[tuple[float, str], ...]
    scaled: Callable[[Array], Array]
    """Into the reader's unit."""

    def plot(
        self, at: Array, curves: list[Curve], words: Words, more: str = "", aside: tuple[tuple[float, float], ...] = ()
    ) -> Plot:
        curves = [_scaled(one, self.scaled) for one in curves]
        aside = tuple((at_s, float(self.scaled(np.asarray(value)))) for at_s, value in aside)
        said = words.reader.phrase("The air of the room as read, with the limits of its alarms.")
        return Plot(
            title=self.title,
            description=f"{said} {more}".rstrip(),
            unit=self.unit,
            at=at,
            curves=tuple(curves),
            words=words,
            limits=self.limits,
            points=aside,
            digits=self.digits,
        )


def _scaled(curve: Curve, scaled: Callable[[Array], Array]) -> Curve:
    low, high = (None if edge is None else scaled(edge) for edge in (curve.low, curve.high))
    return replace(curve, y=scaled(curve.y), low=low, high=high)


def _degrees(reader: Reader) -> Callable[[Array], Array]:
    return (lambda celsius: celsius) if reader.temperatures == "C" else (lambda celsius: celsius * 9 / 5 + 32)


def _quantities(limits: AlarmSettings, reader: Reader) -> tuple[_Quantity, _Quantity]:
    phrase, cold, frost = reader.phrase, limits.cold_mfft_c, limits.frost_c
    cold_at = (
        (reader.degrees_of(cold), phrase("cold {temp}", temp=Temperature(cold))),
        (reader.degrees_of(frost), phrase("frost {temp}", temp=Temperature(frost))),
    )
    damp_at = (
        (limits.damp_rh_pct, phrase("damp {humidity}", humidity=Percent(limits.damp_rh_pct))),
        (limits.fast_rh_pct, phrase("dry {humidity}", humidity=Percent(limits.fast_rh_pct))),
    )
    warm, humid = phrase("Room temperature, {unit}", unit=reader.degrees), phrase("Relative humidity, %")
    return (
        _Quantity("temp_c", warm, "temp", reader.degrees, 1, cold_at, _degrees(reader)),
        _Quantity("rh_pct", humid, "damp", "%", 0, damp_at, lambda pct: pct),
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
    warm, damp = _quantities(limits, words.reader)
    return [
        warm.plot(at, [Curve(words.reader.phrase("temperature"), warm.css, temp)], words),
        damp.plot(at, [Curve(words.reader.phrase("humidity"), damp.css, rh)], words),
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
        for quantity, past, band in zip(_quantities(limits, words.reader), (temp, rh), bands, strict=True)
    ]


def _plot(
    quantity: _Quantity, at: Array, past: Array, hours: Array, band: Band | None, record: RoomRecord, since_s: float,
    words: Words,
) -> Plot:  # fmt: skip
    ahead = hours > at[-1]
    hours = hours[ahead]
    nothing, none_yet = np.full(len(at), np.nan), np.full(len(hours), np.nan)
    curves = [Curve(words.reader.phrase("as read"), quantity.css, np.concatenate([past, none_yet]), absent="–")]
    if band is not None and len(hours):
        low, mid, high = (np.concatenate([nothing, edge[ahead]]) for edge in (band.low, band.mid, band.high))
        curves.append(Curve(words.reader.phrase("foreseen"), quantity.css, mid, "second", low, high, absent="–"))
    aside = [one for one in record.aside if one.quantity == quantity.name and one.at_s >= since_s]
    foreseen = words.reader.phrase(
        "Dashed, with a band that holds four cases of five: foreseen from the room's own habits."
    )
    return quantity.plot(
        np.concatenate([at, hours]), curves, words, foreseen if band else "",
        tuple((one.at_s, one.value) for one in aside),
    )  # fmt: skip


def drying_plots(report: PieceReport, curve: DryingCurve | None, limits: AlarmSettings, words: Words) -> list[Plot]:
    """What is left in the film, and how warm it lies against its film-forming temperature."""
    if curve is None:
        return []
    reader, phrase = words.reader, words.reader.phrase
    at = report.drying.pour.at.timestamp() + curve.hours * 3600
    marks = tuple(
        (m.worth_checking_at.timestamp(), reader.read(wording.STAGES[m.kind]))
        for m in (report.forecast.milestones if report.forecast else ())
        if m.worth_checking_at is not None and at[0] < m.worth_checking_at.timestamp() < at[-1]
    )
    left = Plot(
        title=phrase("Water and glycol still in the film, % of what was poured"),
        description=phrase(
            "Falls from 100 as the piece dries; the shaded band is where 10 to 90 % of films like this lie."
        ),
        unit="%",
        at=at,
        curves=(_banded(phrase("left"), "dry", curve.left, 100),),
        words=words,
        marks=marks,
        least=(0.0, 100.0),
    )
    depth = Plot(
        title=phrase("Wet at the top and at the bottom, % of the volume there"),
        description=phrase("A surface much drier than the bottom is a skin over a soft core."),
        unit="%",
        at=at,
        curves=(
            _banded(phrase("top"), "damp", curve.surface, 100),
            _banded(phrase("bottom"), "dry", curve.bottom, 100, dash="second"),
        ),
        words=words,
        least=(0.0, 60.0),
    )
    return [left, depth, _film(at, curve, limits, words)]


def _film(at: Array, curve: DryingCurve, limits: AlarmSettings, words: Words) -> Plot:
    reader, phrase = words.reader, words.reader.phrase
    return Plot(
        title=phrase("Film temperature, {unit}", unit=reader.degrees),
        description=phrase(
            "Below the film-forming temperature (MFFT) the paint's particles cannot fuse, and it may crack."
        ),
        unit=reader.degrees,
        at=at,
        curves=(_scaled(_banded(phrase("film"), "film", curve.film_temp_c), _degrees(reader)),),
        words=words,
        limits=((reader.degrees_of(limits.cold_mfft_c), phrase("MFFT {temp}", temp=Temperature(limits.cold_mfft_c))),),
        digits=1,
    )


def _banded(label: str, css: str, band: Band, times: float = 1, dash: str = "") -> Curve:
    """The middle one of the members, in the band where 10 to 90 % of them lie."""
    return Curve(label, css, times * band.mid, dash, low=times * band.low, high=times * band.high)


def curve_of(site: Site, report: PieceReport, now: datetime) -> DryingCurve | None:
    """With the room as it is foreseen, like the dates beside it."""
    forecast, past = report.forecast, report.past
    if forecast is None or forecast.reason is not None:
        return None

    def drawn() -> DryingCurve | None:
        ahead = None if past is None else piece_future(past, report.drying, now, MEMBERS)
        return drying_curve(report.drying, report.climates, forecast, now, ahead)

    return site.curves(f"{report.drying.piece.id} {forecast.fingerprint}", drawn)
