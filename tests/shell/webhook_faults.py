"""Faults of a webhook's receiver, over days of a clock set by hand: what is tried when, and what becomes of it."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from curewatch.notify.outbox import Outbox
from curewatch.notify.webhook import Webhook
from curewatch.records import DeliveryState, Notice
from curewatch.store import Store
from tests.shell.parts import Answer, HandClock, Receiver, free_port, make_certificates

START = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
GIVE_UP_AFTER = timedelta(hours=72)
DAY = timedelta(hours=24)
TIMEOUT_S = 0.15


@dataclass
class Post:
    """An outbox with one webhook, its clock moved from one due date to the next."""

    store: Store
    clock: HandClock
    outbox: Outbox

    def write(self, count: int, **more: object) -> None:
        with self.store.write() as tx:
            for number in range(count):
                at = self.clock.now()
                notice = Notice(key=f"n/{number}", kind="milestone", created_at=at, title="Curlew", text="touch-dry")
                assert tx.add_notice(notice.model_copy(update=more), {"webhook": at})

    def until(self, end: datetime, at_each: Callable[[], object] = lambda: None) -> int:
        """Deliver whatever falls due until `end`; how many rounds that took."""
        rounds = 0
        while (due := self.outbox.next_due(self.clock.now())) is not None and due <= end:
            self.clock.move(max(timedelta(0), due - self.clock.now()))
            self.outbox.deliver_due(self.clock.now())
            at_each()
            rounds += 1
        self.clock.move(max(timedelta(0), end - self.clock.now()))
        return rounds

    def states(self) -> Counter[str]:
        with self.store.read() as tx:
            return Counter(str(delivery.state) for delivery in tx.deliveries())


def post(store: Store, url: str, seed: int = 1) -> tuple[Post, Webhook]:
    clock = HandClock(START)
    hook = Webhook(url, clock, timeout_s=TIMEOUT_S)
    return Post(store, clock, Outbox(store, {"webhook": hook}, clock, random.Random(seed), GIVE_UP_AFTER)), hook


def fault(name: str, folder: Path, notices: int, seed: int = 1) -> dict[str, int]:
    """`notices` are written; the receiver is at fault for a day (or for a few tries), then sound. The counts."""
    folder.mkdir(parents=True, exist_ok=True)
    certificates = make_certificates(folder / "tls") if name == "certificate" else None
    port = free_port()
    with Store.open(folder / "studio.sqlite") as store:
        # nobody listens until the day is over, or somebody does badly
        down = None if name == "down for a day" else Receiver(port=port, certificates=certificates)
        scheme = "https" if name == "certificate" else "http"
        there, hook = post(store, f"{scheme}://127.0.0.1:{port}/notices", seed)
        there.write(notices)
        elsewhere, tries = Receiver(), 0
        if down is not None:
            with down:
                down.otherwise = ANSWERS[name](elsewhere)
                there.until(START + DAY)
                tries = len(down.requests)
        else:
            there.until(START + DAY)
        with store.read() as tx:
            tries = max(tries, sum(delivery.attempts for delivery in tx.deliveries()))
        waiting = there.states()[DeliveryState.WAITING]
        if scheme == "https":
            there, hook = _trusting(store, there.clock, port, seed)
        with elsewhere, Receiver(port=port) as sound:
            there.until(START + DAY + timedelta(hours=3))
            arrived = Counter(sound.keys())
            astray = len(elsewhere.requests)
        hook.close()
        return {
            "notices": notices,
            "tries_while_at_fault": tries,
            "waiting_after_a_day": waiting,
            "lost": notices - len(arrived),
            "repeated": sum(arrived.values()) - len(arrived),
            "sent_elsewhere": astray,
            "dead": there.states()[DeliveryState.DEAD],
        }


def _trusting(store: Store, clock: HandClock, port: int, seed: int) -> tuple[Post, Webhook]:
    """The receiver has been given up for one that speaks plainly."""
    hook = Webhook(f"http://127.0.0.1:{port}/notices", clock, timeout_s=TIMEOUT_S)
    return Post(store, clock, Outbox(store, {"webhook": hook}, clock, random.Random(seed), GIVE_UP_AFTER)), hook


ANSWERS: dict[str, Callable[[Receiver], Answer]] = {
    "500": lambda _: Answer(500),
    "hang": lambda _: Answer(hang=True),
    "redirect": lambda elsewhere: Answer(307, {"location": elsewhere.url}),
    "429 with Retry-After": lambda _: Answer(429, {"retry-after": "7200"}),
    "certificate": lambda _: Answer(),
}
FAULTS = (*ANSWERS, "down for a day")
