"""The plots of one piece: how it dries."""

from __future__ import annotations

from datetime import datetime

from curewatch.desk.reports.piece import PieceReport
from curewatch.desk.snapshot.air import piece_future
from curewatch.settings import AlarmSettings
from curewatch.studio.forecasting.drying_curve import MEMBERS, Band, DryingCurve, drying_curve
from curewatch.web.plots.plot import Curve, Plot
from curewatch.web.site import Site
from curewatch.web.texts import FIT, Words


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


def curve_of(site: Site, report: PieceReport, now: datetime) -> DryingCurve | None:
    """With the room as it is foreseen, like the dates beside it."""
    forecast, past = report.forecast, report.past
    if forecast is None or forecast.reason is not None:
        return None

    def drawn() -> DryingCurve | None:
        ahead = None if past is None else piece_future(past, report.drying, now, MEMBERS)
        return drying_curve(report.drying, report.climates, forecast, now, ahead)

    return site.curves(f"{report.drying.piece.id} {forecast.fingerprint}", drawn)
