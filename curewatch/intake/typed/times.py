"""Typed durations and times; a clock reading that happened twice or never is asked back, not guessed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from decimal import Decimal

from curewatch.intake.typed.numbers import MAX_TYPED, read_amount, tidy
from curewatch.intake.typed.own_words import in_english
from curewatch.records.errors import Field, InputError

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
    words = in_english(tidy(text)) if len(text) <= MAX_TYPED else ""
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


def parse_duration(text: str, *, field: Field) -> timedelta:
    """Elapsed time from one second to ten years."""
    duration = read_duration(text)
    if duration is None or duration < timedelta(seconds=1):
        raise InputError(field, text, ALLOWED_DURATION)
    return duration


def moments_of(local: datetime, zone: tzinfo) -> list[datetime]:
    """The instants [UTC, earliest first] at which the clocks of `zone` showed the naive time `local`: 0, 1 or 2."""
    tried = {local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in tried if at.astimezone(zone).replace(tzinfo=None) == local)


def the_moment_of(local: datetime, zone: tzinfo, *, given: str, field: Field) -> datetime:
    """The one instant at which the clocks showed `local`; InputError naming the choices where there is not one."""
    moments = moments_of(local, zone)
    if len(moments) == 1:
        return moments[0]
    raise happens_twice(moments, zone, given, field) if moments else skipped(local, zone, given, field)


def happens_twice(moments: list[datetime], zone: tzinfo, given: str, field: Field) -> InputError:
    first, second = (at.astimezone(zone) for at in moments)
    return InputError(field, given, f"{spelled(first)} or {spelled(second)}", f"which happens twice on {first.date()}")


def skipped(local: datetime, zone: tzinfo, given: str, field: str) -> InputError:
    last, first = around_gap(local, zone)
    why = f"which the clocks skipped on {local.date()}, going on from {_clock(last + timedelta(minutes=1))} to"
    allowed = f"{spelled(last)} or {spelled(first)}"
    return InputError(field, given, allowed, f"{why} {_clock(first)}")


def around_gap(local: datetime, zone: tzinfo) -> tuple[datetime, datetime]:
    """The last whole minute before, and the first moment after, the jump that skipped the naive time `local`."""
    # Read with the offset after the jump, a skipped time lies before it, and the other way round.
    before, after = sorted(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    old_offset = before.astimezone(zone).utcoffset()
    while after - before > timedelta(seconds=1):
        middle = (before + (after - before) / 2).replace(microsecond=0)
        if middle <= before:
            break
        if middle.astimezone(zone).utcoffset() == old_offset:
            before = middle
        else:
            after = middle
    jump = after.replace(microsecond=0)
    # Adding to a zoned datetime moves its wall clock; the minute before the jump is counted in UTC.
    return (jump - timedelta(minutes=1)).astimezone(zone), jump.astimezone(zone)


def spelled(at: datetime) -> str:
    """ISO 8601 with the offset; seconds only where there are any."""
    bare = at.second == 0 and at.microsecond == 0
    return at.isoformat(timespec="minutes" if bare else "auto")


def _clock(at: datetime) -> str:
    return at.replace(tzinfo=None).time().isoformat(timespec="minutes")


FIRST_YEAR, LAST_YEAR = 2000, 2199
SLACK = timedelta(minutes=2)
"""How far a person's clock may run ahead of this machine's."""
ALLOWED = (
    "a time since 2000, such as now, 3 h ago, yesterday 18:30, 18:30, monday 9:00, 2026-05-14 18:30 or "
    "2026-05-14T18:30+02:00"
)
ALLOWED_DUE = "a day or time to come, such as 2026-12-20 (by 18:00), 20 Dec, friday, tomorrow 9:00 or in 3 weeks"
ODD_YEAR = (timedelta(days=334), timedelta(days=367))
"""A day of a month that, without its year, would lie so far off is asked back: on the other side it is near."""
DAY_ENDS = "18:00"
"""By when it is meant where only a day is named."""
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
_CLOCK = r"(?P<h>\d{1,2})(?::(?P<m>\d\d)(?::(?P<s>\d\d)(?:[.,](?P<frac>\d{1,9}))?)?)?(?: ?(?P<half>[ap])\.?m\.?)?"
_BASIC = r"(?P<bh>\d\d)(?P<bm>\d\d)(?P<bs>\d\d)?"
_WEEKDAY = "|".join(f"{day}|{day[:3]}" for day in WEEKDAYS)
_MONTH = "|".join(f"{month}|{month[:4]}\\.?|{month[:3]}\\.?" for month in MONTHS)
_TH = r"(?:st|nd|rd|th)?"
_DATED = re.compile(
    rf"(?:(?P<dom>\d{{1,2}}){_TH}\.? (?P<month>{_MONTH})|(?P<first>{_MONTH}) (?P<then>\d{{1,2}}){_TH})"
    r",?(?: (?P<year>\d{4}))?",
    re.ASCII,
)
_DAY = rf"today|yesterday|tomorrow|(?:last |next )?(?:{_WEEKDAY})|{re.sub(r'[?]P<[a-z]+>', '?:', _DATED.pattern)}"
_ON_DAY = re.compile(rf"(?:(?P<day>{_DAY}),?(?: at)? )?{_CLOCK}", re.ASCII)
_ISO_DATE = r"(?P<date>\d{4}-\d\d-\d\d|\d{8})"
_OFFSET = r"(?: ?(?P<offset>z|utc|[+-]\d\d(?::?\d\d)?))?"
_ISO = re.compile(rf"{_ISO_DATE}(?:(?:t|,? (?:at )?)(?:{_CLOCK}|{_BASIC}){_OFFSET})?", re.ASCII)


def parse_time(text: str, *, now: datetime, zone: tzinfo, field: Field) -> datetime:
    """The instant `text` speaks of, as aware UTC, read as on a clock of `zone` unless it carries an offset.

    A bare clock time or weekday is the latest such moment that is not in the future. `… ago` counts elapsed
    time: 2 days ago is 48 hours ago even across a change of the clocks. Anything that could mean two moments,
    or none, is a InputError that names the choices. The result may lie in the future: see `not_future`.
    """
    return _Asked(text, field, now.astimezone(UTC), zone).answer()


def not_future(
    at: datetime, now: datetime, slack: timedelta = SLACK, *, field: Field, given: str | None = None
) -> datetime:
    """`at` itself, for facts: InputError where it lies more than `slack` after `now`."""
    if at <= now + slack:
        return at
    shown = spelled(at) if given is None else given
    why = f"which is in the future (it is now {spelled(now.replace(second=0, microsecond=0))})"
    raise InputError(field, shown, "a time that has passed", why)


def parse_due(text: str, *, now: datetime, zone: tzinfo) -> datetime:
    """As `parse_time`, of a moment to be ready by: `friday` is the coming one, and a day alone means the end of its
    work."""
    words = in_english(tidy(text)) if len(text) <= MAX_TYPED else ""
    alone = re.fullmatch(rf"\d{{4}}-\d{{2}}-\d{{2}}|{_DAY}", words, re.ASCII)
    asked = _Asked(text, Field.DUE, now.astimezone(UTC), zone, ahead=True)
    return asked.answer(f"{words} {DAY_ENDS}" if alone else words)


@dataclass(frozen=True)
class _Asked:
    """One question for a time, with everything its answer depends on."""

    text: str
    field: Field
    now: datetime
    zone: tzinfo
    ahead: bool = False
    """Whether a moment to come is meant."""

    def answer(self, words: str | None = None) -> datetime:
        """What the text says, or these `words` of it."""
        if words is None:
            words = in_english(tidy(self.text)) if len(self.text) <= MAX_TYPED else ""
        if words == "now":
            return self.now
        if self.ahead and words.startswith("in "):
            return self._elapsed(words.removeprefix("in "), 1)
        if words.endswith(" ago"):
            return self._elapsed(words.removesuffix(" ago"), -1)
        if iso := _ISO.fullmatch(words):
            return self._iso(iso)
        if on_day := _ON_DAY.fullmatch(words):
            return self._on_day(on_day)
        if re.fullmatch(_DAY, words, re.ASCII):
            if not self.ahead and (words == "tomorrow" or words.startswith("next ")):
                raise self._bad("a time that has passed", "which is yet to come")
            raise self._bad(f"the time too, such as {words} 18:30", "which has no time of day")
        if not self.ahead and words.startswith("in "):
            raise self._bad("a time that has passed", "which is yet to come")
        raise self._bad()

    def _elapsed(self, words: str, sign: int) -> datetime:
        elapsed = read_duration(words)
        if elapsed is None or (self.now - elapsed).year < FIRST_YEAR:
            raise self._bad()
        return self.now + sign * elapsed

    def _iso(self, found: re.Match[str]) -> datetime:
        try:
            day = date.fromisoformat(found["date"])
        except ValueError:
            raise self._bad(why="whose date no calendar has") from None
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise self._bad()
        if found["h"] is None and found["bh"] is None:
            raise self._bad(f"the time too, such as {day} 18:30", "which has no time of day")
        local = datetime.combine(day, self._clock(found))
        if found["offset"] is None:
            return the_moment_of(local, self.zone, given=self.text, field=self.field)
        return local.replace(tzinfo=self._offset(found["offset"])).astimezone(UTC)

    def _on_day(self, found: re.Match[str]) -> datetime:
        clock, day = self._clock(found), found["day"] or ""
        today = self.now.astimezone(self.zone).date()
        if day in _BESIDE_TODAY:
            local = datetime.combine(today + timedelta(days=_BESIDE_TODAY[day]), clock)
            return the_moment_of(local, self.zone, given=self.text, field=self.field)
        days = self._dated(dated, today) if (dated := _DATED.fullmatch(day)) else self._weekly(day, today)
        choices = [datetime.combine(one, clock) for one in days]
        if len(choices) == 1:
            return the_moment_of(choices[0], self.zone, given=self.text, field=self.field)
        return self._next(choices) if self.ahead else self._latest(choices)

    def _weekly(self, day: str, today: date) -> list[date]:
        """Of a weekday, or of every day, those that may be meant, the nearest first."""
        step = timedelta(days=7 if day else 1)
        off = (_weekday(day) - today.weekday()) % 7 if day else 0
        if self.ahead:
            if day.startswith("last "):
                raise self._bad(why="which has passed")
            if day.startswith("next "):
                this = today + timedelta(days=off)
                choices = f"{this:%Y-%m-%d} or {this + step:%Y-%m-%d}"
                raise self._bad(choices, "which people mean in two ways")
            return [today + timedelta(days=off), today + timedelta(days=off) + step]
        if day.startswith("next "):
            raise self._bad(why="which is yet to come")
        near = today - timedelta(days=(7 - off) % 7)
        near -= timedelta(days=7 if near == today and day.startswith("last ") else 0)
        return [near, near - step, near - 2 * step]

    def _dated(self, found: re.Match[str], today: date) -> list[date]:
        """Of a day of a month, those that may be meant, the nearest first; one where the year was said."""
        month = _month(found["month"] or found["first"])
        years = [today.year + (k if self.ahead else -k) for k in range(9)]  # some day of them is a 29 February
        days = []
        for year in [int(found["year"])] if found["year"] else years:
            with suppress(ValueError):
                days.append(date(year, month, int(found["dom"] or found["then"])))
        if not days:
            raise self._bad(why="whose date no calendar has")
        if not FIRST_YEAR <= days[0].year <= LAST_YEAR:
            raise self._bad()
        meant = next((one for one in days if one == today or (one > today) is self.ahead), today)
        if found["year"] is None and ODD_YEAR[0] < abs(meant - today) < ODD_YEAR[1]:
            why = "which has passed" if self.ahead else "which is yet to come"
            raise self._bad(f"the year too, such as {meant.day} {meant:%b %Y}", why)
        return days

    def _next(self, choices: Sequence[datetime]) -> datetime:
        """The first moment to come among these local times."""
        for local in choices:
            if (at := the_moment_of(local, self.zone, given=self.text, field=self.field)) > self.now:
                return at
        raise self._bad()

    def _latest(self, choices: Sequence[datetime]) -> datetime:
        """The latest moment not in the future among these local times, the latest first."""
        for candidate, before in zip(choices, [*choices[1:], choices[-1]], strict=True):
            moments = moments_of(candidate, self.zone)
            possible = [at for at in moments if at <= self.now + SLACK]
            if len(possible) == 2:
                raise happens_twice(possible, self.zone, self.text, self.field)
            if possible and possible[0] > self.now:
                # A clock that runs a little ahead: yesterday's moment would be a day off.
                either = f"now, {candidate:%Y-%m-%d %H:%M} or {before:%Y-%m-%d %H:%M}"
                raise self._bad(either, "which is just ahead of this machine's clock")
            if possible:
                return possible[0]
            if not moments and candidate <= self.now.astimezone(self.zone).replace(tzinfo=None):
                raise skipped(candidate, self.zone, self.text, self.field)
        raise self._bad()

    def _clock(self, found: re.Match[str]) -> time:
        parts = found.groupdict()
        if parts.get("bh") is not None:
            hour, minute, second = (int(parts[name] or 0) for name in ("bh", "bm", "bs"))
        else:
            hour, minute, second = (int(parts[name] or 0) for name in ("h", "m", "s"))
            if parts["half"]:
                if not 1 <= hour <= 12:
                    raise self._bad(why="whose hour is not between 1 and 12")
                hour = hour % 12 + (12 if parts["half"] == "p" else 0)
            elif parts["m"] is None:
                raise self._bad(why="which has no minutes")
        try:
            return time(hour, minute, second, int((parts["frac"] or "")[:6].ljust(6, "0")))
        except ValueError:
            raise self._bad(why="whose time of day is not between 00:00 and 23:59:59") from None

    def _offset(self, text: str) -> tzinfo:
        if text in ("z", "utc"):
            return UTC
        hours, minutes = int(text[1:3]), int(text[3:].removeprefix(":") or 0)
        if hours > 14 or minutes > 59:
            raise self._bad(why="whose offset from UTC is more than 14 hours")
        offset = timedelta(hours=hours, minutes=minutes)
        return timezone(-offset if text[0] == "-" else offset)

    def _bad(self, allowed: str | None = None, why: str | None = None) -> InputError:
        return InputError(self.field, self.text, allowed or (ALLOWED_DUE if self.ahead else ALLOWED), why)


_BESIDE_TODAY = {"yesterday": -1, "today": 0, "tomorrow": 1}


def _weekday(day: str) -> int:
    short = day.rpartition(" ")[2][:3]
    return next(index for index, name in enumerate(WEEKDAYS) if name.startswith(short))


def _month(word: str) -> int:
    return next(number for number, name in enumerate(MONTHS, 1) if name.startswith(word[:3]))
