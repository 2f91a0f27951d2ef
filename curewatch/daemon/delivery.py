"""The ways out: every channel the settings name behind one outbox, and milestones told as their dates come."""

from __future__ import annotations

import json
import logging
import random
import threading
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from curewatch.clock import Clock, plausible
from curewatch.daemon.published_states import for_hubs, homie, states
from curewatch.daemon.scheduler import TICK_S
from curewatch.desk.refresh.refresher import MilestoneTimer
from curewatch.notify.channel import Channel
from curewatch.notify.delivery_threads import DeliveryThreads
from curewatch.notify.mail import Mail
from curewatch.notify.outbox import Outbox
from curewatch.notify.publisher import Announcer, Publisher
from curewatch.notify.routing import not_before, people_channels
from curewatch.notify.services import Services
from curewatch.notify.webhook import Signer, Webhook
from curewatch.records import Notice
from curewatch.settings import PersonSettings, Settings, SettingsError, WebhookSettings
from curewatch.store import Store, StoreError
from curewatch.studio.board import Board


def signer_of(webhook: WebhookSettings, environ: Mapping[str, str]) -> Signer | None:
    """None where the settings name no secret; SettingsError where it cannot be had, or is none."""
    secret = webhook.secret(environ)
    try:
        return None if secret is None else Signer(secret.get_secret_value())
    except ValueError as error:
        raise SettingsError([f"webhook.secret: {error}"]) from None


def host_of(address: str) -> str:
    """Where it points, without path and query: those may be a secret."""
    parts = urlsplit(address)
    return f"{parts.hostname}:{parts.port}" if parts.port else str(parts.hostname)


def make_channels(settings: Settings, client_id: str, clock: Clock, environ: Mapping[str, str]) -> list[Channel]:
    """The studio's channels, then each person's. `client_id`: what the broker is to know the publisher by.

    Raises SettingsError where a secret or a file cannot be had.
    """
    made: list[Channel] = []
    if settings.webhook is not None:
        hook = settings.webhook
        made.append(
            Webhook(
                hook.url,
                clock,
                signer=signer_of(hook, environ),
                timeout_s=hook.timeout_s,
                reader=settings.studio_reader,
            )
        )
    if settings.publish is not None:
        assert settings.broker is not None  # Settings sees to it
        made.append(Publisher(settings.broker, settings.publish.root, client_id, settings.studio_reader))
    if settings.services is not None:
        made.append(Services(settings.services.addresses(environ), name="services", reader=settings.studio_reader))
    for person in settings.people:
        made += channels_of(settings, person, environ)
    return made


def channels_of(settings: Settings, person: PersonSettings, environ: Mapping[str, str]) -> list[Channel]:
    """The channels of one person, who reads notices in their own words and units."""
    reader = settings.reader_of(person)
    made: list[Channel] = []
    for name in person.channels:
        if name.startswith("mail:"):
            assert settings.mail is not None  # Settings sees to it
            assert person.mail is not None
            password = settings.mail.password(environ)
            made.append(Mail(settings.mail, password, person.mail, name=name, reader=reader))
        else:
            addresses = person.services(environ)
            assert addresses is not None
            made.append(Services(addresses, name=name, reader=reader))
    return made


def in_words(settings: Settings) -> str:
    """Where notices go, for the log: no addresses."""
    found = [f"webhook {host_of(settings.webhook.url)}"] if settings.webhook else []
    found += [f"topics below {settings.publish.root!r}"] if settings.publish else []
    found += ["push services"] if settings.services else []
    found += [person.name for person in settings.people]
    return f"notices to {', '.join(found)}" if found else "nobody is told: no webhook, no people in the settings"


log = logging.getLogger(__name__)
LONGEST_S = 2.0
"""The longest wait [s], for a clock that was set. A look that notes other dates ends the wait."""
AGAIN_S = 5.0
"""How long after a failure of the store it is tried again [s]; the daemon's own look tells then, if not we."""


