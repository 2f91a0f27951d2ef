"""When people are told what is no alarm: once a day, all in one. Programs: at once, and in one what they missed."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from curewatch.notify import Outbox
from curewatch.notify.batching import PROGRAM_MOST, TITLES, WHOLE
from curewatch.notify.routing import due_times, people_channels, round_times
from curewatch.notify.webhook import Webhook
from curewatch.records import Notice
from curewatch.settings import MailSettings, PersonSettings, ServicesSettings, Settings, WebhookSettings
from curewatch.store import Store
from tests.shell.parts import HandClock, Receiver

NIGHT = datetime(2026, 11, 25, 3, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)
ADA = "mail:Ada"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


def touch_dry(at: datetime, created: datetime | None = None, key: str = "piece-1/touch_dry/safe") -> Notice:
    return Notice(
        key=key,
        kind="milestone",
        created_at=created or at,
        title=f"Heron {key}",
        text="Heron is touch-dry.",
        data={"at": at.isoformat()},
    )


def told_at(notice: Notice, zone: str = "UTC", **ada: Any) -> datetime:
    person = PersonSettings(name="Ada", mail="ada@shed.example", **ada)
    hook = WebhookSettings(url="http://127.0.0.1:9/")
    mail = MailSettings(host="127.0.0.1", sender="shed@shed.example")
    settings = Settings(zone=zone, mail=mail, webhook=hook, people=(person,))
    times = due_times(settings, notice) | round_times(settings, notice)
    assert times["webhook"] == notice.created_at
    return times[ADA]


def test_what_dries_at_night_is_told_in_the_morning() -> None:
    assert told_at(touch_dry(NIGHT)) == NIGHT.replace(hour=8)
    assert told_at(touch_dry(NIGHT + 5 * HOUR)) == NIGHT.replace(hour=8)
    assert told_at(touch_dry(NIGHT + 6 * HOUR)) == NIGHT.replace(hour=8) + 24 * HOUR


def test_a_person_s_services_keep_the_same_round_as_their_mail_and_the_studio_s_are_told_at_once() -> None:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", services_env="ADA_SERVICES", quiet="22:00-09:30")
    mail = MailSettings(host="127.0.0.1", sender="shed@shed.example")
    studio = ServicesSettings(addresses_env="SHED_SERVICES")
    settings = Settings(zone="UTC", mail=mail, services=studio, people=(ada,))
    for notice in (touch_dry(NIGHT), touch_dry(NIGHT, created=NIGHT.replace(hour=12))):
        times = due_times(settings, notice) | round_times(settings, notice)
        assert set(times) == {"services", "mail:Ada", "services:Ada"}
        assert times["services:Ada"] == times["mail:Ada"] > NIGHT
        assert times["services"] == notice.created_at


def test_with_a_morning_s_work_a_little_after_it() -> None:
    assert told_at(touch_dry(NIGHT), morning_hour=0) == NIGHT.replace(hour=0, minute=5) + 24 * HOUR
    assert told_at(touch_dry(NIGHT), morning_hour=7) == NIGHT.replace(hour=7, minute=5)


def test_who_wants_it_at_once_is_told_at_once() -> None:
    assert told_at(touch_dry(NIGHT), gathered=False) == NIGHT


def test_what_should_have_been_told_this_morning_does_not_wait_for_the_next() -> None:
    noon = NIGHT.replace(hour=12)
    assert told_at(touch_dry(NIGHT, created=noon)) == noon


def test_quiet_hours_hold_it_for_longer() -> None:
    assert told_at(touch_dry(NIGHT), quiet="22:00-09:30") == NIGHT.replace(hour=9, minute=30)


@pytest.mark.parametrize("day", [date(2026, 10, 24), date(2026, 3, 28), date(2026, 11, 24)])
def test_it_is_the_same_hour_when_the_clocks_change(day: date) -> None:
    berlin = ZoneInfo("Europe/Berlin")
    evening = datetime.combine(day, time(20), berlin).astimezone(UTC)
    there = told_at(touch_dry(evening), zone="Europe/Berlin").astimezone(berlin)
    assert (there.day, there.hour, there.minute) == (day.day + 1, 8, 0)


def test_the_morning_s_work_takes_it_along_in_a_line(store: Store) -> None:
    clock = HandClock(NIGHT.replace(hour=7))
    sent: list[Notice] = []

    class Post:
        name = ADA

        def send(self, notice: Notice) -> None:
            sent.append(notice)

    out = Outbox(store, {ADA: Post()}, clock, random.Random(1), timedelta(days=3), people={ADA})
    work = Notice(key="morning/Ada/1", kind="morning", created_at=clock.now(), title="Today: check one", text="Heron.")
    with store.write() as tx:
        for key in "ab":
            tx.add_notice(touch_dry(NIGHT, key=key), {ADA: clock.now() + timedelta(minutes=5)})
        tx.add_notice(work, {ADA: clock.now()})
    out.deliver_due(clock.now(), ADA)
    (message,) = sent
    assert str(message.title) == "Today: check one (and 2 more)"
    assert str(message.text) == "Today: check one\nHeron.\n\nAnd:\n- Heron a\n- Heron b"
    assert out.deliver_due(clock.move(HOUR), ADA) == 0


@pytest.mark.parametrize("count", [2 * PROGRAM_MOST, 2 * PROGRAM_MOST + 1])
def test_thousands_at_once_make_no_message_without_bound_and_lose_none(store: Store, count: int) -> None:
    """People read so many titles and a count; a program gets each whole, in several messages."""
    back = NIGHT + timedelta(days=3)
    clock = HandClock(back)
    sent: list[Notice] = []

    class Kept:
        def __init__(self, name: str) -> None:
            self.name = name

        def send(self, notice: Notice) -> None:
            sent.append(notice)

    keys = [f"piece-{k:04d}/touch_dry/safe" for k in range(count)]
    with store.write() as tx:
        for key in keys:
            tx.add_notice(touch_dry(NIGHT, created=back, key=key), ("webhook", ADA))
    channels = {name: Kept(name) for name in ("webhook", ADA)}
    week = timedelta(days=7)
    out = Outbox(store, channels, clock, random.Random(1), week, people=(ADA,), catching_up=("webhook",))
    out.deliver_due(back, "webhook")
    assert sorted(key for notice in sent for key in notice.data.get("members", [notice.key])) == keys
    for notice in sent[:2]:
        assert [one["key"] for one in notice.data["notices"]] == notice.data["members"]
        assert len(notice.data["members"]) == PROGRAM_MOST
    assert len(sent) == 2 + count % 2
    sent.clear()
    out.deliver_due(back, ADA)
    (message,) = sent
    assert sorted(message.data["members"]) == keys
    assert str(message.text).endswith(f"\n- and {count - WHOLE - TITLES} more")
    assert str(message.text).count("\n- ") == TITLES + 1
    assert out.deliver_due(clock.move(HOUR)) == 0


def test_a_program_is_told_in_one_what_came_about_while_the_daemon_was_off(store: Store) -> None:
    """Three days off, twenty pieces: one message, in which each is whole; what is new comes by itself."""
    back = NIGHT + timedelta(days=3)
    clock = HandClock(back)
    with store.write() as tx:
        for k in range(20):
            tx.add_notice(touch_dry(NIGHT + k * HOUR, created=back, key=f"piece-{k}/touch_dry/safe"), ("webhook",))
        tx.add_notice(touch_dry(back, key="piece-99/handle/safe"), ("webhook",))
    with Receiver() as receiver:
        out = Outbox(
            store,
            {"webhook": Webhook(receiver.url, clock)},
            clock,
            random.Random(1),
            timedelta(days=3),
            people=people_channels(Settings()),
            catching_up=("webhook",),
        )
        assert out.deliver_due(back) == 2
        assert out.deliver_due(clock.move(HOUR)) == 0
        bodies = [json.loads(request.body) for request in receiver.requests]
    assert [body["type"] for body in bodies] == ["curewatch.catch_up", "curewatch.milestone"]
    told = bodies[0]["data"]["notices"]
    assert [one["key"] for one in told] == [f"piece-{k}/touch_dry/safe" for k in range(20)]
    assert told[3]["data"] == {"at": (NIGHT + 3 * HOUR).isoformat()}
    assert bodies[1]["data"]["key"] == "piece-99/handle/safe"
