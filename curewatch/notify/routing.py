"""Which notice goes through which channel, and from when on. A channel of a person is called `mail:Ada`.

The studio's own channels (webhook, publish, services) are told everything at once; a person's what the person wants,
outside of quiet hours.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from curewatch.records import Notice
from curewatch.settings.channels import NOTICE_KINDS, PersonSettings
from curewatch.settings.settings import Settings

ROUND_HOUR, ROUND_AFTER_WORK = 8, timedelta(minutes=5)
"""When people are told once a day what they asked no hour for; and how long after a morning's work, which takes it
along, the rest goes out by itself."""


def studio_channels(settings: Settings) -> tuple[str, ...]:
    """The channels that are nobody's in particular."""
    tables = {"webhook": settings.webhook, "publish": settings.publish, "services": settings.services}
    return tuple(name for name, table in tables.items() if table is not None)


def all_channels(settings: Settings) -> tuple[str, ...]:
    return (*studio_channels(settings), *(channel for person in settings.people for channel in person.channels))


def people_channels(settings: Settings) -> tuple[str, ...]:
    """The channels that people read, rather than programs: what waits there is told together."""
    services = ("services",) if settings.services is not None else ()
    return (*services, *(channel for person in settings.people for channel in person.channels))


def channels_for(settings: Settings, notice: Notice) -> tuple[str, ...]:
    """The channels this notice goes through."""
    personal = tuple(channel for person in settings.people if wants(person, notice) for channel in person.channels)
    return personal if "person" in notice.data else (*studio_channels(settings), *personal)


def person_of(settings: Settings, channel: str) -> PersonSettings | None:
    """Whose channel it is; None for the studio's, and for one the settings no longer have."""
    return next((person for person in settings.people if channel in person.channels), None)


def not_before(settings: Settings, channel: str, notice: Notice, at: datetime) -> datetime:
    """When a notice that could go out through `channel` at `at` may do so."""
    person = person_of(settings, channel)
    return at if person is None else earliest(person, notice, at, settings.tz)


def due_times(settings: Settings, notice: Notice) -> dict[str, datetime]:
    """By channel, when the notice is first due there."""
    created = notice.created_at
    return {channel: not_before(settings, channel, notice, created) for channel in channels_for(settings, notice)}


def round_times(settings: Settings, notice: Notice) -> dict[str, datetime]:
    """By channel of people who want such things gathered, when they are told: at the first round after it came about.

    Where that round has passed already (the daemon was off, a pour was logged afterwards) it is told at once.
    """
    at = notice.data.get("at")
    came_about = min(datetime.fromisoformat(at), notice.created_at) if isinstance(at, str) else notice.created_at
    times: dict[str, datetime] = {}
    for person in settings.people:
        if person.gathered and wants(person, notice):
            due_at = max(notice.created_at, next_round(person, came_about, settings.tz))
            times |= {channel: earliest(person, notice, due_at, settings.tz) for channel in person.channels}
    return times


def without_channels(settings: Settings) -> Settings:
    """The same settings, but with nowhere to send."""
    nowhere = {"webhook": None, "publish": None, "services": None, "people": ()}
    return settings.model_copy(update=nowhere)


def wants(person: PersonSettings, notice: Notice) -> bool:
    """Whether this person asked to be told such things. Tests are for everybody."""
    if "person" in notice.data:
        return bool(notice.data["person"] == person.name)
    return notice.kind not in NOTICE_KINDS or notice.kind in person.kinds


def earliest(person: PersonSettings, notice: Notice, at: datetime, tz: ZoneInfo) -> datetime:
    """When a notice that could be sent at `at` may reach this person: then, or as the quiet hours end."""
    if person.quiet is None or _wakes(person, notice):
        return at
    begin, end = (time.fromisoformat(part) for part in person.quiet.split("-"))
    there = at.astimezone(tz)
    clock = there.timetz().replace(tzinfo=None)
    if not (begin <= clock < end if begin < end else clock >= begin or clock < end):
        return at
    day = there.date() if clock < end else there.date() + timedelta(days=1)
    return max(at, datetime.combine(day, end, tz).astimezone(UTC))


def next_round(person: PersonSettings, at: datetime, tz: ZoneInfo) -> datetime:
    """The first moment from `at` on at which this person is told what was gathered."""
    there = at.astimezone(tz)
    hour = ROUND_HOUR if person.morning_hour is None else person.morning_hour
    later = timedelta(0) if person.morning_hour is None else ROUND_AFTER_WORK
    begins = [
        (datetime.combine(there.date() + timedelta(days=days), time(hour), tz) + later).astimezone(UTC)
        for days in (0, 1)
    ]
    return next(begin for begin in begins if begin >= at)


def _wakes(person: PersonSettings, notice: Notice) -> bool:
    """A test is awaited by whoever asked for it; an alarm that has passed can wait."""
    if notice.kind == "test":
        return True
    live = notice.kind in ("alarm", "reminder") and not notice.data.get("past")
    alarms = notice.data.get("alarms", [notice.data.get("alarm")])
    return live and any(kind.value in alarms for kind in person.may_wake)
