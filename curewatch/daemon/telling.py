"""The ways out: every channel the settings name, behind one outbox."""

from __future__ import annotations

import logging
import random
from collections.abc import Mapping
from datetime import datetime, timedelta
from urllib.parse import urlsplit

from curewatch.clock import Clock
from curewatch.notify.channel import Channel
from curewatch.notify.couriers import Couriers
from curewatch.notify.outbox import Outbox
from curewatch.notify.webhook import Signer, Webhook
from curewatch.settings import Settings, SettingsError, WebhookSettings
from curewatch.store import Store

log = logging.getLogger(__name__)

RETIRE_EVERY_S = 3600.0
"""How often deliveries are settled whose channel the settings no longer have [s]."""
_NEVER_MIND = timedelta(days=3)
"""How long those wait for their channel to come back, when no channel of the settings says how long."""


def signer_of(webhook: WebhookSettings, environ: Mapping[str, str]) -> Signer | None:
    """None where the settings name no secret; SettingsError where it cannot be had, or is none."""
    secret = webhook.secret(environ)
    try:
        return None if secret is None else Signer(secret.get_secret_value())
    except ValueError as error:
        raise SettingsError([f"webhook.secret: {error}"]) from None


def place_of(webhook: WebhookSettings) -> str:
    """Where it points, without path and query: those may be a secret."""
    parts = urlsplit(webhook.url)
    return f"{parts.hostname}:{parts.port}" if parts.port else str(parts.hostname)


class Telling:
    """Notices on their way to people. `start` and `stop` once each."""

    def __init__(self, settings: Settings, store: Store, clock: Clock, environ: Mapping[str, str]) -> None:
        """Raises SettingsError where a secret cannot be had."""
        self._clock = clock
        self._retired_at: float | None = None
        self._webhook = _webhook(settings, clock, environ)
        channels: dict[str, Channel] = {} if self._webhook is None else {self._webhook.name: self._webhook}
        hook = settings.webhook
        give_up_after = _NEVER_MIND if hook is None else timedelta(hours=hook.give_up_after_h)
        self._outbox = Outbox(store, channels, clock, random.Random(), give_up_after)
        self._couriers = Couriers(self._outbox, clock)

    def start(self) -> None:
        self._couriers.start()

    def ring(self) -> None:
        """There are new notices."""
        self._couriers.ring()

    def retire(self, now: datetime) -> None:
        """Settle what waits for a channel that is gone; once an hour. StoreError as the store's."""
        monotonic = self._clock.monotonic()
        if self._retired_at is None or monotonic - self._retired_at >= RETIRE_EVERY_S:
            self._outbox.retire_unreachable(now)
            self._retired_at = monotonic

    def stop(self, within_s: float) -> None:
        """Let what is being sent come to its end; the rest stays in the store and is sent by the next run."""
        if not self._couriers.stop(within_s):
            log.warning("a receiver did not answer in %g s: its notice is sent again by the next run", within_s)
        if self._webhook is not None:
            self._webhook.close()


def _webhook(settings: Settings, clock: Clock, environ: Mapping[str, str]) -> Webhook | None:
    hook = settings.webhook
    if hook is None:
        return None
    return Webhook(hook.url, clock, signer=signer_of(hook, environ), timeout_s=hook.timeout_s)
