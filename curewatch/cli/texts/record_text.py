# By itself: show.py holds commands, and what one prints stands beside the others' words.
"""A cure record as a page to print; what may have gone wrong; two records side by side."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from curewatch.cli.output import Page, text_of, wrapped
from curewatch.desk.reports.cure_record import CureRecord
from curewatch.language import Words, joined, phrase, reads
from curewatch.studio import wording
from curewatch.studio.diagnosis.mechanisms import Diagnosis, Trouble, Verdict
from curewatch.views import sheet
from curewatch.views.sheet import HONESTY


def _dated(at: datetime | None) -> str:
    return "-" if at is None else f"{reads().day(at, weekday=False)} {reads().time(at)}"


def text(looked: CureRecord, page: Page) -> str:
    """The record on one page."""
    lines = [page.bold(text_of(phrase("Cure record: {piece}", piece=looked.history.name)))]
    rows = [(_heading(heading), said) for heading, said in sheet.rows(looked, _dated)]
    left = max(17, *(len(heading) + 1 for heading, _ in rows))
    for heading, said in rows:
        lines += wrapped(said, page.width, f"{heading:<{left}}")
    written = phrase("Written {date}.", date=_dated(looked.now))
    return "\n".join(
        [*lines, "", *wrapped(joined(written, HONESTY, wording.VARNISH_CAUTION, wording.SAFETY), page.width)]
    )


def _heading(words: Words) -> str:
    said = text_of(words)
    return said[:1].upper() + said[1:]


LEFT = 19
"""Columns of the headings, where several records stand side by side."""


def side_by_side(records: Sequence[CureRecord], page: Page) -> str:
    """Records in columns, heading by heading; * where they differ."""
    rows = sheet.side_by_side(records, _dated)
    left = max(LEFT, *(len(_heading(row.heading)) + 3 for row in rows))
    wide = (page.width - left) // len(records) - 2
    lines = [page.bold((" " * left + "  ".join(f"{one.history.name[:wide]:<{wide}}" for one in records)).rstrip())]
    for row in rows:
        cells = [wrapped(cell, wide) or ["-"] for cell in row.cells]
        for at in range(max(map(len, cells))):
            head = f"{_heading(row.heading)}{' *' if row.differs else ''}" if at == 0 else ""
            beside = "  ".join(f"{cell[at] if at < len(cell) else '':<{wide}}" for cell in cells)
            lines.append(f"{head:<{left}}{beside}".rstrip())
    return "\n".join([*lines, "", *wrapped(joined(phrase("* where they differ."), HONESTY), page.width)])


TROUBLES = {
    Trouble.CRACKED: phrase("cracked"),
    Trouble.CRAZED: phrase("crazed"),
    Trouble.CLOUDY: phrase("cloudy"),
    Trouble.TACKY: phrase("tacky"),
    Trouble.DRIFTED: phrase("drifted"),
    Trouble.FISH_EYES: phrase("fish-eyes"),
}
_VERDICTS = {
    Verdict.LIKELY: phrase("likely"),
    Verdict.UNLIKELY: phrase("unlikely"),
    Verdict.CANT_TELL: phrase("can't tell"),
}


def findings_text(name: str, trouble: Trouble, found: Sequence[Diagnosis], page: Page) -> str:
    head = phrase("{name}, {trouble}: what may have done it", name=name, trouble=TROUBLES[trouble])
    lines, wide = [page.bold(text_of(head))], max(11, *(len(text_of(one)) for one in _VERDICTS.values()))
    for one in found:
        said = phrase("{mechanism}: {figure}.", mechanism=one.mechanism, figure=one.figure)
        lines += wrapped(said, page.width, f"{text_of(_VERDICTS[one.verdict]):<{wide}} ")
        if one.verdict != "unlikely":
            lines += wrapped(phrase("Next time: {what}.", what=one.next_time), page.width, " " * (wide + 1))
    ending = phrase("Judged from this piece's record by rules of thumb; no diagnosis.")
    return "\n".join([*lines, "", *wrapped(ending, page.width)])
