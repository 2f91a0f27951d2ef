"""Typed durations: `90 min`, `1h30`, `1.5 h`, `2 days`, `1 d 4 h`."""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal

from curewatch.intake.errors import BadInput
from curewatch.intake.typed.numbers import MAX_TYPED, read_amount, tidy

UNITS_S = {
    **dict.fromkeys(("w", "week", "weeks"), 604_800),
    **dict.fromkeys(("d", "day", "days"), 86_400),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours"), 3600),
    **dict.fromkeys(("m", "min", "mins", "minute", "minutes"), 60),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), 1),
}
"""A day is 24 hours and a week seven of them, whatever the clocks did in between."""

LONGEST = timedelta(days=3660)
ALLOWED_DURATION = "a duration between 1 second and 10 years, such as 90 min, 1h30, 1.5 h or 2 days"

_TERM = re.compile(r"(an? |[0-9]+(?:[.,][0-9]+)? ?)([a-z]+)(?: and |, | )?")
_HOURS_MINUTES = re.compile(r"([0-9]{1,3}) ?h ?([0-5][0-9])")


def read_duration(text: str) -> timedelta | None:
    """The elapsed time `text` speaks of, at most LONGEST; None where it speaks of none."""
    words = tidy(text) if len(text) <= MAX_TYPED else ""
    if short := _HOURS_MINUTES.fullmatch(words):
        words = f"{short[1]}h {short[2]}min"
    at, before, seconds = 0, float("inf"), Decimal(0)
    while at < len(words):
        term = _TERM.match(words, at)
        unit = UNITS_S.get(term[2]) if term else None
        if term is None or unit is None or unit >= before:  # each unit once, the larger first
            return None
        amount = read_amount("1" if term[1].startswith("a") else term[1])
        if amount is None or amount.grouped is not None:
            return None
        seconds += amount.value * unit
        at, before = term.end(), unit
    if not words or seconds > int(LONGEST.total_seconds()):
        return None
    return timedelta(microseconds=int(seconds * 1_000_000))


def parse_duration(text: str, *, field: str = "--for") -> timedelta:
    """Elapsed time from one second to ten years."""
    duration = read_duration(text)
    if duration is None or duration < timedelta(seconds=1):
        raise BadInput(field, text, ALLOWED_DURATION)
    return duration
