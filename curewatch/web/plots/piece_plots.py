"""The plots of one piece: how it dries, and the air it has had."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from curewatch.desk import PieceReport
from curewatch.desk.reports.cure_record import PieceHistory
from curewatch.desk.snapshot.air_outlook import piece_future
from curewatch.physics.air import Array
from curewatch.settings import AlarmSettings
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.drying_curve import MEMBERS, Band, DryingCurve, drying_curve
from curewatch.web.plots.plot import Curve, Plot, thinned
from curewatch.web.site import Site
from curewatch.web.texts import FIT, Words

POINTS = 160


@dataclass(frozen=True)
class AirSummary:
    """The record of the air since the pour [°C, %]."""

    low_c: float
    mean_c: float
    high_c: float
    low_rh: float
    mean_rh: float
    high_rh: float
    known_until: datetime | None


def drying_plots(report: PieceReport, curve: DryingCurve | None, limits: AlarmSettings, words: Words) -> list[Plot]:
    """What is left in the film, and how warm it lies against its film-forming temperature."""
    if curve is None:
        return []
    at = report.drying.pour.at.timestamp() + curve.hours * 3600
    marks = tuple(
        (m.worth_checking_at.timestamp(), FIT[m.kind])
        for m in (report.forecast.milestones if report.forecast else ())
        if m.worth_checking_at is not None and at[0] < m.worth_checking_at.timestamp() < at[-1]
    )
    left = Plot(
        title="Water and glycol still in the film, % of what was poured",
        description="Falls from 100 as the piece dries; the shaded band is where 10 to 90 % of the members lie.",
        unit="%",
        at=at,
        curves=(_banded("left", "dry", curve.left, 100),),
        words=words,
        marks=marks,
        least=(0.0, 100.0),
    )
    depth = Plot(
        title="Wet at the top and at the bottom, % of the volume there",
        description="A surface much drier than the bottom is a skin over a soft core.",
        unit="%",
        at=at,
        curves=(
            _banded("surface", "damp", curve.surface, 100),
            _banded("bottom", "dry", curve.bottom, 100, dash="second"),
        ),
        words=words,
        least=(0.0, 60.0),
    )
    film = Plot(
        title="Film temperature, °C",
        description="Below the film-forming temperature (MFFT) the paint's particles cannot fuse, and it may crack.",
        unit="°C",
        at=at,
        curves=(_banded("film", "film", curve.film_temp_c),),
        words=words,
        limits=((limits.cold_mfft_c, f"MFFT {limits.cold_mfft_c:g} °C"),),
        digits=1,
    )
    return [left, depth, film]


def _banded(label: str, css: str, band: Band, times: float = 1, dash: str = "") -> Curve:
    """The middle one of the members, in the band where 10 to 90 % of them lie."""
    return Curve(label, css, times * band.median, dash, low=times * band.low, high=times * band.high)


def air_plots(
    report: PieceReport, climates: Mapping[str, Climate], limits: AlarmSettings, words: Words
) -> tuple[list[Plot], AirSummary | None]:
    """The air since the pour with its limits, and what it came to. Nothing where it is not known."""
    air = report.drying.air(climates)
    if air is None:
        return [], None
    until = words.now.timestamp()
    time, temp, rh = air
    keep = time <= until
    time, temp, rh = time[keep], temp[keep], rh[keep]
    if len(time) < 2:
        return [], None
    had = AirSummary(
        float(temp.min()), _mean(time, temp), float(temp.max()), float(rh.min()), _mean(time, rh), float(rh.max()),
        report.data_at,
    )  # fmt: skip
    time, temp, rh = thinned(time, temp, rh, most=POINTS)
    return air_pair(time, temp, rh, limits, words), had


def record_air(found: PieceHistory, limits: AlarmSettings, words: Words) -> list[Plot]:
    """The air a piece had from its pour until it left, or until now."""
    air = found.drying.air(found.climates)
    if air is None:
        return []
    keep = air[0] <= (found.drying.piece.gone_at or words.now).timestamp()
    time, temp, rh = (column[keep] for column in air)
    if len(time) < 2:
        return []
    time, temp, rh = thinned(time, temp, rh, most=POINTS)
    return air_pair(time, temp, rh, limits, words)


def air_pair(time: Array, temp: Array, rh: Array, limits: AlarmSettings, words: Words) -> list[Plot]:
    """Temperature and humidity of a room's air over time, with the limits of its alarms."""
    warm, damp = Curve("temperature", "temp", temp), Curve("humidity", "damp", rh)
    return [
        Plot(
            title="Room temperature, °C",
            description="The room's air as read, with the limits of cold and of frost.",
            unit="°C",
            at=time,
            curves=(warm,),
            words=words,
            limits=(
                (limits.cold_mfft_c, f"cold {limits.cold_mfft_c:g} °C"),
                (limits.frost_c, f"frost {limits.frost_c:g} °C"),
            ),
            digits=1,
        ),
        Plot(
            title="Relative humidity, %",
            description="The room's air as read, with the limits of damp and of drying too fast.",
            unit="%",
            at=time,
            curves=(damp,),
            words=words,
            limits=(
                (limits.damp_rh_pct, f"damp {limits.damp_rh_pct:g} %"),
                (limits.fast_rh_pct, f"too dry {limits.fast_rh_pct:g} %"),
            ),
        ),
    ]


def _mean(time: Array, values: Array) -> float:
    """Over time, not over readings: a night of many readings counts no more than one of few."""
    steps = np.diff(time)
    return float((steps * (values[1:] + values[:-1]) / 2).sum() / steps.sum())


def curve_of(site: Site, report: PieceReport, climates: dict[str, Climate], now: datetime) -> DryingCurve | None:
    """With the room as it is foreseen, like the dates beside it."""
    forecast = report.forecast
    if forecast is None or forecast.reason is not None:
        return None
    key = f"{report.drying.piece.id} {forecast.fingerprint}"

    def drawn() -> DryingCurve | None:
        ahead = piece_future(site.desk.store, report.drying, now, MEMBERS)
        return drying_curve(report.drying, climates, forecast, now, ahead)

    return site.curves(key, drawn)
