"""An estimate as a page of text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path

from curewatch.cli.estimate_request import EstimateRequest
from curewatch.cli.output import Page, text_of, wrapped
from curewatch.cli.texts import curve
from curewatch.language import Length, Percent, Speed, Temperature, Thickness, Words, joined, phrase, reads
from curewatch.records import MilestoneKind
from curewatch.records.errors import quoted
from curewatch.studio.planning.estimate import EstimateInput, EstimateResult, answer, cautions
from curewatch.studio.planning.estimate import curve as dry
from curewatch.studio.wording import CRACKS_BY, STAGES, THICKNESS_FROM, cracks

HONESTY = phrase(
    "These are estimates. The rate of drying is known to ±20 % at best, and no room stays as it is: before you rely "
    "on a date, touch an edge that nobody will see."
)
STEADY = phrase("The air is taken to stay as it is: in a room, which changes, `pour` may find more.")
_COLUMNS = ((phrase("earliest"), 10), (phrase("worth checking"), 50), (phrase("safe to assume"), 90))


def text(asked: EstimateRequest, page: Page) -> str:
    question = asked.question
    found = answer(question)
    warnings = cautions(question, asked.thickness.source, found, drained=asked.thickness.drained)
    steady = STEADY if question.air.is_constant else None
    counted = phrase(
        "Counted from the pour. In its first minute the film is at {temp}.", temp=Temperature(found.film_temp_c, 1)
    )
    crack = phrase("Cracks: {cracks}, {by}.", cracks=cracks(found.crack_odds), by=CRACKS_BY)
    lines = [
        *wrapped(_what_was_asked(asked), page.width),
        "",
        *_table(found, page, central_only=question.members == 1),
        "",
        *wrapped(counted, page.width),
        *wrapped(joined(crack, steady), page.width),
        *wrapped(found.weigh or "", page.width),
        *(["", page.bold(text_of(phrase("Warnings")))] if warnings else []),
        *(line for warning in warnings for line in wrapped(warning, page.width, "  ", "    ")),
        "",
        *_curve(question, found, page),
        "",
        *wrapped(HONESTY, page.width),
    ]
    return "\n".join(lines)


def _what_was_asked(asked: EstimateRequest) -> Words:
    pouring, air, r = asked.question.pouring, asked.question.air, reads()
    temp = f"{r.figures(r.degrees_of(float(air.temp_c[0])), 3)} {r.degrees}"
    where = phrase("at {temp} and {humidity}", temp=temp, humidity=f"{r.figures(float(air.rh_pct[0]))} %RH")
    if asked.room:
        where = phrase("in the air of {file}", file=quoted(Path(asked.room).name))
    solids, glycol, coalescent = (
        f"{r.figures(100 * share)} %" for share in (pouring.solids, pouring.glycol, pouring.coalescent)
    )
    solvents = phrase("{share} glycol", share=glycol)
    if pouring.coalescent > 0:
        solvents = phrase("{glycol} glycol and {coalescent} coalescent", glycol=glycol, coalescent=coalescent)
    said = phrase(
        "A wet film of {thick} ({known}), {solids} solids and {solvents} by volume, {where}, air moving at {speed} "
        "along {side}.",
        thick=Thickness(pouring.wet_thickness, 3),
        known=THICKNESS_FROM[asked.thickness.source],
        solids=solids,
        solvents=solvents,
        where=where,
        speed=Speed(pouring.air_speed),
        side=Length(pouring.side),
    )
    front = phrase("By the model with a receding front, which no forecast uses.") if pouring.front else None
    return joined(said, front)


def _table(found: EstimateResult, page: Page, *, central_only: bool) -> list[str]:
    """Milestones by odds; below it, why a time is missing."""
    heads = [[text_of(head), reads().percent(odds)] for head, odds in _COLUMNS]
    if central_only:
        heads = [[text_of(phrase("central film")), text_of(phrase("no spread"))]]
    kinds = [(text_of(STAGES[MilestoneKind(name)]), reached) for name, reached in found.milestones.items()]
    first = max(17, *(len(stage) + 1 for stage, _ in kinds))
    wide = min((page.width - first) // 3, 17)

    def row(stage: str, cells: Iterable[str]) -> str:
        return f"{stage:<{first}}" + "".join(f"{cell:>{wide}}" for cell in cells)

    split = [[*textwrap.wrap(head, wide - 1), odds] for head, odds in heads]
    high = max(map(len, split))
    split = [[""] * (high - len(one)) + one for one in split]
    lines = [page.bold(row("", line)) for line in zip(*split, strict=True)]
    for stage, reached in kinds:
        times = reached.hours[:1] if central_only else reached.hours
        lines.append(row(stage, map(_duration, times)))
    reasons = [
        phrase("{stage}: {reason}.", stage=stage, reason=reached.reason) for stage, reached in kinds if reached.reason
    ]
    return lines + [line for reason in reasons for line in wrapped(reason, page.width, "  ", "    ")]


def _duration(hours: float | None) -> str:
    return "-" if hours is None else reads().span(timedelta(hours=hours))


def _curve(question: EstimateInput, found: EstimateResult, page: Page) -> list[str]:
    drying = dry(question, found, page.width - curve.LEFT)
    signs = curve.UNICODE if page.unicode else curve.ASCII
    band_said = phrase("{low} to {high} of films like this", low="10", high=Percent(90))
    key = [] if question.members == 1 else [f"{signs.median} 50 %   {signs.band} {text_of(band_said)}"]
    marks = [
        (text_of(STAGES[MilestoneKind(name)]), hours)
        for name in found.milestones
        if (hours := found.hours(name, 50)) is not None
    ]
    band = (drying.low.tolist(), drying.median.tolist(), drying.high.tolist())
    title = page.bold(text_of(phrase("Liquid left in the film, % of what was poured")))
    return [title, *key, *curve.draw(drying.hours.tolist(), band, marks, unicode=page.unicode)]
