"""The outbox over a real store: at least once, in order, with the same key, whatever breaks in between."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.clock import SystemClock
from curewatch.notify import Channel, DeliveryThreads, GiveUp, Outbox, TryLater, Webhook
from curewatch.notify.outbox import AFTER_CAP, BASE, CAP, MIN_ATTEMPTS, backoff
from curewatch.records import Delivery, DeliveryState, Notice
from curewatch.store import Store, Transaction
from tests.shell.parts import Answer, HandClock, Receiver, wait_for

START = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
GIVE_UP_AFTER = timedelta(hours=72)


class Crash(BaseException):
    """The process dies here: nothing may catch it."""


class Scripted:
    """A channel whose failures are set by the test: each is raised once, in turn, before anything is sent."""

    def __init__(self, *failures: Exception, name: str = "bell") -> None:
        self.name = name
        self.failures = list(failures)
        self.sent: list[str] = []

    def send(self, notice: Notice) -> None:
        if self.failures:
            raise self.failures.pop(0)
        self.sent.append(notice.key)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


@pytest.fixture
def clock() -> HandClock:
    return HandClock(START)


def write(store: Store, *keys: str, channels: tuple[str, ...] = ("bell",), **fields: object) -> None:
    with store.write() as tx:
        for key in keys:
            notice = Notice(key=key, kind="milestone", created_at=START, title=key, text=key)
            assert tx.add_notice(notice.model_copy(update=fields), channels)


def outbox(store: Store, clock: HandClock, *channels: Channel) -> Outbox:
    return Outbox(store, {channel.name: channel for channel in channels}, clock, random.Random(1), GIVE_UP_AFTER)


def deliveries(store: Store) -> list[Delivery]:
    with store.read() as tx:
        return tx.deliveries()


def only(store: Store) -> Delivery:
    (delivery,) = deliveries(store)
    return delivery


def test_due_notices_go_out_once_and_in_order(store: Store, clock: HandClock) -> None:
    bell = Scripted()
    write(store, "a", "b", "c")
    out = outbox(store, clock, bell)
    assert out.deliver_due(clock.now()) == 3
    assert out.deliver_due(clock.now()) == 0
    assert bell.sent == ["a", "b", "c"]
    assert {d.state for d in deliveries(store)} == {DeliveryState.DELIVERED}
    assert out.next_due(clock.now()) is None


def test_a_crash_between_sending_and_marking_repeats_the_key_and_loses_nothing(
    store: Store, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    bell = Scripted()
    write(store, "a", "b")
    with monkeypatch.context() as patch:
        patch.setattr(Transaction, "mark_delivered", lambda *args: (_ for _ in ()).throw(Crash))
        with pytest.raises(Crash):
            outbox(store, clock, bell).deliver_due(clock.now())
    outbox(store, clock, bell).deliver_due(clock.now())  # the next process
    assert bell.sent == ["a", "a", "b"]
    assert {d.state for d in deliveries(store)} == {DeliveryState.DELIVERED}


def test_a_store_that_cannot_note_a_delivery_does_not_cause_it_to_be_sent_again(
    store: Store, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full disk for a night must not ring somebody's telephone every 15 s."""
    bell = Scripted()
    write(store, "a")
    out = outbox(store, clock, bell)
    with monkeypatch.context() as patch:
        patch.setattr(Transaction, "mark_delivered", lambda *args: (_ for _ in ()).throw(OSError("disk full")))
        for _ in range(3):
            with pytest.raises(OSError, match="disk full"):
                out.deliver_due(clock.now())
    assert out.deliver_due(clock.now()) == 1
    assert bell.sent == ["a"]
    assert only(store).state is DeliveryState.DELIVERED


def test_no_transaction_is_open_while_sending(store: Store, clock: HandClock) -> None:
    class Writes(Scripted):
        def send(self, notice: Notice) -> None:
            with store.write() as tx:
                tx.set_meta("written", "while sending")
            super().send(notice)

    write(store, "a")
    assert outbox(store, clock, Writes()).deliver_due(clock.now()) == 1


def test_a_failed_try_is_put_off_and_its_reason_kept(store: Store, clock: HandClock) -> None:
    write(store, "a", "b")
    bell = Scripted(TryLater("the line is\nengaged " + "x" * 500))
    out = outbox(store, clock, bell)
    assert out.deliver_due(clock.now()) == 1
    late = next(d for d in deliveries(store) if d.notice.key == "a")
    assert bell.sent == ["b"]
    assert late.attempts == 1
    assert START <= late.next_try_at <= START + BASE
    assert late.last_error is not None
    assert late.last_error.startswith("the line is engaged x")
    assert len(late.last_error) == 200
    assert out.next_due(clock.now()) == late.next_try_at
    clock.move(BASE)
    assert out.deliver_due(clock.now()) == 1


def test_any_other_exception_is_tried_later_without_its_text(store: Store, clock: HandClock) -> None:
    write(store, "a")
    outbox(store, clock, Scripted(KeyError("https://host/?token=ebb"))).deliver_due(clock.now())
    assert only(store).last_error == "unexpected KeyError in channel bell"
    assert only(store).state is DeliveryState.WAITING


