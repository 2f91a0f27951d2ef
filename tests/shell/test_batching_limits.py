"""What people are sent: one message for what waits, within limits, outside quiet hours; frost alone and at once."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.notify import Outbox, TryLater
from curewatch.notify.routing import channels_for, due_times, not_before, people_channels
from curewatch.records import AlarmKind, DeliveryState, Notice
from curewatch.settings import MailSettings, PersonSettings, Settings
from curewatch.store import Store
from tests.shell.parts import HandClock

START = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)
ADA = "mail:Ada"
MAIL = MailSettings(host="127.0.0.1", sender="shed@shed.example")


class Crash(BaseException):
    """The process dies here: nothing may catch it."""


class Post:
    """Keeps what is sent through it."""

    def __init__(self, name: str = ADA) -> None:
        self.name = name
        self.failures: list[BaseException] = []
        self.sent: list[Notice] = []

    def send(self, notice: Notice) -> None:
        if self.failures:
            raise self.failures.pop(0)
        self.sent.append(notice)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


@pytest.fixture
def clock() -> HandClock:
    return HandClock(START)


def studio(**person: Any) -> Settings:
    ada = PersonSettings(name="Ada", mail="ada@shed.example", **person)
    return Settings(zone="Europe/Lisbon", mail=MAIL, people=(ada,))


def note(key: str, now: datetime, kind: str = "milestone", **values: Any) -> Notice:
    data = values.pop("data", {})
    if kind in ("alarm", "alarm_over", "reminder"):
        data = {"alarm": "cold", "past": False} | data
    return Notice(key=key, kind=kind, created_at=now, title=f"Title {key}", text=f"Text {key}.", data=data, **values)


class Told:
    """An outbox for Ada's mail, and what she gets."""

    def __init__(self, store: Store, clock: HandClock, **person: Any) -> None:
        self.store, self.clock, self.settings, self.post = store, clock, studio(**person), Post()
        self.start()

    def start(self) -> None:
        self.outbox = Outbox(
            self.store,
            {ADA: self.post},
            self.clock,
            random.Random(1),
            timedelta(hours=72),
            not_before=lambda channel, notice, at: not_before(self.settings, channel, notice, at),
            people=people_channels(self.settings),
        )

    def write(self, *keys: str, wait: timedelta = timedelta(0), **values: Any) -> None:
        with self.store.write() as tx:
            for key in keys:
                notice = note(key, self.clock.now(), **values)
                times = {channel: at + wait for channel, at in due_times(self.settings, notice).items()}
                assert tx.add_notice(notice, times)

    def got(self) -> list[str]:
        self.outbox.deliver_due(self.clock.now(), ADA)
        titles = [str(notice.title) for notice in self.post.sent]
        self.post.sent.clear()
        return titles

    def states(self) -> dict[str, str]:
        with self.store.read() as tx:
            return {d.notice.key: d.told_in or d.state.value for d in tx.deliveries()}


