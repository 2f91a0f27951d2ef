"""The plan: the latest moment to pour for a date, what a change of the room buys, and when places free."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from functools import partial

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from curewatch.desk.reports import planning
from curewatch.desk.reports.room import free_places
from curewatch.intake.typed.numbers import whole_number
from curewatch.intake.typed.times import parse_due
from curewatch.language import Message, phrase
from curewatch.language import Words as Sentences
from curewatch.records import MilestoneKind
from curewatch.records.errors import Field, InputError, understood
from curewatch.studio import wording
from curewatch.studio.planning import planner
from curewatch.web.pages.forms import RECENT, Preset, Wrong, newest_pours, pour_words, recent_sizes
from curewatch.web.scarce import costly
from curewatch.web.site import AHEAD_MOST, Here, Site, page
from curewatch.web.texts import Words

router = APIRouter(include_in_schema=False)
FOR = {"handle": phrase("dry to handle"), "varnish_ready": phrase("ready to varnish")}
AHEAD_USUAL = timedelta(days=14)
PIECES_MOST = 1000


@dataclass(frozen=True)
class PlanAnswer:
    """A plan, and what is said of it."""

    plan: planning.Plan
    verdict: Sentences
    free: tuple[str, ...]
    """Places of the room that nothing lies on."""
    weigh: Message | None
    nth_free_at: datetime | None
    """When as many places as there are pieces are safe to clear; None: not foreseen, or not needed."""


@router.get("/plan")
@costly(only_with="due")
def plan(request: Request, site: Here) -> HTMLResponse:
    """The form, and its answer where it was filled in. Nothing is stored."""
    now = site.clock.now()
    kept = site.boards.look(now)
    presets = [Preset.of(drying) for drying in newest_pours(kept)[:RECENT]]
    preset = presets[0] if presets else None
    asked = {name: value.strip() for name, value in request.query_params.items()}
    answer, wrong = None, None
    if asked.get("due"):
        try:
            answer = answered(site, asked, preset, now)
        except InputError as error:
            wrong = Wrong.of(error, asked)
    rooms = [room.name for room in kept.rooms]
    with site.desk.store.read() as tx:
        recipes = [recipe.name for recipe in tx.recipes()]
    words = site.words(now)
    values = _filled(preset, words) | asked
    return page(
        request, "plan.html", now, 422 if wrong else 200, values=values, wrong=wrong, answer=answer,
        rooms=rooms, recipes=recipes, sizes=recent_sizes(presets, words.reader.measures), preset=preset, kinds=FOR,
        caution="" if answer is None else planner.warnings(answer.plan.latest),
        to_come=planner.to_come(days_known=answer is not None and answer.plan.days_known), cracks_by=wording.CRACKS_BY,
    )  # fmt: skip


def answered(site: Site, asked: Mapping[str, str], preset: Preset | None, now: datetime) -> PlanAnswer:
    """What the form asks. InputError, with the field as the form calls it."""
    due = partial(_due, asked.get("due", ""), now, site.desk.settings.tz)
    kind = partial(_kind, asked.get("for", "handle"))
    pieces = partial(whole_number, asked.get("pieces", "1"), PIECES_MOST, Field.PIECES)
    orders = partial(pour_words(asked, preset).orders, now)
    understood(due, kind, pieces, orders)
    made = site.planned(orders()[0], due(), pieces(), kind(), now)
    free = free_places(site.desk, made.room)
    short = made.pieces - len(free)
    nth = made.places[short - 1].safe_at if 0 < short <= len(made.places) else None
    weigh = planner.weigh(made.milestone, made.latest[0], due())
    return PlanAnswer(made, planner.verdict(made.latest), free, weigh, nth)


def _due(typed: str, now: datetime, zone: tzinfo) -> datetime:
    due = parse_due(typed, now=now, zone=zone)
    if due - now > AHEAD_MOST:
        raise InputError(Field.DUE, typed, phrase("a day within the next {days}", days=AHEAD_MOST.days))
    return due


def _kind(asked: str) -> MilestoneKind:
    if asked not in FOR:
        raise InputError(Field.READY, asked, " or ".join(FOR))
    return MilestoneKind(asked)


def _filled(preset: Preset | None, words: Words) -> dict[str, str]:
    """What a fresh form holds: a fortnight, and what the last pour was."""
    fresh = {"due": f"{words.local(words.now + AHEAD_USUAL):%Y-%m-%d}", "pieces": "1", "for": "handle"}
    if preset is None:
        return fresh | {"thickness": "medium"}
    last = {
        "room": preset.room,
        "recipe": preset.recipe,
        "size": preset.size_typed(words.reader.measures),
        "support": preset.support.value,
    }
    return fresh | last | {"thickness": "same"}
