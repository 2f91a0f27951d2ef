"""An estimate as a page of text."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path

from curewatch.cli.estimate_request import EstimateRequest
from curewatch.cli.output import Page
from curewatch.cli.texts import curve
from curewatch.records import MilestoneKind
from curewatch.records.errors import quoted
from curewatch.studio.planning.estimate import EstimateInput, EstimateResult, answer, cautions
from curewatch.studio.planning.estimate import curve as dry
from curewatch.studio.wording import CRACKS_BY, STAGES, THICKNESS_FROM, cracks, span

HONESTY = (
    "These are estimates. The rate of drying is known to ±20 % at best, and no room stays as it is: before you rely "
    "on a date, touch an edge that nobody will see."
)
STEADY = " The air is taken to stay as it is: in a room, which changes, `pour` may find more."
_COLUMNS = (("earliest", "10 %"), ("worth checking", "50 %"), ("safe to assume", "90 %"))


def text(asked: EstimateRequest, page: Page) -> str:
    question = asked.question
    found = answer(question)
    warnings = cautions(question, asked.thickness.source, found, drained=asked.thickness.drained)
    steady = STEADY if question.air.is_constant else ""
    lines = [
        *_wrapped(_what_was_asked(asked), page),
        "",
        *_table(found, page, central_only=question.members == 1),
        "",
        *_wrapped(f"Counted from the pour. In its first minute the film is at {found.film_temp_c:.1f} °C.", page),
        *_wrapped(f"Cracks: {cracks(found.crack_odds)}, {CRACKS_BY}.{steady}", page),
        *(_wrapped(str(found.weigh), page) if found.weigh else []),
        *(["", page.bold("Warnings")] if warnings else []),
        *(line for warning in warnings for line in _wrapped(str(warning), page, "  ")),
        "",
        *_curve(question, found, page),
        "",
        *_wrapped(HONESTY, page),
    ]
    return "\n".join(lines)


def _wrapped(text: str, page: Page, indent: str = "") -> list[str]:
    """Lines of at most the page's width; a number is not parted from its unit."""
    held = re.sub(r"(?<=[0-9]) (?=[^ ])", "\u00a0", text)
    lines = textwrap.wrap(held, page.width, initial_indent=indent, subsequent_indent=indent * 2, break_on_hyphens=False)
    return [line.replace("\u00a0", " ") for line in lines]


def _what_was_asked(asked: EstimateRequest) -> str:
    pouring, air = asked.question.pouring, asked.question.air
    constant = f"at {air.temp_c[0]:g} °C and {air.rh_pct[0]:g} %RH"
    where = f"in the air of {quoted(Path(asked.room).name)}" if asked.room else constant
    solvents = f"{100 * pouring.glycol:.3g} % glycol"
    if pouring.coalescent > 0:
        solvents += f" and {100 * pouring.coalescent:.3g} % coalescent"
    model = " By the model with a receding front, which no forecast uses." if pouring.front else ""
    return (
        f"A wet film of {pouring.wet_thickness * 1e3:.3g} mm ({THICKNESS_FROM[asked.thickness.source]}), "
        f"{100 * pouring.solids:.3g} % solids and {solvents} by volume, {where}, air moving "
        f"at {pouring.air_speed:.2g} m/s along {pouring.side * 100:.3g} cm.{model}"
    )


def _table(found: EstimateResult, page: Page, *, central_only: bool) -> list[str]:
    """Milestones by odds; below it, why a time is missing."""
    columns = (("central film", "no spread"),) if central_only else _COLUMNS
    kinds = [(str(STAGES[MilestoneKind(name)]), reached) for name, reached in found.milestones.items()]
    wide = min((page.width - 17) // 3, 17)

    def row(stage: str, cells: Iterable[str]) -> str:
        return f"{stage:<17}" + "".join(f"{cell:>{wide}}" for cell in cells)

    lines = [page.bold(row("", headings)) for headings in zip(*columns, strict=True)]
    for stage, reached in kinds:
        times = reached.hours[:1] if central_only else reached.hours
        lines.append(row(stage, map(_duration, times)))
    reasons = [f"{stage}: {reached.reason}." for stage, reached in kinds if reached.reason]
    return lines + [line for reason in reasons for line in _wrapped(reason, page, "  ")]


def _duration(hours: float | None) -> str:
    return "-" if hours is None else span(timedelta(hours=hours))


def _curve(question: EstimateInput, found: EstimateResult, page: Page) -> list[str]:
    drying = dry(question, found, page.width - curve.LEFT)
    signs = curve.UNICODE if page.unicode else curve.ASCII
    key = [] if question.members == 1 else [f"{signs.median} 50 %   {signs.band} 10 to 90 % of films like this"]
    marks = [
        (str(STAGES[MilestoneKind(name)]), hours)
        for name in found.milestones
        if (hours := found.hours(name, 50)) is not None
    ]
    band = (drying.low.tolist(), drying.median.tolist(), drying.high.tolist())
    title = page.bold("Liquid left in the film, % of what was poured")
    return [title, *key, *curve.draw(drying.hours.tolist(), band, marks, unicode=page.unicode)]
