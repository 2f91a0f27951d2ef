"""One delivering thread per channel, so that a slow channel holds back only itself."""

from __future__ import annotations

import logging
import threading

from curewatch.clock import Clock, plausible
from curewatch.notify.outbox import Outbox

log = logging.getLogger(__name__)

LOOK_EVERY_S = 15.0
"""The store is asked at least this often, so a step of the clock costs no more than this."""


class DeliveryThreads:
    """The outbox's threads. `ring` after writing a notice; `stop` before closing the store."""

    def __init__(self, outbox: Outbox, clock: Clock, *, look_every_s: float = LOOK_EVERY_S) -> None:
        self._outbox = outbox
        self._clock = clock
        self._look_every_s = look_every_s
        self._stopping = False
        self._bells = {name: threading.Event() for name in outbox.channels}
        self._threads = [
            # daemon: a channel that hangs at the end must not keep the process from ending
            threading.Thread(target=self._serve, args=(name,), name=f"courier-{name}", daemon=True)
            for name in outbox.channels
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def moved_at(self) -> dict[str, float]:
        """By channel, when its thread last got something done or found nothing to do [s, monotonic]."""
        return {name: self._outbox.moved_at(name) for name in self._bells}

    def ring(self) -> None:
        """Look now."""
        for bell in self._bells.values():
            bell.set()

    def stop(self, within_s: float) -> bool:
        """Let what is being sent come to its end, at most `within_s` [s].

        False if a channel still hangs: its notice will be sent again by the next run, with the same key.
        """
        self._stopping = True
        self._outbox.halt()
        self.ring()
        deadline = self._clock.monotonic() + within_s
        for thread in self._threads:
            if thread.ident is not None:
                thread.join(max(0.0, deadline - self._clock.monotonic()))
        return not any(thread.is_alive() for thread in self._threads)

    def _serve(self, channel: str) -> None:
        bell = self._bells[channel]
        while True:
            bell.clear()
            if self._stopping:  # asked after the bell was cleared: a stop rings once, and is not to be missed
                return
            bell.wait(self._look(channel))

    def _look(self, channel: str) -> float:
        """Deliver what is due; the seconds until the next look."""
        if not plausible(self._clock.now()):
            self._outbox.moved(channel)
            return self._look_every_s  # what is due, expired or too old goes by the date, and nobody knows it
        try:
            self._outbox.deliver_due(self._clock.now(), channel)
            now = self._clock.now()
            due = self._outbox.next_due(now, channel)
        except Exception:
            # The store is locked, full or gone: the thread lives on and asks again.
            log.exception("could not deliver through %s", channel)
            return self._look_every_s
        self._outbox.moved(channel)
        wait_s = self._look_every_s if due is None else (due - now).total_seconds()
        return min(self._look_every_s, max(0.0, wait_s))
