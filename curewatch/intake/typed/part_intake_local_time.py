"""Clock readings in a zone whose clocks jump: one that happened twice or never is asked back, not guessed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from curewatch.intake.errors import BadInput


def moments_of(local: datetime, zone: tzinfo) -> list[datetime]:
    """The instants [UTC, earliest first] at which the clocks of `zone` showed the naive time `local`: 0, 1 or 2."""
    tried = {local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in tried if at.astimezone(zone).replace(tzinfo=None) == local)


def the_moment_of(local: datetime, zone: tzinfo, *, given: str, field: str) -> datetime:
    """The one instant at which the clocks showed `local`; BadInput naming the choices where there is not one."""
    moments = moments_of(local, zone)
    if len(moments) == 1:
        return moments[0]
    raise happens_twice(moments, zone, given, field) if moments else skipped(local, zone, given, field)


def happens_twice(moments: list[datetime], zone: tzinfo, given: str, field: str) -> BadInput:
    first, second = (at.astimezone(zone) for at in moments)
    return BadInput(field, given, f"{spelled(first)} or {spelled(second)}", f"which happens twice on {first.date()}")


def skipped(local: datetime, zone: tzinfo, given: str, field: str) -> BadInput:
    last, first = around_gap(local, zone)
    why = f"which the clocks skipped on {local.date()}, going on from {_clock(last + timedelta(minutes=1))} to"
    allowed = f"{spelled(last)} or {spelled(first)}"
    return BadInput(field, given, allowed, f"{why} {_clock(first)}")


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
