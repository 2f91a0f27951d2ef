"""A cure record as a page to print; what may have gone wrong; two records side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.desk.reports.cure_record import CureRecord
from curewatch.studio import wording
from curewatch.studio.diagnosis.mechanisms import Diagnosis
from curewatch.views import sheet
from curewatch.views.sheet import HONESTY


def rows(tz: ZoneInfo, looked: CureRecord) -> list[sheet.Pair]:
    """The record as headings and what stands beside them."""

    def date(at: datetime | None) -> str:
        return "-" if at is None else f"{at.astimezone(tz):%d %b %Y %H:%M}"

    forecast, gone_at = looked.history.forecast, looked.history.drying.piece.gone_at
    told = sheet.facts(looked, date)
    for one in forecast.milestones if forecast else ():
        odds = f"{date(one.worth_checking_at)} at even odds, {date(one.safe_at)} safe (est.)"
        said = odds if one.found_at is None else f"found {date(one.found_at)}"
        told.append((wording.STAGES[one.kind].capitalize(), said))
    told += sheet.air(looked)
    told += [("Found", f"{said}, {at}") for at, said in sheet.found(looked, date)]
    told += [("Done", f"{said}, {at}") for at, said in sheet.done(looked, date)]
    told += [("Photo", f"{said}, {at}") for at, said in sheet.photos(looked, date)]
    told += [("Corrected", f"{said}, {at}") for at, said in sheet.corrected(looked, date, tz)]
    told += [("Harm", f"{kind}: {said}") for kind, said in sheet.harm(looked)]
    return told + ([("Left", date(gone_at))] if gone_at else [])


def text(tz: ZoneInfo, looked: CureRecord, page: Page) -> str:
    """The record on one page."""
    lines = [page.bold(f"Cure record: {looked.history.name}")]
    for heading, said in rows(tz, looked):
        lines += textwrap.wrap(f"{heading:<15}{said}", page.width, subsequent_indent=" " * 15)
    written = f"Written {looked.now.astimezone(tz):%d %b %Y %H:%M}. {HONESTY} {wording.VARNISH_CAUTION}"
    return "\n".join([*lines, "", *textwrap.wrap(written, page.width)])


def side_by_side(tz: ZoneInfo, one: CureRecord, other: CureRecord, page: Page) -> str:
    """Two records in two columns, heading by heading."""
    left, right = (_by_heading(rows(tz, looked)) for looked in (one, other))
    wide = (page.width - 17) // 2
    lines = [page.bold(f"{'':<15}{one.history.name:<{wide}}  {other.history.name}".rstrip())]
    for heading in dict.fromkeys([*left, *right]):
        cells = [textwrap.wrap(side.get(heading, "-"), wide) or ["-"] for side in (left, right)]
        for at in range(max(map(len, cells))):
            first, second = (cell[at] if at < len(cell) else "" for cell in cells)
            lines.append(f"{heading if at == 0 else '':<15}{first:<{wide}}  {second}".rstrip())
    return "\n".join([*lines, "", *textwrap.wrap(HONESTY, page.width)])


def _by_heading(said: list[sheet.Pair]) -> dict[str, str]:
    """One cell a heading: what stands under it, joined."""
    found: dict[str, str] = {}
    for heading, words in said:
        found[heading] = f"{found[heading]}; {words}" if heading in found else words
    return found


def findings_text(name: str, trouble: str, found: Sequence[Diagnosis], page: Page) -> str:
    lines = [page.bold(f"{name}, {trouble}: what may have done it")]
    for one in found:
        lines += textwrap.wrap(
            f"{one.verdict.value:<11} {one.mechanism}: {one.figure}.", page.width, subsequent_indent=" " * 12
        )
        if one.verdict != "unlikely":
            said = f"Next time: {one.next_time}."
            lines += textwrap.wrap(said, page.width, initial_indent=" " * 12, subsequent_indent=" " * 12)
    ending = "Judged from this piece's record by rules of thumb; no diagnosis."
    return "\n".join([*lines, "", ending])
