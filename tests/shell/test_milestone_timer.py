"""A date that has come is told once, from what is stored then, without a look at the whole studio."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from curewatch.daemon import delivery
from curewatch.daemon.delivery import MilestoneThread
from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import MilestoneKind
from curewatch.settings import MailSettings, PersonSettings, ServicesSettings
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh, refresher_of
from tests.shell.parts import HandClock, wait_for
from tests.shell.test_desk import HOUR, MINUTE, forecasts, keys, order, reading
from tests.shell.test_desk import desk as desk
from tests.shell.test_desk import store as store

EVEN = "piece-1/touch_dry/worth_checking"


def poured(desk: Desk, store: Store) -> datetime:
    """A piece is poured; when it is worth checking."""
    assert refresher_of(desk).timer.next_at() is None
    log_pour(desk, order(), NOON)
    store_readings(desk, [reading(NOON, source="post")])
    refresh(desk, NOON)
    (at,) = (m.worth_checking_at for m in forecasts(store)[1].milestones if m.kind is MilestoneKind.TOUCH_DRY)
    assert at is not None
    assert refresher_of(desk).timer.next_at() == at
    return at


def test_a_date_is_told_when_it_comes_and_the_look_after_it_has_nothing_to_add(desk: Desk, store: Store) -> None:
    at = poured(desk, store)
    assert refresher_of(desk).timer.tell(at - timedelta(seconds=1)) == 0
    assert keys(store) == []
    assert refresher_of(desk).timer.tell(at) == 1
    assert keys(store) == [EVEN]
    assert refresher_of(desk).timer.tell(at) == 0
    refresh(desk, at + MINUTE)
    assert keys(store) == [EVEN]
    with store.read() as tx:
        assert len(tx.deliveries()) == 1


def test_who_wants_each_as_it_falls_due_waits_for_no_other(desk: Desk, store: Store) -> None:
    """Nor do services, which are told everything at once; who has it gathered is told at eight."""
    at = poured(desk, store)
    people = (
        PersonSettings(name="Ada", mail="a@shed.example", gathered=False),
        PersonSettings(name="Eli", mail="e@b.example"),
    )
    mail, services = MailSettings(host="127.0.0.1", sender="c@shed.example"), ServicesSettings(addresses_env="PUSH")
    told = desk.settings.model_copy(update={"people": people, "mail": mail, "services": services})
    another = replace(order(), name="Another", at=NOON + 20 * MINUTE)
    log_pour(Desk(store, told), another, NOON + 20 * MINUTE)
    refresh(Desk(store, told), at)
    with store.read() as tx:
        due = {one.channel: one.next_try_at for one in tx.deliveries(keys=[EVEN])}
        (next_one,) = (m.worth_checking_at for m in tx.forecasts()[2].milestones if m.kind is MilestoneKind.TOUCH_DRY)
    assert next_one is not None
    assert at < next_one < at + HOUR, "another falls due soon, which this one used to wait for"
    assert (due["mail:Ada"], due["services"]) == (at, at)
    assert due["mail:Eli"] > at


def test_what_the_look_told_is_not_told_again(desk: Desk, store: Store) -> None:
    at = poured(desk, store)
    refresh(Desk(store, desk.settings), at)
    assert keys(store) == [EVEN]
    assert refresher_of(desk).timer.tell(at + MINUTE) == 0


def test_a_piece_that_has_left_is_not_told_of(desk: Desk, store: Store) -> None:
    at = poured(desk, store)
    with store.write() as tx:
        tx.set_gone(1, NOON + HOUR)
    assert refresher_of(desk).timer.tell(at) == 0
    assert keys(store) == []


def test_a_nearer_date_noted_while_the_watch_waits_ends_its_wait(
    desk: Desk, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    at, hour_s = poured(desk, store), HOUR.total_seconds()
    monkeypatch.setattr(delivery, "LONGEST_S", hour_s)
    clock, rung = WaitingClock(at - 2 * HOUR), threading.Event()
    watch = MilestoneThread(refresher_of(desk).timer, clock, rung.set)
    watch.start()
    try:
        wait_for(lambda: hour_s in clock.waits, 5, "the watch waiting for as long as it may")
        clock.move(2 * HOUR)
        assert keys(store) == []
        with store.read() as tx:
            refresher_of(desk).timer.note(tx.forecasts(), at - MINUTE)
        wait_for(rung.is_set, 5, "the date being told")
    finally:
        watch.stop(5)
    assert keys(store) == [EVEN]


class WaitingClock(HandClock):
    """Notes how long it was asked to wait [s]."""

    def __init__(self, now: datetime) -> None:
        super().__init__(now)
        self.waits: list[float] = []

    def wait(self, event: threading.Event, timeout: float) -> bool:
        self.waits.append(timeout)
        return super().wait(event, timeout)


def test_the_watch_tells_on_a_thread_of_its_own_and_rings(desk: Desk, store: Store) -> None:
    at = poured(desk, store)
    clock, rung = HandClock(at - MINUTE), threading.Event()
    watch = MilestoneThread(refresher_of(desk).timer, clock, rung.set)
    watch.start()
    try:
        clock.move(2 * MINUTE)
        wait_for(rung.is_set, 5, "the date being told")
    finally:
        watch.stop(5)
    assert keys(store) == [EVEN]
