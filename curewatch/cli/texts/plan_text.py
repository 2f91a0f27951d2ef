"""A plan, advice for a piece, and what to mix, as text."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from curewatch.cli.output import Page, ended, text_of, wrapped
from curewatch.cli.texts.board_text import headings
from curewatch.language import Capital, Mass, Number, Volume, When, joined, phrase, phrase_n, reads
from curewatch.studio import wording
from curewatch.studio.planning import planner
from curewatch.views.mixing import MixOut
from curewatch.views.plan import AdviceOut, PlanOut


def text(plan: PlanOut, now: datetime, page: Page) -> str:
    head = phrase(
        "To have {pieces} at {stage} by {date} in {room}, pour at the latest:",
        pieces=phrase_n("{n} piece", "{n} pieces", plan.pieces),
        stage=wording.STAGES[plan.ready],
        date=When(plan.due, now, "date"),
        room=plan.room,
    )
    rows = []
    if plan.room_assumed is not None:
        rows += wrapped(phrase("No room was named; {assumed}.", assumed=plan.room_assumed), page.width)
    rows += [*wrapped(head, page.width), "", *_latest(plan, now, page)]
    rows += ["", *wrapped(plan.verdict, page.width), *wrapped(plan.weigh or "", page.width)]
    rows += wrapped(phrase("Cracks are told {by}.", by=wording.CRACKS_BY), page.width)
    rows += ["", *_places(plan, now, page)]
    if plan.promised:
        rows += ["", page.bold(text_of(phrase("Promised already")))]
        rows += [line for one in plan.promised for line in wrapped(f"{one.piece}: {one.text}", page.width)]
    ago, to_come = reads().age(plan.air_read_at, now), planner.to_come(days_known=plan.days_known)
    rows += wrapped(
        phrase("{room} was last read {ago}; {to_come}.", room=plan.room, ago=ago, to_come=to_come), page.width
    )
    return "\n".join([*rows, *wrapped(joined(plan.cautions, wording.SAFETY), page.width)])


def _latest(plan: PlanOut, now: datetime, page: Page) -> list[str]:
    """Of each room as it is or could be, the latest moments and the odds now."""
    r, late = reads(), text_of(phrase("too late"))
    heads = ["", r.percent(50), r.percent(90), text_of(phrase("now in time")), text_of(phrase("cracks"))]
    rows = [
        (one.room_is, *(late if at is None else r.date(at, now) for at in (one.even_at, one.safe_at)),
         *(text_of(wording.percent(odds)) for odds in (one.odds_now, one.crack_odds)))
        for one in plan.latest
    ]  # fmt: skip
    wide = (max(18, *(len(row[0]) for row in rows)), 19, 18, 11, 9)
    said = [f"{a:<{wide[0]}} {b:<19} {c:<18} {d:>9} {e:>9}" for a, b, c, d, e in rows]
    return [*(page.bold(line) for line in headings(heads, wide)), *said]


def _places(plan: PlanOut, now: datetime, page: Page) -> list[str]:
    if not plan.places_taken:
        return [text_of(phrase("No piece is in this room now."))]
    rows = [page.bold(text_of(phrase("Places that are taken, and when each is safe to clear")))]
    for one in plan.places_taken:
        when = "" if one.safe_at is None else reads().date(one.safe_at, now)
        if one.held:
            when = text_of(phrase("once found dry"))
        elif one.safe_at is None or one.safe_at <= now:
            when = text_of(phrase("not foreseen") if one.safe_at is None else phrase("now"))
        rows.append(f"  {one.place or text_of(phrase('somewhere')):<20} {one.piece:<24} {when}")
    nth = plan.places_taken[plan.pieces - 1] if plan.pieces <= len(plan.places_taken) else None
    if nth is not None and nth.safe_at is not None and plan.pieces > 1:
        free = phrase("The next {n} of them are free {date}.", n=plan.pieces, date=When(nth.safe_at, now, "date"))
        rows.append(text_of(free))
    return rows


def advice_text(advice: Sequence[AdviceOut], page: Page) -> str:
    """What could be done from now on; empty where nothing is ahead that a change would move."""
    rows = [line for one in advice if one.text for line in wrapped(one.text, page.width - 2, rest="  ")]
    head = phrase("What a change from now on would do (best estimate)")
    return "\n".join([page.bold(text_of(head)), *rows]) if rows else ""


def mix_text(made: MixOut, page: Page) -> str:
    whole, pieces = Volume(made.volume_ml, 2), phrase_n("{n} piece", "{n} pieces", made.pieces)
    head = phrase("{recipe}: mix {volume} for {pieces}", recipe=made.recipe, volume=whole, pieces=pieces)
    lines = [page.bold(text_of(head))]
    lines += [
        f"  {one.material:<24}{text_of(Volume(one.ml, 2)):>11}{text_of(Mass(one.g, 2)):>10}" for one in made.portions
    ]
    goes = phrase(
        "Of it {faces} on the faces, {edges} on the sides, {table} onto the table.",
        faces=Volume(made.faces_ml, 2),
        edges=Volume(made.edges_ml, 2),
        table=Volume(made.runs_off_ml, 2),
    )
    lines += wrapped(goes, page.width)
    if made.run_off.text is not None:
        lines += wrapped(Capital(made.run_off.text), page.width)
    if made.price is not None:
        lines.append(text_of(phrase("It costs {price}.", price=Number(made.price, 2))))
    return "\n".join(
        [
            *lines,
            *(line for note in made.notes for line in wrapped(phrase("Note: {note}", note=ended(note)), page.width)),
        ]
    )