def test_what_waits_is_told_in_one_message_and_each_is_recorded(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("a", "b", "c")
    told.outbox.deliver_due(clock.now(), ADA)
    (message,) = told.post.sent
    assert message.data["members"] == ["a", "b", "c"]
    assert str(message.text) == "Title a\nText a.\n\nTitle b\nText b.\n\nTitle c\nText c."
    assert told.states() == dict.fromkeys("abc", message.key) | {message.key: "delivered"}
    told.post.sent.clear()
    assert told.got() == []


def test_after_hours_off_it_is_called_a_catch_up(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("a", "b", data={"at": (START - 3 * HOUR).isoformat()})
    told.outbox.deliver_due(clock.now(), ADA)
    (message,) = told.post.sent
    assert (message.kind, str(message.title)) == ("catch_up", "Meanwhile: 2 things to know")


def test_killed_before_the_mark_the_same_message_goes_again(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("a", "b")
    told.post.failures.append(Crash())
    with pytest.raises(Crash):
        told.got()
    told.start()
    told.write("c")
    told.got()
    with store.read() as tx:
        merged = {d.told_in for d in tx.deliveries() if d.notice.key in "ab"}
    assert len(merged) == 1
    assert told.states()[merged.pop() or ""] == "delivered"


def test_killed_with_one_notice_under_way_it_goes_again_under_its_own_key(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("a")
    told.post.failures.append(Crash())
    with pytest.raises(Crash):
        told.got()
    told.start()
    told.write("b")
    assert told.got() == ["Title a"]
    assert told.got() == ["Title b"]
    with store.read() as tx:
        assert {d.last_error for d in tx.deliveries()} == {None}


def test_a_message_that_failed_is_tried_again_as_it_was(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("a", "b")
    told.post.failures.append(TryLater("not now"))
    assert told.got() == []
    told.write("c")
    assert told.got() == []
    assert told.outbox.next_due(clock.now(), ADA) > clock.now()  # type: ignore[operator]
    clock.move(2 * MINUTE)
    told.outbox.deliver_due(clock.now(), ADA)
    assert [notice.data.get("members") for notice in told.post.sent] == [["a", "b"]]
    told.post.sent.clear()
    assert told.got() == ["Title c"]


def test_what_is_held_goes_along_with_what_is_due(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("held", wait=6 * HOUR)
    assert told.got() == []
    clock.move(HOUR)
    told.write("alarm", kind="alarm")
    assert told.got() == ["Title alarm (and 1 more)"]


def test_frost_goes_alone_and_at_once(store: Store, clock: HandClock) -> None:
    told = Told(store, clock, quiet="22:00-07:00")
    clock.move(15 * HOUR)  # midnight in Lisbon
    told.write("a", "b")
    told.write("frost", kind="alarm", urgent=True, data={"alarm": "frost"})
    assert told.got() == ["Title frost"]


@pytest.mark.parametrize(
    ("may_wake", "kind", "alarm", "wakes"),
    [
        (("frost",), "alarm", "frost", True),
        (("frost",), "reminder", "frost", True),
        (("frost",), "alarm_over", "frost", False),
        (("frost",), "alarm", "cold", False),
        ((), "alarm", "frost", False),
        (("cold",), "alarm", "cold", True),
        ((), "test", "", True),  # whoever asked for it is awake
    ],
)
def test_quiet_hours_and_what_may_break_them(
    store: Store, clock: HandClock, may_wake: tuple[str, ...], kind: str, alarm: str, wakes: bool
) -> None:
    told = Told(store, clock, quiet="22:00-07:00", may_wake=tuple(map(AlarmKind, may_wake)))
    clock.move(15 * HOUR)
    told.write("x", kind=kind, data={"alarm": alarm})
    assert bool(told.got()) is wakes
    clock.move(7 * HOUR)
    assert bool(told.got()) is not wakes


def test_a_retry_does_not_fall_into_quiet_hours(store: Store, clock: HandClock) -> None:
    told = Told(store, clock, quiet="22:00-07:00")
    clock.move(13 * HOUR - MINUTE)  # 21:59
    told.write("a")
    told.post.failures.append(TryLater("not now"))
    assert told.got() == []
    clock.move(5 * MINUTE)
    assert told.got() == []
    assert told.outbox.next_due(clock.now(), ADA) == datetime(2026, 11, 21, 7, 0, tzinfo=UTC)
    clock.move(9 * HOUR)
    assert told.got() == ["Title a"]


def test_quiet_hours_end_by_the_clock_on_the_wall_when_it_is_set_forward(store: Store) -> None:
    settings = Settings(
        zone="Europe/Lisbon",
        mail=MAIL,
        people=(PersonSettings(name="Ada", mail="a@shed.example", quiet="22:00-07:00"),),
    )
    night = datetime(2027, 3, 27, 23, 0, tzinfo=UTC)  # the clocks go forward at 01:00 UTC
    assert due_times(settings, note("a", night)) == {ADA: datetime(2027, 3, 28, 6, 0, tzinfo=UTC)}


def test_two_calm_messages_an_hour_and_an_alarm_as_the_third(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    got = []
    for minute in range(60):
        told.write(f"m{minute}")
        if minute == 30:
            told.write("alarm", kind="alarm")
        got += told.got()
        clock.move(MINUTE)
    assert got == ["Title m0", "Title m1", "Title alarm (and 29 more)"]
    clock.move(35 * MINUTE)
    assert told.got() == ["29 things to know: Title m31 and more"]


def test_five_alarms_in_ten_minutes_then_one_for_the_rest(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    got = []
    for minute in range(12):
        told.write(f"a{minute}", kind="alarm")
        got += told.got()
        clock.move(MINUTE)
    assert got == [*(f"Title a{i}" for i in range(5)), "Title a5 (and 5 more)", "Title a11"]


def test_a_person_hears_only_what_they_want(store: Store, clock: HandClock) -> None:
    told = Told(store, clock, kinds=("alarm",))
    told.write("m")
    told.write("a", kind="alarm")
    told.write("t", kind="test")
    assert told.states() == {"a": "waiting", "t": "waiting"}
    for_bob = note("w", START, "morning", data={"person": "Bob"})
    assert channels_for(told.settings, for_bob) == ()


def test_what_is_superseded_is_expired_and_never_sent(store: Store, clock: HandClock) -> None:
    told = Told(store, clock)
    told.write("worth", wait=HOUR)
    with store.write() as tx:
        assert tx.supersede(["worth"], clock.now()) == 1
    clock.move(2 * HOUR)
    assert told.got() == []
    assert told.states() == {"worth": DeliveryState.EXPIRED.value}
