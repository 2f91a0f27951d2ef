"""The API of the whole studio: plans, what was learned, and everything out and in again."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Body, Query, Request
from starlette.concurrency import run_in_threadpool

from curewatch.desk import FactError, PourOrder, observing, planning, taking_in, taking_out
from curewatch.desk.places import free_places
from curewatch.intake.logger_csv import Layout, parse_logger_csv
from curewatch.records import WET_THICKNESS_RANGE_M, MilestoneKind, Name, ThicknessSource
from curewatch.web.api_answers import BASE, REFUSALS
from curewatch.web.api_care_models import BeliefOut, PlanOut
from curewatch.web.api_models import At, Given
from curewatch.web.plan_page import AHEAD_MOST, one_at_a_time
from curewatch.web.site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)

AT_ONCE = 5000
"""Readings written in one transaction: the daemon beside waits for no longer than these take."""
ROWS = {"requestBody": {"required": True, "content": {"text/csv": {"schema": {"type": "string"}}}}}


class TakenIn(Given):
    taken_in: dict[str, int]


class RowsIn(Given):
    rows: int
    new: int
    in_the_future: int
    empty: int


@router.get("/plan")
def plan(
    site: Here,
    room: Name,
    due: At,
    wet_thickness_mm: Annotated[float, Query(ge=WET_THICKNESS_RANGE_M[0] * 1e3, le=WET_THICKNESS_RANGE_M[1] * 1e3)],
    pieces: Annotated[int, Query(ge=1, le=1000)] = 1,
    ready: Annotated[Literal["handle", "varnish_ready"], Query()] = "handle",
    recipe: Name | None = None,
) -> PlanOut:
    """The latest moment to pour so that pieces are ready by `due`, in the room as it usually is and changed."""
    now = site.clock.now()
    if due - now > AHEAD_MOST:
        raise FactError("due", due.isoformat(), f"a moment within the next {AHEAD_MOST.days} days")
    low, high = WET_THICKNESS_RANGE_M
    order = PourOrder(
        name="planned", room=room, at=now, wet_thickness_m=min(max(wet_thickness_mm / 1e3, low), high),
        thickness_source=ThicknessSource.GAUGE, recipe=recipe,
    )  # fmt: skip
    with one_at_a_time:
        made = planning.plan(site.desk, order, due, pieces, MilestoneKind(ready), now)
    return PlanOut.of(made, free_places(site.desk, room), site.desk.settings.tz)


@router.get("/learned")
def learned(site: Here) -> list[BeliefOut]:
    """What has come to be believed of recipes and places, and from what."""
    return [BeliefOut.of(one) for one in observing.what_was_learned(site.desk, site.clock.now())]


@router.get("/export")
def export(site: Here) -> dict[str, Any]:
    """Everything that is known, readings included: /import makes the same studio of it. Scope admin."""
    return taking_out.everything(site.desk)


@router.post("/import", status_code=201)
def import_all(site: Here, data: Annotated[dict[str, Any], Body()]) -> TakenIn:
    """A whole export into a store that is still empty, all or nothing. Scope admin."""
    now = site.clock.now()
    counts = taking_in.take_in(site.desk, data, now)
    site.changed(now)
    return TakenIn(taken_in=counts)


@router.post("/readings.csv", status_code=201, openapi_extra=ROWS)
async def import_rows(request: Request, site: Here, room: Name, source: Name = "logger") -> RowsIn:
    """A logger's record as a room's history, as `curewatch import-readings` takes it. Scope admin.

    Columns time_utc (ISO 8601), temp_c and rh_pct. What is stored already stays as it is.
    """
    return await run_in_threadpool(_rows_in, site, await request.body(), room, source, site.clock.now())


def _rows_in(site: Site, content: bytes, room: str, source: str, now: datetime) -> RowsIn:
    found = parse_logger_csv(content, Layout(zone=UTC), name="the body", room=room, source=source, now=now)
    usable = [one for one in found.readings if one.at <= now]
    new = sum(site.desk.absorb(usable[i : i + AT_ONCE]) for i in range(0, len(usable), AT_ONCE))
    site.changed(now)
    ahead = len(found.readings) - len(usable)
    return RowsIn(rows=len(found.readings), new=new, in_the_future=ahead, empty=found.empty)
