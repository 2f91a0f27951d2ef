# By itself: show.py holds commands, and what one prints stands beside the others' words.
"""A cure record as a page to print; what may have gone wrong; two records side by side."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from zoneinfo import ZoneInfo

from curewatch.cli.output import Page
from curewatch.desk.reports.cure_record import CureRecord
from curewatch.language import Reader
from curewatch.studio import wording
from curewatch.studio.diagnosis.mechanisms import Diagnosis
from curewatch.views import sheet
from curewatch.views.sheet import HONESTY


def _dated(tz: ZoneInfo) -> sheet.Dated:
    return lambda at: "-" if at is None else f"{at.astimezone(tz):%d %b %Y %H:%M}"


def text(tz: ZoneInfo, looked: CureRecord, page: Page) -> str:
    """The record on one page."""
    lines = [page.bold(f"Cure record: {looked.history.name}")]
    for heading, said in sheet.rows(looked, _dated(tz)):
        heading, said = map(Reader(zone=tz).read, (heading, said))
        lines += textwrap.wrap(f"{heading:<17}{said}", page.width, subsequent_indent=" " * 17)
    written = (
        f"Written {looked.now.astimezone(tz):%d %b %Y %H:%M}. {HONESTY} {wording.VARNISH_CAUTION} {wording.SAFETY}"
    )
    return "\n".join([*lines, "", *textwrap.wrap(written, page.width)])


LEFT = 19
"""Columns of the headings, where several records stand side by side."""


def side_by_side(tz: ZoneInfo, records: Sequence[CureRecord], page: Page) -> str:
    """Records in columns, heading by heading; * where they differ."""
    wide = (page.width - LEFT) // len(records) - 2
    lines = [page.bold((" " * LEFT + "  ".join(f"{one.history.name[:wide]:<{wide}}" for one in records)).rstrip())]
    for row in sheet.side_by_side(records, _dated(tz)):
        cells = [textwrap.wrap(Reader(zone=tz).read(cell), wide) or ["-"] for cell in row.cells]
        for at in range(max(map(len, cells))):
            head = f"{row.heading}{' *' if row.differs else ''}" if at == 0 else ""
            beside = "  ".join(f"{cell[at] if at < len(cell) else '':<{wide}}" for cell in cells)
            lines.append(f"{head:<{LEFT}}{beside}".rstrip())
    return "\n".join([*lines, "", *textwrap.wrap(f"* where they differ. {HONESTY}", page.width)])


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
