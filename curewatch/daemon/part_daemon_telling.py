"""The ways out: every channel the settings name, behind one outbox."""

from __future__ import annotations

import json
import logging
import random
from collections.abc import Mapping
from datetime import datetime, timedelta

from curewatch.clock import Clock
from curewatch.daemon.delivery import make_channels
from curewatch.daemon.part_daemon_date_watch import MilestoneThread
from curewatch.daemon.published_states import states
from curewatch.daemon.scheduler import TICK_S
from curewatch.desk.refresh.milestone_timer import MilestoneTimer
from curewatch.notify.delivery_threads import DeliveryThreads
from curewatch.notify.part_notify_outbox import Outbox
from curewatch.notify.publisher import Publisher
from curewatch.notify.routing import not_before, people_channels
from curewatch.notify.webhook import Webhook
from curewatch.records import Notice
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio.board import Board

log = logging.getLogger(__name__)

RETIRE_EVERY_S = 3600.0
"""How often deliveries are settled whose channel the settings no longer have [s]."""
GIVE_UP_AFTER = timedelta(days=3)
"""How long a notice is tried where the settings say nothing of it."""
PUBLISHED = "published_topics"
"""The store's note of the topics that the broker keeps for us, so that those of pieces that left are taken back."""


class NoticeDelivery:
    """Notices on their way to people. `start` and `stop` once each."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, environ: Mapping[str, str]) -> None:
        """Raises SettingsError where a secret cannot be had."""
        self._clock = clock
        self._retired_at: float | None = None
        self._milestone_thread: MilestoneThread | None = None
        self._store = store
        client_id = _client_id(settings, store)
        self._channels = {channel.name: channel for channel in make_channels(settings, client_id, clock, environ)}
        self._publisher = next((c for c in self._channels.values() if isinstance(c, Publisher)), None)
        self._published: set[str] | None = None

        def quiet(channel: str, notice: Notice, at: datetime) -> datetime:
            return not_before(settings, channel, notice, at)

        hook = settings.webhook
        self._outbox = Outbox(
            store,
            self._channels,
            clock,
            random.Random(),
            GIVE_UP_AFTER,
            not_before=quiet,
            people=people_channels(settings),
            catching_up=("webhook",) if hook and hook.catch_up else (),
            give_up_after_of={"webhook": timedelta(hours=hook.give_up_after_h)} if hook else {},
        )
        # as often as the daemon looks what other processes did: a test notice should not be waited for
        self._delivery_threads = DeliveryThreads(self._outbox, clock, look_every_s=TICK_S)

    def start(self, dates: MilestoneTimer | None = None) -> None:
        """`dates`: watched, and told as they come, whatever the daemon is busy with."""
        if dates is not None:
            self._milestone_thread = MilestoneThread(dates, self._clock, self.ring)
            self._milestone_thread.start()
        if self._publisher is not None:
            self._publisher.start()
        self._delivery_threads.start()

    @property
    def shows(self) -> bool:
        """Whether anything is made of the board (see `show`)."""
        return self._publisher is not None

    def show(self, board: Board) -> None:
        """Publish how every piece and room is. StoreError as the store's."""
        if self._publisher is None:
            return
        current = states(board)
        if self._published is None:
            with self._store.read() as tx:
                self._published = set(json.loads(tx.get_meta(PUBLISHED) or "[]"))
        self._publisher.show(dict.fromkeys(self._published - current.keys(), b"") | current)
        if self._published != current.keys():
            with self._store.write() as tx:
                tx.set_meta(PUBLISHED, json.dumps(sorted(current)))
            self._published = set(current)

    def moved_at(self) -> dict[str, float]:
        """By channel, when its courier last got something done [s, monotonic]."""
        return self._delivery_threads.moved_at()

    def ring(self) -> None:
        """There are new notices."""
        self._delivery_threads.ring()

    def retire(self, now: datetime) -> None:
        """Settle what waits for a channel that is gone; once an hour. StoreError as the store's."""
        monotonic = self._clock.monotonic()
        if self._retired_at is None or monotonic - self._retired_at >= RETIRE_EVERY_S:
            self._outbox.retire_unreachable(now)
            self._retired_at = monotonic

    def stop(self, within_s: float) -> None:
        """Let what is being sent come to its end; the rest stays in the store and is sent by the next run."""
        if self._milestone_thread is not None:
            self._milestone_thread.stop(within_s)
        if not self._delivery_threads.stop(within_s):
            log.warning("a receiver did not answer in %g s: its notice is sent again by the next run", within_s)
        for channel in self._channels.values():
            if isinstance(channel, Webhook | Publisher):
                channel.close()


def _client_id(settings: Settings, store: Store) -> str:
    """What the broker knows the publisher by: not as the daemon that listens, for it lets in one client of a name."""
    broker = settings.broker
    if broker is None:
        return ""
    return f"{broker.client_id}-tells" if broker.client_id else broker.client_id_for(f"{store.location} tells")
