"""Typed times and durations, with zoneinfo's own UTC → local conversion as the oracle around changes of the clocks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from curewatch.intake.typed.finger import finger_of
from curewatch.intake.typed.times import UNITS_S, parse_due
from curewatch.language import PLAIN, Reader, read_by
from curewatch.records.errors import Field, InputError
from curewatch.records.facts import Finger
from tests.core.typed_parsers import not_future, parse_duration, parse_time

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 5, 13, 15, 0, tzinfo=UTC)
"""A Wednesday, 17:00 in Berlin."""
MINUTE = timedelta(minutes=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("now", "2026-05-13 15:00"),
        ("  NOW ", "2026-05-13 15:00"),
        ("3 h ago", "2026-05-13 12:00"),
        ("90 min ago", "2026-05-13 13:30"),
        ("2 days ago", "2026-05-11 15:00"),
        ("1h30 ago", "2026-05-13 13:30"),
        ("an hour ago", "2026-05-13 14:00"),
        ("1,5 h ago", "2026-05-13 13:30"),
        ("0 min ago", "2026-05-13 15:00"),
        ("yesterday 18:30", "2026-05-12 16:30"),
        ("Yesterday at 6:30 pm", "2026-05-12 16:30"),
        ("today 07:15", "2026-05-13 05:15"),
        ("today 23:00", "2026-05-13 21:00"),  # in the future: for `not_future` to refuse
        ("16:59", "2026-05-13 14:59"),
        ("17:00", "2026-05-13 15:00"),
        ("18:30", "2026-05-12 16:30"),
        ("6pm", "2026-05-12 16:00"),
        ("12am", "2026-05-12 22:00"),
        ("12:15 p.m.", "2026-05-13 10:15"),
        ("monday 9:00", "2026-05-11 07:00"),
        ("thu 9:00", "2026-05-07 07:00"),
        ("wednesday 9:00", "2026-05-13 07:00"),
        ("wednesday 18:00", "2026-05-06 16:00"),
        ("last wednesday 9:00", "2026-05-06 07:00"),
        ("last Monday at 9:00", "2026-05-11 07:00"),
        ("2026-05-01 9:05", "2026-05-01 07:05"),
        ("2026-05-01T09:05", "2026-05-01 07:05"),
        ("2026-05-01T09:05:10.25", "2026-05-01 07:05:10.25"),
        ("2026-05-01T09:05:10,25", "2026-05-01 07:05:10.25"),
        ("2026-05-01T09:05Z", "2026-05-01 09:05"),
        ("2026-05-01t09:05+05:45", "2026-05-01 03:20"),
        ("2026-05-01 09:05 -0330", "2026-05-01 12:35"),
        ("2026-05-01T09:05\u221203", "2026-05-01 12:05"),
        ("20260501T0905Z", "2026-05-01 09:05"),
        ("2000-01-01 01:00", "2000-01-01 00:00"),
        ("20 april 14:00", "2026-04-20 12:00"),
        ("Apr 20th, 6pm", "2026-04-20 16:00"),
        ("13 may 16:00", "2026-05-13 14:00"),
        ("13 may 18:00", "2025-05-13 16:00"),
        ("20 Dec 14:00", "2025-12-20 13:00"),
        ("20 Dec 2024 at 14:00", "2024-12-20 13:00"),
        ("29 feb 12:00", "2024-02-29 11:00"),
        ("tomorrow 9:00", "2026-05-14 07:00"),  # in the future: for `not_future` to refuse
    ],
)
def test_is_understood(text: str, at: str) -> None:
    found = parse_time(text, now=NOW, zone=BERLIN)
    assert found == utc(at)
    assert found.tzinfo is UTC


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("noonish", "got 'noonish', expected a time"),
        ("2026-05-01", "which has no time of day: say the time too, such as 2026-05-01 18:30"),
        ("yesterday", "say the time too, such as yesterday 18:30"),
        ("monday", "say the time too, such as monday 18:30"),
        ("18", "which has no minutes"),
        ("25:00", "whose time of day is not between 00:00 and 23:59:59"),
        ("24:00", "whose time of day is not between"),
        ("12:60", "whose time of day is not between"),
        ("13 pm", "whose hour is not between 1 and 12"),
        ("0:30 am", "whose hour is not between 1 and 12"),
        ("2026-02-30 10:00", "whose date no calendar has"),
        ("2026-13-01T10:00", "whose date no calendar has"),
        ("1999-12-31 23:59", "a time since 2000"),
        ("9999-12-31T23:59", "a time since 2000"),
        ("0001-01-01T00:00+14:00", "a time since 2000"),
        ("2026-05-01T10:00+15:00", "offset from UTC is more than 14 hours"),
        ("5 ago", "expected a time"),
        ("-3 h ago", "expected a time"),
        ("99999999999 days ago", "expected a time"),
        ("3 h", "expected a time"),
        ("17:01", "just ahead of this machine's clock: say now, 2026-05-13 17:01 or 2026-05-12 17:01"),
        ("18:30Z", "expected a time"),
        ("in 3 h", "which is yet to come: say a time that has passed"),
    ],
)
def test_is_asked_back(text: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_time(text, now=NOW, zone=BERLIN, field=Field.DUE)
    assert says in str(caught.value)
    assert str(caught.value).startswith("due: got ")


@pytest.mark.parametrize(
    ("text", "at"),
    [
        ("friday", "2026-05-15 16:00"),
        ("Wednesday", "2026-05-13 16:00"),
        ("wed 9:00", "2026-05-20 07:00"),  # nine has passed
        ("today", "2026-05-13 16:00"),
        ("tomorrow 9:00", "2026-05-14 07:00"),
        ("9:00", "2026-05-14 07:00"),
        ("20 Dec", "2026-12-20 17:00"),
        ("Dec 20", "2026-12-20 17:00"),
        ("1 March", "2027-03-01 17:00"),
        ("20 december 2027 12:30", "2027-12-20 11:30"),
        ("29 feb", "2028-02-29 17:00"),
        ("2026-12-20", "2026-12-20 17:00"),
        ("2026-12-20T09:00Z", "2026-12-20 09:00"),
        ("in 3 weeks", "2026-06-03 15:00"),
    ],
)
def test_what_is_due_lies_ahead(text: str, at: str) -> None:
    assert parse_due(text, now=NOW, zone=BERLIN) == utc(at)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("next friday", "which people mean in two ways: say 2026-05-15 or 2026-05-22"),
        ("last friday", "which has passed"),
        ("10 may", "which has passed: say the year too, such as 10 May 2027"),
        ("31 feb", "whose date no calendar has"),
        ("soon", "a day or time to come, such as 2026-12-20 (by 18:00), 20 Dec, friday, tomorrow 9:00 or in 3 weeks"),
    ],
)
def test_what_is_due_in_two_ways_is_asked_back(text: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_due(text, now=NOW, zone=BERLIN)
    assert says in str(caught.value)


def test_a_fact_of_a_day_that_is_about_to_come_is_asked_back() -> None:
    with pytest.raises(InputError, match=r"which is yet to come: say the year too, such as 20 May 2025"):
        parse_time("20 may 9:00", now=NOW, zone=BERLIN)


def test_an_hour_that_happens_twice_names_both_readings() -> None:
    with pytest.raises(InputError) as caught:
        parse_time("02:30", now=utc("2026-10-25 12:00"), zone=BERLIN)
    assert str(caught.value) == (
        "at: got '02:30', which happens twice on 2026-10-25: say 2026-10-25T02:30+02:00 or 2026-10-25T02:30+01:00"
    )


def test_an_hour_that_was_skipped_names_what_lies_around_it() -> None:
    with pytest.raises(InputError) as caught:
        parse_time("2:30", now=utc("2026-03-29 12:00"), zone=BERLIN)
    assert str(caught.value) == (
        "at: got '2:30', which the clocks skipped on 2026-03-29, going on from 02:00 to 03:00: "
        "say 2026-03-29T01:59+01:00 or 2026-03-29T03:00+02:00"
    )


@pytest.mark.parametrize(
    ("now", "at"),
    [
        ("2026-10-25 00:45", "2026-10-25 00:30"),  # the second 02:30 has not come yet, so there is no doubt
        ("2026-10-25 00:15", "2026-10-24 00:30"),  # neither has
        ("2026-03-29 00:45", "2026-03-28 01:30"),  # the gap is still ahead: the night before is meant
    ],
)
def test_only_what_has_come_yet_is_in_doubt(now: str, at: str) -> None:
    assert parse_time("02:30", now=utc(now), zone=BERLIN) == utc(at)


def test_just_after_a_gap_it_is_asked_back() -> None:
    """03:10 on the clocks, 02:30 a few minutes ago by one that was not put on."""
    with pytest.raises(InputError, match="the clocks skipped on 2026-03-29"):
        parse_time("02:30", now=utc("2026-03-29 01:10"), zone=BERLIN)


def test_ago_counts_elapsed_time_across_a_change() -> None:
    now = utc("2026-10-25 12:00")
    assert parse_time("1 day ago", now=now, zone=BERLIN) == now - timedelta(hours=24)
    assert parse_time("yesterday 13:00", now=now, zone=BERLIN) == now - timedelta(hours=25)


ZONES_AND_DAYS = [
    ("Europe/Berlin", "2026-03-29 01:00"),
    ("Europe/Berlin", "2026-10-25 01:00"),
    ("Europe/Lisbon", "2026-03-29 01:00"),
    ("America/New_York", "2026-03-08 07:00"),
    ("America/New_York", "2026-11-01 06:00"),
    ("America/St_Johns", "2026-11-01 04:30"),
    ("Australia/Lord_Howe", "2026-04-04 15:00"),  # half an hour back
    ("Australia/Lord_Howe", "2026-10-03 15:30"),  # half an hour on
    ("Pacific/Apia", "2011-12-30 10:00"),  # a whole day skipped
    ("America/Caracas", "2016-05-01 07:00"),  # no summer time, a new standard time
    ("Asia/Kathmandu", "2026-03-29 01:00"),  # none at all
]
REACH = 30 * 60
"""Minutes on each side of the change, enough for the day that Apia skipped."""


@cache
def readings_around(zone: str, change: str) -> dict[datetime, list[datetime]]:
    """The oracle: every local minute that any UTC minute shows, so that what is absent was skipped."""
    shown: dict[datetime, list[datetime]] = {}
    for minutes in range(-2 * REACH, 2 * REACH):
        at = utc(change) + timedelta(minutes=minutes)
        shown.setdefault(at.astimezone(ZoneInfo(zone)).replace(tzinfo=None), []).append(at)
    return shown


@pytest.mark.parametrize(("zone", "change"), ZONES_AND_DAYS)
@settings(deadline=None)  # the first example of a zone reads its whole neighbourhood
@given(minutes=st.integers(-REACH, REACH) | st.integers(-100, 100))
def test_around_a_change_every_local_minute_is_its_moment_or_asked_back(zone: str, change: str, minutes: int) -> None:
    here = ZoneInfo(zone)
    just_before = (utc(change) - timedelta(seconds=1)).astimezone(here).replace(tzinfo=None, second=0)
    local = just_before + timedelta(minutes=minutes)
    moments = readings_around(zone, change).get(local, [])
    now = utc("2026-12-31 12:00")
    text = f"{local:%Y-%m-%d %H:%M}"
    if len(moments) == 1:
        assert parse_time(text, now=now, zone=here) == moments[0]
        return
    with pytest.raises(InputError) as caught:
        parse_time(text, now=now, zone=here)
    choices = [parse_time(choice, now=now, zone=here) for choice in str(caught.value.allowed).split(" or ")]
    assert choices == (moments or [utc(change) - MINUTE, utc(change)])


@pytest.mark.parametrize(("zone", "change"), ZONES_AND_DAYS)
@given(minutes=st.integers(-REACH, REACH))
def test_what_is_printed_with_its_offset_is_read_back(zone: str, change: str, minutes: int) -> None:
    at = utc(change) + timedelta(minutes=minutes)
    text = at.astimezone(ZoneInfo(zone)).isoformat()
    assert parse_time(text, now=NOW, zone=BERLIN) == at


@pytest.mark.parametrize(("zone", "change"), ZONES_AND_DAYS)
@given(minutes=st.integers(-REACH, REACH), hour=st.integers(0, 23), minute=st.integers(0, 59))
def test_a_bare_clock_time_is_the_latest_that_is_not_ahead(
    zone: str, change: str, minutes: int, hour: int, minute: int
) -> None:
    """Asked back only where one of the last days had that time twice or not at all, or it is about to come."""
    here, now = ZoneInfo(zone), utc(change) + timedelta(minutes=minutes, seconds=30)
    shown = readings_around(zone, change)
    today = now.astimezone(here).replace(tzinfo=None, hour=hour, minute=minute, second=0)
    days = [shown.get(today - timedelta(days=back), []) for back in (0, 1, 2)]
    past = sorted(at for day in days for at in day if at <= now)
    in_doubt = any(len(day) != 1 for day in days) or any(now < at <= now + 2 * MINUTE for at in days[0])
    try:
        found = parse_time(f"{hour}:{minute:02d}", now=now, zone=here)
    except InputError:
        found = None
    assert found == past[-1] or (found is None and in_doubt)


WORDS = [
    "now",
    "ago",
    "yesterday",
    "today",
    "tomorrow",
    "next",
    "in",
    "20",
    "dec",
    "29 feb",
    "last",
    "monday",
    "fri",
    "at",
    "h",
    "min",
    "days",
    "am",
    "pm",
    "T",
    "Z",
]
PIECES = st.sampled_from([*WORDS, *"0123456789:-+., ", "2026-10-25", "02:30", "18", "+02:00"])


@given(
    text=st.text() | st.lists(PIECES, max_size=8).map("".join) | st.lists(PIECES, max_size=8).map(" ".join),
    zone=st.sampled_from([zone for zone, _ in ZONES_AND_DAYS]),
    due=st.booleans(),
)
@example("9" * 1_000_000, "Europe/Berlin", False)
@example("2199-12-31T23:59-14:00", "Pacific/Apia", True)
def test_nothing_but_bad_input_is_raised(text: str, zone: str, due: bool) -> None:
    said, at = "", NOW
    try:
        at = (parse_due if due else parse_time)(text, now=NOW, zone=ZoneInfo(zone))
    except InputError as error:
        said = str(error)
    assert said.isprintable()
    assert len(said) < 400
    assert at.tzinfo is UTC
    assert at.year >= 1999


def test_a_fact_lies_in_the_past_give_or_take_a_wrong_clock() -> None:
    assert not_future(NOW + timedelta(minutes=2), NOW) == NOW + timedelta(minutes=2)
    with pytest.raises(InputError) as caught:
        not_future(NOW + timedelta(minutes=3), NOW, given="today 17:03")
    assert str(caught.value) == (
        "at: got 'today 17:03', which is in the future (it is now 2026-05-13T15:00+00:00): say a time that has passed"
    )


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("90 min", 90),
        ("1h30", 90),
        ("1 h 30", 90),
        ("1h30m", 90),
        ("1.5 h", 90),
        ("1,5h", 90),
        ("2 days", 2880),
        ("1 week", 10080),
        ("1 d, 4 h and 5 min", 1685),
        ("an hour", 60),
        ("a day", 1440),
        ("30 s", 0.5),
    ],
)
def test_durations(text: str, minutes: float) -> None:
    assert parse_duration(text) == timedelta(minutes=minutes)


@given(st.integers(1, 3_000_000), st.sampled_from(sorted(UNITS_S)))
def test_whole_durations_come_back(count: int, unit: str) -> None:
    seconds = count * UNITS_S[unit]
    if seconds <= 3660 * 86_400:
        assert parse_duration(f"{count} {unit}") == timedelta(seconds=seconds)


@pytest.mark.parametrize(
    "text", ["5", "0 min", "-3 h", "1h 2h", "5 min 1 h", "1 year", "nan h", "1:30", "1,200 s", "h"]
)
def test_no_duration(text: str) -> None:
    with pytest.raises(InputError, match="expected a duration between 1 second and 10 years, such as 90 min, 1h30"):
        parse_duration(text)


@pytest.fixture
def spanish() -> Iterator[None]:
    read_by(Reader("es"))
    yield
    read_by(PLAIN)


@pytest.mark.parametrize(
    ("text", "english"),
    [
        ("ahora", "now"),
        ("hoy 16:00", "today 16:00"),
        ("ayer a las 18:30", "yesterday 18:30"),
        ("hace 3 h", "3 h ago"),
        ("Hace 2 días", "2 days ago"),
        ("hace 1 hora", "1 h ago"),
        ("lunes 9:00", "monday 9:00"),
        ("mar 9:00", "tuesday 9:00"),
        ("miercoles 9:00", "wednesday 9:00"),
        ("20 mar 9:00", "20 march 9:00"),
        ("20 de abril de 2026, 9:00", "20 april 2026, 9:00"),
        ("3 h ago", "3 h ago"),
        ("2026-05-12 18:30", "2026-05-12 18:30"),
    ],
)
def test_who_reads_spanish_may_type_it(spanish: None, text: str, english: str) -> None:
    """The same moment as the English words, which go on being understood."""
    assert parse_time(text, now=NOW, zone=BERLIN) == parse_time(english, now=NOW, zone=BERLIN)


def test_days_to_come_durations_and_findings_are_understood_in_spanish(spanish: None) -> None:
    for text, english in (
        ("20 dic", "20 dec"),
        ("mañana 9:00", "tomorrow 9:00"),
        ("en 3 semanas", "in 3 weeks"),
        ("viernes", "friday"),
    ):
        assert parse_due(text, now=NOW, zone=BERLIN) == parse_due(english, now=NOW, zone=BERLIN)
    assert parse_duration("8 horas") == timedelta(hours=8)
    found = [
        finger_of(word) for word in ("pegajosa", "Aún pegajosa", "seca al tacto", "seca por dentro", "sticky", "seca")
    ]
    assert found == [Finger.TACKY, Finger.TACKY, Finger.TOUCH_DRY, Finger.DRY_THROUGH, Finger.TACKY, None]


def test_who_reads_english_is_not_understood_in_spanish() -> None:
    with pytest.raises(InputError):
        parse_time("ayer 18:30", now=NOW, zone=BERLIN)
