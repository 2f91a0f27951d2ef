"""Which notice goes through which channel, and from when on. A channel of a person is called `mail:Ada`.

The studio's own channels (webhook, publish, services) are told everything at once; a person's what the person wants,
outside of quiet hours.
"""

from __future__ import annotations

from datetime import datetime

from curewatch.records import Notice
from curewatch.settings.channels import PersonSettings
from curewatch.settings.settings import Settings


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
    personal = tuple(channel for person in settings.people if person.wants(notice) for channel in person.channels)
    return personal if "person" in notice.data else (*studio_channels(settings), *personal)


def person_of(settings: Settings, channel: str) -> PersonSettings | None:
    """Whose channel it is; None for the studio's, and for one the settings no longer have."""
    return next((person for person in settings.people if channel in person.channels), None)


def not_before(settings: Settings, channel: str, notice: Notice, at: datetime) -> datetime:
    """When a notice that could go out through `channel` at `at` may do so."""
    person = person_of(settings, channel)
    return at if person is None else person.earliest(notice, at, settings.tz)


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
        if person.gathered and person.wants(notice):
            due_at = max(notice.created_at, person.next_round(came_about, settings.tz))
            times |= {channel: person.earliest(notice, due_at, settings.tz) for channel in person.channels}
    return times


def without_channels(settings: Settings) -> Settings:
    """The same settings, but with nowhere to send."""
    nowhere = {"webhook": None, "publish": None, "services": None, "people": ()}
    return settings.model_copy(update=nowhere)