def test_the_wait_doubles_to_its_cap_with_full_jitter() -> None:
    """Seeded: over many draws the n-th wait fills 0…min(1 h, 2 s x 2^(n-1)) evenly, so its mean is half of that."""
    rng = random.Random(20)
    for failures in (1, 2, 5, 11, 12, 40, 10_000):
        ceiling = min(CAP, BASE * 2 ** min(failures - 1, 20))
        waits = [backoff(failures, rng) for _ in range(2000)]
        assert max(waits) <= ceiling
        assert min(waits) < ceiling * 0.01
        # 2000 uniform draws: the mean's standard error is ceiling/155, and four of those are 2.6 %
        assert abs(sum(waits, timedelta(0)) / 2000 / ceiling - 0.5) < 0.026


def test_the_other_side_s_wish_counts_when_it_is_longer() -> None:
    rng = random.Random(3)
    assert backoff(1, rng, timedelta(minutes=5)) == timedelta(minutes=5)
    assert backoff(1, rng, timedelta(days=9)) == AFTER_CAP
    assert backoff(12, rng, timedelta(0)) > timedelta(0)


def test_give_up_buries_at_once(store: Store, clock: HandClock) -> None:
    write(store, "a")
    outbox(store, clock, Scripted(GiveUp("nobody lives here"))).deliver_due(clock.now())
    assert (only(store).state, only(store).last_error) == (DeliveryState.DEAD, "nobody lives here")


def test_it_gives_up_after_the_set_time_and_enough_tries(store: Store, clock: HandClock) -> None:
    """Three days of failures end in DEAD, and the last reason stays."""
    write(store, "a")
    out = outbox(store, clock, Scripted(*[TryLater("engaged")] * 500))
    tries = 0
    while only(store).state is DeliveryState.WAITING:
        due = out.next_due(clock.now())
        assert due is not None
        clock.move(due - clock.now())
        out.deliver_due(clock.now())
        tries += 1
    assert only(store).state is DeliveryState.DEAD
    assert only(store).last_error == "engaged"
    assert GIVE_UP_AFTER <= clock.now() - START <= GIVE_UP_AFTER + CAP
    assert tries > 72


def test_age_alone_gives_nothing_up(store: Store, clock: HandClock) -> None:
    """Switched off for a week: the first try fails because the network is not there yet, and a later one succeeds."""
    write(store, "a")
    clock.move(timedelta(days=7))
    bell = Scripted(*[TryLater("no network")] * (MIN_ATTEMPTS - 1))
    out = outbox(store, clock, bell)
    for _ in range(MIN_ATTEMPTS):
        due = out.next_due(clock.now())
        assert due is not None
        clock.move(due - clock.now())
        out.deliver_due(clock.now())
    assert only(store).state is DeliveryState.DELIVERED


def test_a_notice_past_its_use_is_not_sent(store: Store, clock: HandClock) -> None:
    bell = Scripted()
    write(store, "a", expires_at=START + timedelta(hours=1))
    clock.move(timedelta(hours=1))
    assert outbox(store, clock, bell).deliver_due(clock.now()) == 0
    assert bell.sent == []
    assert only(store).state is DeliveryState.EXPIRED


def test_one_given_up_and_past_its_use_goes_out_when_a_person_sends_it_again(store: Store, clock: HandClock) -> None:
    bell = Scripted(GiveUp("nobody of that name"))
    write(store, "a", expires_at=START + timedelta(hours=1))
    out = outbox(store, clock, bell)
    out.deliver_due(clock.now())
    clock.move(timedelta(days=1))
    dead = only(store).id
    with store.write() as tx:
        tx.send_again(dead, clock.now())
    assert out.deliver_due(clock.now()) == 1
    assert bell.sent == ["a"]


def test_what_is_held_back_waits_until_it_is_let_go(store: Store, clock: HandClock) -> None:
    bell = Scripted()
    write(store, "a")
    out = outbox(store, clock, bell)
    with store.write() as tx:
        tx.hold(["a"], clock.now())
    assert out.deliver_due(clock.now()) == 0
    with store.write() as tx:
        tx.release(["a"])
    assert out.deliver_due(clock.now()) == 1
    assert bell.sent == ["a"]


def test_what_was_wrong_and_reached_nobody_may_be_told_anew_and_what_was_told_may_not(
    store: Store, clock: HandClock
) -> None:
    bell = Scripted()
    write(store, "told")
    out = outbox(store, clock, bell)
    out.deliver_due(clock.now())
    write(store, "waiting", "held")
    with store.write() as tx:
        tx.hold(["held"], clock.now())
        tx.withdraw(["told", "waiting", "held"], clock.now())
    assert out.deliver_due(clock.now()) == 0, "it was wrong"
    write(store, "waiting", "held")
    with store.write() as tx:
        assert not tx.add_notice(Notice(key="told", kind="milestone", created_at=START, title="", text=""), ("bell",))
    out.deliver_due(clock.now())
    assert bell.sent == ["told", "waiting", "held"]


