"""The page of one piece: where it stands, what comes next, what was found of it, and the air it has had."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from curewatch.desk import PieceReport
from curewatch.desk.commands import aftercare
from curewatch.desk.reports.learned import beliefs_about, seen_of
from curewatch.desk.reports.part_desk_piece_air import piece_air
from curewatch.desk.snapshot.air_outlook import piece_future
from curewatch.studio.air.climate import Climate
from curewatch.studio.forecasting.drying_curve import MEMBERS, DryingCurve, drying_curve
from curewatch.studio.learning.texts import LearnedEffect
from curewatch.studio.planning.planner import Advice
from curewatch.web.pages.board import axis_of, is_wet, row
from curewatch.web.pages.logged import just_done
from curewatch.web.pages.part_web_found_view import advice_rows, observation_rows
from curewatch.web.pages.piece import care_view
from curewatch.web.part_web_site import Here, Site, page
from curewatch.web.plots import piece_plots

router = APIRouter(include_in_schema=False)


@router.get("/piece/{name:path}")
def piece(
    request: Request, site: Here, name: str, done: str = "", of: Annotated[list[str] | None, Query()] = None
) -> HTMLResponse:
    """Where it stands, what comes next, and the air it has had."""
    return show(request, site, name, site.clock.now(), done=done, of=of or [])


def show(
    request: Request,
    site: Site,
    name: str,
    now: datetime,
    *,
    status: int = 200,
    wrong: str | None = None,
    values: Mapping[str, str] | None = None,
    done: str = "",
    of: list[str] | None = None,
) -> HTMLResponse:
    """The page; `wrong` says why what was typed (`values`) cannot be. FactError where no such piece is here."""
    kept = site.boards.look(now)  # before all else that the page tells: of what is newer than its mark it hears
    told = {"wrong": wrong, "values": dict(values or {}), "done": just_done(done, of or [], kept, site.desk)}
    return page(request, "piece.html", now, status, mark=kept.mark, **told, **_values(site, name, now))


def _values(site: Site, name: str, now: datetime) -> dict[str, Any]:
    words, limits = site.words(now), site.desk.settings.alarms
    report = site.desk.piece(name, now)
    climates = piece_air(site.desk, report.drying, now)
    air, had = piece_plots.air_plots(report, climates, limits, words)
    axis = axis_of([report.line], now)
    wet = is_wet(report.line, now)
    advised_at, advice = _advised(site, report, now)
    return {
        "report": report,
        "facts": piece_plots.facts(report, words),
        "milestones": piece_plots.milestone_rows(report, words),
        "cautions": piece_plots.cautions(report),
        "row": row(report.line, axis, words, in_danger=bool(report.alarms) and wet),
        "axis": axis,
        "plots": piece_plots.drying_plots(report, curve_of(site, report, climates, now), limits, words),
        "air": air,
        "had": had,
        "rooms": [room.name for room in site.boards.look(now).rooms],
        "care": care_view(aftercare.steps(site.desk, name, now), words),
        "seen": observation_rows(seen_of(site.desk, report.drying.piece.id), words),
        "beliefs": [belief.sentence for belief in _believed(site, report, now)],
        "advice": advice_rows(advice),
        "advised_at": advised_at,
    }


def curve_of(site: Site, report: PieceReport, climates: dict[str, Climate], now: datetime) -> DryingCurve | None:
    """With the room as it is foreseen, like the dates beside it."""
    forecast = report.forecast
    if forecast is None or forecast.reason is not None:
        return None
    key = f"{report.drying.piece.id} {forecast.fingerprint}"

    def drawn() -> DryingCurve | None:
        ahead = piece_future(site.desk.store, report.drying, now, MEMBERS)
        return drying_curve(report.drying, climates, forecast, now, ahead)

    return site.curves.of(key, now, drawn)[1]


def _advised(site: Site, report: PieceReport, now: datetime) -> tuple[datetime, list[Advice]]:
    """When it was worked out, and what a change would do; nothing where no date is ahead that it could move."""
    if report.forecast is None or report.forecast.reason is not None or not is_wet(report.line, now):
        return now, []
    return site.advised(report.drying, now)


def _believed(site: Site, report: PieceReport, now: datetime) -> list[LearnedEffect]:
    """Kept by all that was observed: what was found of any piece may teach something about this one."""
    with site.desk.store.read() as tx:
        marks = sorted((piece, mark) for piece, (mark, _) in tx.lessons().items())
        key = repr((report.drying.recipe, report.line.room, report.line.place, marks, tx.forgettings()))
    return site.beliefs.of(key, now, lambda: beliefs_about(site.desk, report.drying, now))[1]
