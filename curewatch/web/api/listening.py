"""The API of what a broker lets us hear: what comes from sensors, and what is or could be read of it."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from fastapi import APIRouter

from curewatch.intake.mqtt.listening import Listener
from curewatch.records.errors import InputError
from curewatch.settings import BrokerSettings, SensorSettings, SettingsError
from curewatch.views.listening import ListeningOut
from curewatch.web.api.answers import BASE, REFUSALS
from curewatch.web.site import Here, Site

router = APIRouter(prefix=BASE, responses=REFUSALS)
LISTENS_FOR = 60.0
"""How long the broker is listened to after somebody last looked [s]."""


@router.get("/listening")
def listening(site: Here) -> ListeningOut:
    """What comes from the broker, whatever it is, and what is or could be read of it: it is heard from the first time
    that this is asked until a minute after the last. Nothing is stored, and the daemon misses nothing. Scope admin."""
    settings = site.desk.settings
    if settings.broker is None:
        return ListeningOut(broker=None, trouble="no broker is set: readings are typed", topics=[], unheard={})
    try:
        return ListeningOut.model_validate(EARS.look(site, settings.broker, settings.sensors).found())
    except (SettingsError, InputError) as error:
        at = f"{settings.broker.host}:{settings.broker.port}"
        return ListeningOut(broker=at, trouble=str(error), topics=[], unheard={})


class Ears:
    """One listener at a time, which ends by itself a while after somebody last looked."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._of: tuple[BrokerSettings, Sequence[SensorSettings]] | None = None
        self._listener: Listener | None = None
        self._until = 0.0

    def look(self, site: Site, broker: BrokerSettings, sensors: Sequence[SensorSettings]) -> Listener:
        """Raises SettingsError or InputError where the broker's files cannot be used."""
        with self._lock:
            self._until = site.clock.monotonic() + LISTENS_FOR
            if self._listener is not None and self._of == (broker, sensors):
                return self._listener
            if self._listener is not None:
                self._listener.stop()
            self._of, self._listener = (broker, sensors), Listener(broker, sensors, site.clock)
            self._listener.start()
            threading.Thread(target=self._end, args=(site, self._listener), name="page-listens", daemon=True).start()
        site.clock.wait(self._listener.answered, 3.0)
        site.clock.wait(site.ending, 0.3)  # what the broker has kept comes at once
        return self._listener

    def _end(self, site: Site, listener: Listener) -> None:
        while site.clock.monotonic() < self._until and self._listener is listener:
            if site.clock.wait(site.ending, 1.0):
                break
        with self._lock:
            if self._listener is listener:
                listener.stop()
                self._listener = None


EARS = Ears()
