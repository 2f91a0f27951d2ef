"""A plan, and advice for a piece, as text and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.cli.session import Values, iso
from curewatch.desk.reports.planning import Plan
from curewatch.studio import wording
from curewatch.studio.planning import planner
from curewatch.studio.planning.planner import Advice


def values(tz: ZoneInfo, plan: Plan) -> Values:
    return {
        "room": plan.room,
        "room_assumed": plan.assumed,
        "for": plan.milestone.value,
        "due": iso(plan.due, tz),
        "pieces": plan.pieces,
        "recipe": plan.recipe,
        "air_read_at": iso(plan.data_at, tz),
        "latest": [
            {
                "room_is": one.change.name,
                "even_at": iso(one.even_at, tz),
                "safe_at": iso(one.safe_at, tz),
                "odds_now": one.odds_now,
            }
            for one in plan.latest
        ],
        "places": [
            {"place": one.place, "piece": one.piece, "even_at": iso(one.even_at, tz), "safe_at": iso(one.safe_at, tz)}
            for one in plan.places
        ],
    }


def text(tz: ZoneInfo, plan: Plan, now: datetime, page: Page) -> str:
    def date(at: datetime | None) -> str:
        return "too late" if at is None else wording.date(at, lambda one: one.astimezone(tz), now)

    many = f"{plan.pieces} piece{'s' * (plan.pieces != 1)}"
    head = f"To have {many} at {wording.STAGES[plan.milestone]} by {date(plan.due)} in {plan.room}, pour at the latest:"
    why = [] if plan.assumed is None else textwrap.wrap(f"No room was named; {plan.assumed}.", page.width)
    rows = [*textwrap.wrap(head, page.width), *why, ""]
    rows.append(page.bold(f"{'':<20} {'even odds':<19} {'90 %':<19} if poured now").rstrip())
    rows += [
        f"{one.change.name:<20} {date(one.even_at):<19} {date(one.safe_at):<19} {one.odds_now:>6.0%}"
        for one in plan.latest
    ]
    rows += ["", *textwrap.wrap(planner.verdict(plan.latest), page.width)]
    rows += ["", *_places(plan, date, page)]
    age = f"{plan.room} was last read {wording.age(plan.data_at, now)}; what is to come is its usual days."
    return "\n".join([*rows, *textwrap.wrap(age, page.width), *textwrap.wrap(planner.PLAN_CAUTION, page.width)])


def _places(plan: Plan, date: Callable[[datetime], str], page: Page) -> list[str]:
    if not plan.places:
        return ["Nothing lies in this room now."]
    rows = [page.bold("Places that are taken, and when each is safe to clear")]
    for one in plan.places:
        when = "not foreseen" if one.safe_at is None else date(one.safe_at)
        rows.append(f"  {one.place or 'somewhere':<20} {one.piece:<24} {when}")
    nth = plan.places[plan.pieces - 1] if plan.pieces <= len(plan.places) else None
    if nth is not None and nth.safe_at is not None and plan.pieces > 1:
        rows.append(f"The next {plan.pieces} of them are free {date(nth.safe_at)}.")
    return rows


def advice_values(advice: Sequence[Advice]) -> list[Values]:
    return [
        {
            "room_is": one.change.name,
            "hours": {kind.value: None if h is None else round(h, 2) for kind, h in one.hours.items()},
            "reached_only_so": [kind.value for kind in one.reached_only_so],
            "skin_gap_h": one.skin_gap_h,
            "skin_gap_now_h": one.skin_gap_now_h,
            "rate_ratio": one.rate_ratio,
            "risks_skin": one.risks_skin,
        }
        for one in advice
    ]


def advice_text(advice: Sequence[Advice], page: Page) -> str:
    """What could be done from now on; empty where nothing is ahead that a change would move."""
    rows = []
    for said in filter(None, map(planner.advised, advice)):
        rows += textwrap.wrap(said, page.width - 2, subsequent_indent="  ")
    return "\n".join([page.bold("What a change from now on would do, by the central estimate"), *rows]) if rows else ""
