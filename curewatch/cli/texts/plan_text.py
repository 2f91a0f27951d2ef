"""A plan, advice for a piece, and what to mix, as text."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from datetime import datetime

from curewatch.cli.output import Page
from curewatch.cli.texts import dates
from curewatch.studio import wording
from curewatch.studio.planning import planner
from curewatch.views.mixing import MixOut
from curewatch.views.plan import AdviceOut, PlanOut


def text(plan: PlanOut, now: datetime, page: Page) -> str:
    def date(at: datetime | None) -> str:
        return "too late" if at is None else dates.date(at, now)

    many = f"{plan.pieces} piece{'s' * (plan.pieces != 1)}"
    head = f"To have {many} at {wording.STAGES[plan.ready]} by {date(plan.due)} in {plan.room}, pour at the latest:"
    why = [] if plan.room_assumed is None else textwrap.wrap(f"No room was named; {plan.room_assumed}.", page.width)
    rows = [*why, *textwrap.wrap(head, page.width), ""]
    rows.append(page.bold(f"{'':<18} {'50 %':<19} {'90 %':<16} now in time    cracks").rstrip())
    for one in plan.latest:
        odds = f"{wording.percent(one.odds_now):>9} {wording.percent(one.crack_odds):>9}"
        rows.append(f"{one.room_is:<18} {date(one.even_at):<19} {date(one.safe_at):<18} {odds}")
    rows += ["", *textwrap.wrap(plan.verdict, page.width), *textwrap.wrap(plan.weigh or "", page.width)]
    rows += textwrap.wrap(f"Cracks are told {wording.CRACKS_BY}.", page.width)
    rows += ["", *_places(plan, date, now, page)]
    if plan.promised:
        rows += ["", page.bold("Promised already")]
        rows += [line for one in plan.promised for line in textwrap.wrap(f"{one.piece}: {one.text}", page.width)]
    to_come = planner.to_come(days_known=plan.days_known)
    age = f"{plan.room} was last read {wording.age(plan.air_read_at, now)}; {to_come}."
    return "\n".join(
        [*rows, *textwrap.wrap(age, page.width), *textwrap.wrap(f"{planner.PLAN_CAUTION} {wording.SAFETY}", page.width)]
    )


def _places(plan: PlanOut, date: Callable[[datetime], str], now: datetime, page: Page) -> list[str]:
    if not plan.places_taken:
        return ["No piece is in this room now."]
    rows = [page.bold("Places that are taken, and when each is safe to clear")]
    for one in plan.places_taken:
        when = "not foreseen" if one.safe_at is None else "now" if one.safe_at <= now else date(one.safe_at)
        when = "once found dry" if one.held else when
        rows.append(f"  {one.place or 'somewhere':<20} {one.piece:<24} {when}")
    nth = plan.places_taken[plan.pieces - 1] if plan.pieces <= len(plan.places_taken) else None
    if nth is not None and nth.safe_at is not None and plan.pieces > 1:
        rows.append(f"The next {plan.pieces} of them are free {date(nth.safe_at)}.")
    return rows


def advice_text(advice: Sequence[AdviceOut], page: Page) -> str:
    """What could be done from now on; empty where nothing is ahead that a change would move."""
    rows = []
    for said in filter(None, (one.text for one in advice)):
        rows += textwrap.wrap(said, page.width - 2, subsequent_indent="  ")
    return "\n".join([page.bold("What a change from now on would do (best estimate)"), *rows]) if rows else ""


def mix_text(made: MixOut, page: Page) -> str:
    many = "s" if made.pieces > 1 else ""
    lines = [page.bold(f"{made.recipe}: mix {made.volume_ml:.0f} ml for {made.pieces} piece{many}")]
    lines += [f"  {one.material:<24}{one.ml:>8.0f} ml{one.g:>8.0f} g" for one in made.portions]
    goes = f"{made.faces_ml:.0f} ml on the faces, {made.edges_ml:.0f} on the sides"
    lines += textwrap.wrap(f"Of it {goes}, {made.runs_off_ml:.0f} onto the table.", page.width)
    if made.run_off.text is not None:
        said = made.run_off.text
        lines += textwrap.wrap(f"{said[0].upper()}{said[1:]}.", page.width)
    if made.price is not None:
        lines.append(f"It costs {made.price:.2f}.")
    return "\n".join([*lines, *(line for note in made.notes for line in textwrap.wrap(f"Note: {note}.", page.width))])