def test_a_try_set_by_a_wrong_clock_does_not_wait_for_years(store: Store, clock: HandClock) -> None:
    """The clock ran a year ahead when the try was put off, and was then put right."""
    clock.move(timedelta(days=365))
    write(store, "a")
    bell = Scripted(TryLater("engaged"))
    outbox(store, clock, bell).deliver_due(clock.now())
    clock.move(timedelta(days=-365))
    out = outbox(store, clock, bell)
    assert out.next_due(clock.now()) == START
    assert out.deliver_due(clock.now()) == 1


def test_a_channel_no_longer_in_the_settings_is_settled_when_old(store: Store, clock: HandClock) -> None:
    write(store, "a", channels=("gong",))
    out = outbox(store, clock, Scripted())
    out.deliver_due(clock.now())
    assert only(store).state is DeliveryState.WAITING
    assert out.next_due(clock.now()) is None
    clock.move(GIVE_UP_AFTER)
    out.deliver_due(clock.now())
    assert only(store).state is DeliveryState.DEAD
    assert "no longer have a channel named 'gong'" in str(only(store).last_error)


def test_an_unknown_channel_is_refused(store: Store, clock: HandClock) -> None:
    with pytest.raises(KeyError, match="no channel 'gong'; there are bell"):
        outbox(store, clock, Scripted()).deliver_due(clock.now(), "gong")


def test_a_hanging_channel_holds_back_only_itself(store: Store) -> None:
    begun, release = threading.Event(), threading.Event()

    class Hangs(Scripted):
        def send(self, notice: Notice) -> None:
            begun.set()
            release.wait(30)
            super().send(notice)

    hanging, bell = Hangs(name="hangs"), Scripted()
    clock = SystemClock()
    out = Outbox(store, {"hangs": hanging, "bell": bell}, clock, random.Random(1), timedelta(days=9999))
    couriers = DeliveryThreads(out, clock)
    couriers.start()
    try:
        write(store, "a", "b", channels=("hangs", "bell"))
        couriers.ring()
        wait_for(lambda: bell.sent == ["a", "b"], what="the other channel")
        assert begun.wait(10)
        assert hanging.sent == []
        assert out.deliver_due(clock.now(), "hangs") == 0, "another thread delivers through it: nothing is sent twice"
        assert not couriers.stop(0.05)
    finally:
        release.set()
    assert couriers.stop(10)
    assert hanging.sent == ["a"], "halted: nothing more is begun"
    marked = [(d.channel, d.notice.key) for d in deliveries(store) if d.state is DeliveryState.DELIVERED]
    assert sorted(marked) == [("bell", "a"), ("bell", "b"), ("hangs", "a")]


def test_couriers_go_on_after_the_store_failed(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    bell, clock = Scripted(), SystemClock()
    write(store, "a")
    out = Outbox(store, {"bell": bell}, clock, random.Random(1), timedelta(days=9999))
    couriers = DeliveryThreads(out, clock, look_every_s=0.02)
    with monkeypatch.context() as patch:
        patch.setattr(Transaction, "due_deliveries", lambda *args, **how: (_ for _ in ()).throw(OSError("locked")))
        couriers.start()
        wait_for(lambda: "could not deliver through bell" in caplog.text)
    wait_for(lambda: bell.sent == ["a"])
    assert couriers.stop(10)


def test_a_stop_that_comes_between_two_looks_is_heeded_at_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The stop's ring falls just before a courier clears its bell for the next look. Common practice, no source."""
    ended: list[bool] = []

    class Bell(threading.Event):
        def clear(self) -> None:
            if not stopping.is_alive() and not ended:
                stopping.start()
                assert self.wait(5), "the stop rings"
            super().clear()

    out = Outbox(store, {"bell": Scripted()}, SystemClock(), random.Random(1), timedelta(days=9999))
    with monkeypatch.context() as patch:
        patch.setattr(threading, "Event", Bell)
        couriers = DeliveryThreads(out, SystemClock(), look_every_s=60)
    stopping = threading.Thread(target=lambda: ended.append(couriers.stop(5)))
    couriers.start()
    wait_for(lambda: ended)
    stopping.join()
    assert ended == [True]


def test_the_whole_way_to_a_receiver_that_fails_first(store: Store) -> None:
    """Store → outbox → HTTP: one failure, one success, the same id and bytes, then nothing more."""
    clock = SystemClock()
    write(store, "alarm:cold:sail-loft:1", channels=("webhook",), created_at=clock.now())
    with Receiver() as receiver:
        receiver.answers.append(Answer(status=503))
        out = Outbox(store, {"webhook": Webhook(receiver.url, clock)}, clock, random.Random(1), GIVE_UP_AFTER)
        couriers = DeliveryThreads(out, clock)
        couriers.start()
        wait_for(lambda: only(store).state is DeliveryState.DELIVERED)
        assert couriers.stop(10)
        first, second = receiver.requests
        assert receiver.keys() == ["alarm:cold:sail-loft:1"] * 2
        assert first.body == second.body
    assert only(store).attempts == 1
