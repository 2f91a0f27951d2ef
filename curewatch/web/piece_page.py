"""The page of one piece; printed, it is the piece's cure record."""

from __future__ import annotations

import threading
from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from curewatch.desk import PieceReport
from curewatch.desk.piece_air import piece_air
from curewatch.studio.climate import Climate
from curewatch.studio.drying_curve import DryingCurve, drying_curve
from curewatch.web import piece_view
from curewatch.web.axis import Axis
from curewatch.web.board_view import is_wet, last_date, row
from curewatch.web.site import Here, Site, page

router = APIRouter(include_in_schema=False)

KEPT = 64


class _Curves:
    """Curves made lately: one takes a tenth of a second, and a page may be looked at again and again."""

    def __init__(self) -> None:
        self._made: dict[str, DryingCurve | None] = {}
        self._lock = threading.Lock()

    def of(self, report: PieceReport, climates: dict[str, Climate], now: datetime) -> DryingCurve | None:
        if report.forecast is None or report.forecast.reason is not None:
            return None
        key = f"{report.drying.piece.id} {report.forecast.fingerprint}"
        with self._lock:
            if key not in self._made:
                if len(self._made) >= KEPT:
                    self._made.pop(next(iter(self._made)))
                self._made[key] = drying_curve(report.drying, climates, report.forecast, now)
            return self._made[key]


_curves = _Curves()


@router.get("/piece/{name:path}")
def piece(request: Request, site: Here, name: str) -> HTMLResponse:
    """Where it stands, what comes next, and the air it has had."""
    now = site.clock.now()
    return page(request, "piece.html", now, **_values(site, name, now))


def _values(site: Site, name: str, now: datetime) -> dict[str, Any]:
    words, limits = site.words(now), site.desk.settings.alarms
    report = site.desk.piece(name, now)
    climates = piece_air(site.desk, report.drying, now)
    air, had = piece_view.air_plots(report, climates, limits, words)
    in_danger = bool(report.alarms) and is_wet(report.line, now)
    axis = Axis.to_show(now, last_date(report.line))
    return {
        "report": report,
        "facts": piece_view.facts(report, words),
        "milestones": piece_view.milestone_rows(report, words),
        "cautions": piece_view.cautions(report),
        "row": row(report.line, axis, words, in_danger=in_danger),
        "axis": axis,
        "plots": piece_view.drying_plots(report, _curves.of(report, climates, now), limits, words),
        "air": air,
        "had": had,
        "rooms": [room.name for room in site.boards.look(now).rooms],
    }
