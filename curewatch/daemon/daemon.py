"""Opening the store for the daemon: a damaged one is set aside and told, a full disk is waited for."""

from __future__ import annotations

import logging
import threading
from pathlib import Path

from curewatch.clock import Clock
from curewatch.store import DiskTrouble, Store, StoreBroken, set_broken_aside

log = logging.getLogger(__name__)

AGAIN_AFTER_S = 15.0


def open_store(location: str, backups: Path | None, clock: Clock, wake: threading.Event) -> Store | None:
    """The store, looked through; None where `wake` was set while waiting for its disk.

    A daemon that ended because the disk is full might not be there when somebody has made room, so it waits instead.
    Raises StoreBroken after the damaged file was set aside: the next start must not begin with an empty store as if
    nothing had been, and a person should know before an old one is gone on with. Raises StoreError otherwise.
    """
    said = ""
    while True:
        try:
            return Store.open(location, backups=backups, look_through=True)
        except StoreBroken as broken:
            raise set_broken_aside(broken, clock.now(), folder=backups) from broken
        except DiskTrouble as trouble:
            if str(trouble) != said:
                said = str(trouble)
                log.warning("%s; looking again every %g s", trouble, AGAIN_AFTER_S)
            if clock.wait(wake, AGAIN_AFTER_S):
                return None
