"""Moments as pages of text show them. A view's moments are in the studio's zone already."""

from __future__ import annotations

from datetime import datetime

from curewatch.studio import wording


def date(at: datetime | None, now: datetime) -> str:
    """As `wording.date`, in the zone of `at`; a dash for none."""
    return "-" if at is None else wording.date(at, lambda one: one.astimezone(at.tzinfo), now)


def short_date(at: datetime, now: datetime) -> str:
    """`today 16:40`, `Fri 03:30` within the week, `16 Jan` beyond, `16 Jan 2027` in another year."""
    here = now.astimezone(at.tzinfo)
    days = (at.date() - here.date()).days
    if -1 <= days <= 1:
        return f"{('yesterday', 'today', 'tomorrow')[days + 1]} {at:%H:%M}"
    if 0 < days < 7:
        return f"{at:%a %H:%M}"
    return f"{at.day} {at:%b}" + (f" {at.year}" if at.year != here.year else "")
