"""Both days a year on which a zone's clocks change: a morning is told once, and quiet hours end when the clock says."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from curewatch.notify.routing import earliest
from curewatch.records import Notice
from curewatch.settings import PersonSettings
from curewatch.studio.morning_digest import is_morning, key_of, next_morning

HELSINKI, LISBON, LORD_HOWE = (ZoneInfo(name) for name in ("Europe/Helsinki", "Europe/Lisbon", "Australia/Lord_Howe"))
CHANGES = [
    (HELSINKI, datetime(2027, 3, 28, 1, tzinfo=UTC)),
    (HELSINKI, datetime(2027, 10, 31, 1, tzinfo=UTC)),
    (LISBON, datetime(2027, 3, 28, 1, tzinfo=UTC)),
    (LISBON, datetime(2027, 10, 31, 1, tzinfo=UTC)),
    (LORD_HOWE, datetime(2027, 4, 3, 15, tzinfo=UTC)),  # by half an hour
    (LORD_HOWE, datetime(2027, 10, 2, 15, 30, tzinfo=UTC)),
]
"""The moments of the IANA time zone database."""


@pytest.mark.parametrize(("zone", "at"), CHANGES)
@pytest.mark.parametrize("hour", range(24))
def test_every_morning_is_due_once_and_the_next_one_is_always_ahead(zone: ZoneInfo, at: datetime, hour: int) -> None:
    def local(moment: datetime) -> datetime:
        return moment.astimezone(zone)

    told: dict[str, datetime] = {}
    for minutes in range(-36 * 60, 36 * 60, 10):
        now = at + timedelta(minutes=minutes)
        ahead = next_morning(hour, now, local).astimezone(UTC)
        assert now < ahead <= now + timedelta(hours=25), (now, ahead)
        assert is_morning(hour, ahead, local)
        if is_morning(hour, now, local):
            told.setdefault(key_of("Ada", now, local), now)
    days = [local(moment).date() for moment in told.values()]
    assert len(days) == len(set(days))
    assert len(days) in (3, 4), "three days, and one that had begun before"
    for moment in list(told.values())[1:]:
        late = timedelta(hours=local(moment).hour - hour, minutes=local(moment).minute)
        assert late <= timedelta(hours=1), "at the hour, or as the hour that is left out ends"


@pytest.mark.parametrize(("zone", "at"), CHANGES)
def test_quiet_hours_end_by_the_clock_on_the_wall(zone: ZoneInfo, at: datetime) -> None:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", quiet="22:00-07:00")
    notice = Notice(key="k", kind="milestone", created_at=at, title="Curlew", text="touch-dry")
    for minutes in range(-36 * 60, 36 * 60, 10):
        now = at + timedelta(minutes=minutes)
        may = earliest(ada, notice, now, zone)
        there = now.astimezone(zone)
        quiet = there.hour >= 22 or there.hour < 7
        assert (may > now) == quiet
        if quiet:
            assert (may.astimezone(zone).hour, may.astimezone(zone).minute) == (7, 0)
            assert may - now <= timedelta(hours=10)
