"""Typed times → aware UTC. `now` and the zone of the person's clock are always handed in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo

from curewatch.intake.errors import BadInput
from curewatch.intake.typed.numbers import MAX_TYPED, tidy
from curewatch.intake.typed.part_intake_local_time import happens_twice, moments_of, skipped, spelled, the_moment_of
from curewatch.intake.typed.times import read_duration

FIRST_YEAR, LAST_YEAR = 2000, 2199
SLACK = timedelta(minutes=2)
"""How far a person's clock may run ahead of this machine's."""
ALLOWED = (
    "a time since 2000, such as now, 3 h ago, yesterday 18:30, 18:30, monday 9:00, 2026-05-14 18:30 or "
    "2026-05-14T18:30+02:00"
)
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

_CLOCK = r"(?P<h>\d{1,2})(?::(?P<m>\d\d)(?::(?P<s>\d\d)(?:[.,](?P<frac>\d{1,9}))?)?)?(?: ?(?P<half>[ap])\.?m\.?)?"
_BASIC = r"(?P<bh>\d\d)(?P<bm>\d\d)(?P<bs>\d\d)?"
_DAY = rf"(?:today|yesterday|(?:last )?(?:{'|'.join(f'{day}|{day[:3]}' for day in WEEKDAYS)}))"
_ON_DAY = re.compile(rf"(?:(?P<day>{_DAY})(?: at)? )?{_CLOCK}", re.ASCII)
_ISO_DATE = r"(?P<date>\d{4}-\d\d-\d\d|\d{8})"
_OFFSET = r"(?: ?(?P<offset>z|utc|[+-]\d\d(?::?\d\d)?))?"
_ISO = re.compile(rf"{_ISO_DATE}(?:(?:t|,? (?:at )?)(?:{_CLOCK}|{_BASIC}){_OFFSET})?", re.ASCII)


def parse_time(text: str, *, now: datetime, zone: tzinfo, field: str = "--at") -> datetime:
    """The instant `text` speaks of, as aware UTC, read as on a clock of `zone` unless it carries an offset.

    A bare clock time or weekday is the latest such moment that is not in the future. `… ago` counts elapsed
    time: 2 days ago is 48 hours ago even across a change of the clocks. Anything that could mean two moments,
    or none, is a BadInput that names the choices. The result may lie in the future: see `not_future`.
    """
    return _Asked(text, field, now.astimezone(UTC), zone).answer()


def not_future(
    at: datetime, now: datetime, slack: timedelta = SLACK, *, field: str = "--at", given: str | None = None
) -> datetime:
    """`at` itself, for facts: BadInput where it lies more than `slack` after `now`."""
    if at <= now + slack:
        return at
    shown = spelled(at) if given is None else given
    why = f"which is in the future (it is now {spelled(now.replace(second=0, microsecond=0))})"
    raise BadInput(field, shown, "a time that has passed", why)


@dataclass(frozen=True)
class _Asked:
    """One question for a time, with everything its answer depends on."""

    text: str
    field: str
    now: datetime
    zone: tzinfo

    def answer(self) -> datetime:
        words = tidy(self.text) if len(self.text) <= MAX_TYPED else ""
        if words == "now":
            return self.now
        if words.endswith(" ago"):
            return self._ago(words.removesuffix(" ago"))
        if iso := _ISO.fullmatch(words):
            return self._iso(iso)
        if on_day := _ON_DAY.fullmatch(words):
            return self._on_day(on_day)
        if re.fullmatch(_DAY, words):
            raise self._bad(f"the time too, such as {words} 18:30", "which has no time of day")
        raise self._bad()

    def _ago(self, words: str) -> datetime:
        elapsed = read_duration(words)
        if elapsed is None or (self.now - elapsed).year < FIRST_YEAR:
            raise self._bad()
        return self.now - elapsed

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
        if day in ("today", "yesterday"):
            days_back = 1 if day == "yesterday" else 0
            local = datetime.combine(today - timedelta(days=days_back), clock)
            return the_moment_of(local, self.zone, given=self.text, field=self.field)
        if not day:
            return self._latest(datetime.combine(today, clock), timedelta(days=1))
        back = (today.weekday() - _weekday(day)) % 7
        if back == 0 and day.startswith("last "):
            back = 7
        return self._latest(datetime.combine(today - timedelta(days=back), clock), timedelta(days=7))

    def _latest(self, local: datetime, step: timedelta) -> datetime:
        """The latest moment not in the future among `local`, one `step` before it, two steps before it."""
        for candidate in (local, local - step, local - 2 * step):
            moments = moments_of(candidate, self.zone)
            possible = [at for at in moments if at <= self.now + SLACK]
            if len(possible) == 2:
                raise happens_twice(possible, self.zone, self.text, self.field)
            if possible and possible[0] > self.now:
                # A clock that runs a little ahead: yesterday's moment would be a day off.
                choices = f"now, {candidate:%Y-%m-%d %H:%M} or {candidate - step:%Y-%m-%d %H:%M}"
                raise self._bad(choices, "which is just ahead of this machine's clock")
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

    def _bad(self, allowed: str = ALLOWED, why: str | None = None) -> BadInput:
        return BadInput(self.field, self.text, allowed, why)


def _weekday(day: str) -> int:
    short = day.removeprefix("last ")[:3]
    return next(index for index, name in enumerate(WEEKDAYS) if name.startswith(short))
