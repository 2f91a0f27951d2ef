"""A test notice, sent for real: by the daemon that runs on the store, else from here."""

from __future__ import annotations

import os
import threading
from collections.abc import Mapping
from datetime import datetime

from curewatch.clock import Clock
from curewatch.daemon.part_daemon_checkup import Finding, Verdict
from curewatch.daemon.part_daemon_telling import NoticeDelivery
from curewatch.desk import Desk
from curewatch.records import DeliveryState
from curewatch.store import AlreadyRunning

_LOOK_EVERY_S = 0.1


def send_test(
    desk: Desk, now: datetime, clock: Clock, *, within_s: float, environ: Mapping[str, str] = os.environ
) -> Finding:
    """Write a test notice and wait up to `within_s` [s] for it to arrive.

    SettingsError where a secret cannot be had.
    """
    if not desk.channels:
        return Finding("test notice", Verdict.WARN, "neither a webhook nor people are set: nowhere to send one")
    try:
        with desk.store.lock_for_daemon():
            telling = NoticeDelivery(desk.settings, desk.store, clock, environ)
            key = desk.tell_test(now).key
            telling.start()
            try:
                return _outcome(desk, key, clock, within_s)
            finally:
                telling.stop(within_s)
    except AlreadyRunning:
        return _outcome(desk, desk.tell_test(now).key, clock, within_s)


def _outcome(desk: Desk, key: str, clock: Clock, within_s: float) -> Finding:
    deadline = clock.monotonic() + within_s
    never = threading.Event()
    while True:
        with desk.store.read() as tx:
            found = [delivery for delivery in tx.deliveries() if delivery.notice.key == key]
        if all(delivery.state is DeliveryState.DELIVERED for delivery in found):
            return Finding("test notice", Verdict.OK, f"arrived through {', '.join(d.channel for d in found)}")
        errors = [delivery.last_error for delivery in found if delivery.last_error]
        if errors or clock.monotonic() >= deadline:
            why = errors[0] if errors else f"it was not sent within {within_s:g} s"
            return Finding("test notice", Verdict.FAIL, f"did not arrive: {why}")
        clock.wait(never, _LOOK_EVERY_S)
