"""A receiver that fails for a day costs no notice; one that fails for good leaves a dead letter people see."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands import notice_care
from curewatch.notify.outbox import CAP
from curewatch.records import DeliveryState
from curewatch.settings import Settings
from curewatch.store import Store
from tests.shell.parts import Answer, Receiver, free_port
from tests.shell.webhook_faults import DAY, FAULTS, GIVE_UP_AFTER, START, fault, post

SLOW = ("hang", "certificate")
"""A day of these is played in `tests/bench/bench_faults.py`; a few tries of each are here and in test_webhook.py."""
# how often a day's back-off can come round: the doublings to the cap, then waits from zero to the cap, drawn evenly
TRIES_A_DAY = (15, 90)


@pytest.mark.parametrize("name", [name for name in FAULTS if name not in SLOW])
def test_a_receiver_at_fault_for_a_day_gets_every_notice_once(name: str, tmp_path: Path) -> None:
    found = fault(name, tmp_path, notices=2)
    assert found == found | {"waiting_after_a_day": 2, "lost": 0, "repeated": 0, "sent_elsewhere": 0, "dead": 0}
    few = name == "429 with Retry-After"  # every two hours, as it asked: 1 and 12 more
    low, high = (12, 13) if few else TRIES_A_DAY
    assert low <= found["tries_while_at_fault"] / 2 <= high


def test_a_receiver_that_hangs_gets_it_when_it_no_longer_does(tmp_path: Path) -> None:
    with Store.open(tmp_path / "studio.sqlite") as store, Receiver() as receiver:
        there, hook = post(store, receiver.url)
        receiver.answers.extend([Answer(hang=True)] * 3)
        there.write(1)
        there.until(START + timedelta(hours=1))
        assert receiver.keys() == ["n/0"] * 4
        assert there.states() == {DeliveryState.DELIVERED: 1}
        hook.close()


def test_many_that_failed_together_do_not_come_back_together(tmp_path: Path) -> None:
    """Full jitter: the waits after the sixth failure are drawn evenly from nothing to their ceiling."""
    with Store.open(tmp_path / "studio.sqlite") as store:
        there, hook = post(store, f"http://127.0.0.1:{free_port()}/")
        there.write(40)
        for _ in range(6):
            there.clock.move(CAP)
            there.outbox.deliver_due(there.clock.now())
        with store.read() as tx:
            waits = sorted((d.next_try_at - there.clock.now()).total_seconds() / 64 for d in tx.deliveries())
        hook.close()
    assert 0 <= waits[0] < 0.2
    assert 0.8 < waits[-1] <= 1
    assert 0.3 < sum(waits) / len(waits) < 0.7, "a uniform draw's mean, 0.5 with a standard error of 0.046"


def test_one_that_never_comes_back_leaves_dead_letters_with_their_reason_that_can_be_sent_again(
    tmp_path: Path,
) -> None:
    with Store.open(tmp_path / "studio.sqlite") as store, Receiver() as receiver:
        receiver.otherwise = Answer(500)
        there, hook = post(store, receiver.url)
        there.write(2)
        there.until(START + GIVE_UP_AFTER - timedelta(hours=2))
        assert there.states() == {DeliveryState.WAITING: 2}, "not before its time"
        there.until(START + GIVE_UP_AFTER + DAY)
        desk = Desk(store, Settings(zone="UTC"))
        letters = notice_care.dead(desk)
        assert sorted(sent.notice.key for sent in letters) == ["n/0", "n/1"]
        assert all("answered 500" in str(sent.deliveries[0].last_error) for sent in letters)
        receiver.otherwise = Answer()
        assert len(notice_care.send_again(desk, None, there.clock.now())) == 2
        there.outbox.deliver_due(there.clock.now())
        assert there.states() == {DeliveryState.DELIVERED: 2}
        hook.close()