class MilestoneThread:
    """A thread of its own. `start` and `stop` once each; `on_written` is called after notices were written."""

    def __init__(self, dates: MilestoneTimer, clock: Clock, on_written: Callable[[], None]) -> None:
        self._dates, self._clock, self._on_written = dates, clock, on_written
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="date-watch", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, within_s: float) -> None:
        self._stopping = True
        self._dates.noted.set()
        if self._thread.ident is not None:
            self._thread.join(within_s)

    def _run(self) -> None:
        wait_s = self._tell_due()
        while not self._stopping:
            self._clock.wait(self._dates.noted, wait_s)
            self._dates.noted.clear()  # before the dates are read, so that none that is noted meanwhile is missed
            if not self._stopping:
                wait_s = self._tell_due()

    def _tell_due(self) -> float:
        """Tell what has come; the seconds until the next look."""
        now, at = self._clock.now(), self._dates.next_at()
        if at is None or not plausible(now):
            return LONGEST_S
        if at > now:
            return min(LONGEST_S, (at - now).total_seconds())
        try:
            if self._dates.tell(now):
                self._on_written()
        except StoreError as error:
            log.warning("a date that has come is not told yet: %s", error)
            return AGAIN_S
        except Exception:
            log.exception("a date that has come is not told yet")
            return AGAIN_S
        return 0.0


RETIRE_EVERY_S = 3600.0
"""How often deliveries are settled whose channel the settings no longer have [s]."""
GIVE_UP_AFTER = timedelta(days=3)
"""How long a notice is tried where the settings say nothing of it."""
PUBLISHED = "kept_topics"
"""The store's note of the topics that the broker keeps for us, so that those of pieces that left are taken back."""


class NoticeDelivery:
    """Notices on their way to people. `start` and `stop` once each."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, environ: Mapping[str, str]) -> None:
        """Raises SettingsError where a secret cannot be had."""
        self._clock = clock
        self._retired_at: float | None = None
        self._milestone_thread: MilestoneThread | None = None
        self._store = store
        client_id = _client_id(settings, store, "tells")
        self._channels = {channel.name: channel for channel in make_channels(settings, client_id, clock, environ)}
        self._reader = settings.studio_reader
        self._publisher = next((c for c in self._channels.values() if isinstance(c, Publisher)), None)
        self._announcer = _announcer(settings, _client_id(settings, store, "homie"))
        self._publish, self._described = settings.publish, (b"", 0)
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
        for kept in filter(None, (self._publisher, self._announcer)):
            kept.start()
        self._delivery_threads.start()

    @property
    def shows(self) -> bool:
        """Whether anything is made of the board (see `show`)."""
        return self._publisher is not None

    def show(self, board: Board) -> None:
        """Publish how every piece and room is. StoreError as the store's."""
        if self._publisher is None or self._publish is None:
            return
        to = self._publish
        current = {f"{to.root}/{topic}": payload for topic, payload in states(board, self._reader).items()}
        if to.hubs is not None:
            current |= for_hubs(board, to.root, to.hubs, to.id)
        announced = self._announced(board, to.homie_base)
        if self._published is None:
            with self._store.read() as tx:
                self._published = set(json.loads(tx.get_meta(PUBLISHED) or "[]"))
        names = current.keys() | announced.keys() | ({f"{to.homie_base}/$state"} if announced else set())
        # sorted: of a device that is no more, its $state goes before the rest
        self._publisher.show(dict.fromkeys(sorted(self._published - names), b"") | current)
        if self._announcer is not None:
            self._announcer.show(announced)
        if self._published != names:
            with self._store.write() as tx:
                tx.set_meta(PUBLISHED, json.dumps(sorted(names)))
            self._published = set(names)

    def _announced(self, board: Board, base: str) -> dict[str, bytes]:
        """As Homie has it; with another version where the description is another."""
        if self._announcer is None:
            return {}
        made = homie(board, base, 0)
        described, version = self._described
        if made[f"{base}/$description"] != described:
            version = max(version + 1, int(self._clock.now().timestamp()))
            self._described = made[f"{base}/$description"], version
        return {f"{base}/$description": b""} | homie(board, base, version)

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
        if self._announcer is not None:
            self._announcer.close()


def _client_id(settings: Settings, store: Store, what: str) -> str:
    """What the broker knows a connection by that tells it things: it lets in one client of a name."""
    broker = settings.broker
    if broker is None:
        return ""
    return f"{broker.client_id}-{what}" if broker.client_id else broker.client_id_for(f"{store.location} {what}")


def _announcer(settings: Settings, client_id: str) -> Announcer | None:
    if settings.publish is None or settings.broker is None or not settings.publish.homie:
        return None
    return Announcer(settings.broker, settings.publish.homie_base, client_id)
