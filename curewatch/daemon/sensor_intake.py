"""The intake tied to the desk: readings become facts; pending messages and the last contact are kept in the store."""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Sequence
from datetime import datetime

from curewatch.clock import Clock, plausible
from curewatch.daemon.prompt_alarms import PromptAlarms
from curewatch.desk import Desk
from curewatch.desk.commands.notice_care import tell_turned_away
from curewatch.desk.commands.readings import store_readings
from curewatch.intake.mqtt.status import MqttStatus, SensorHeard
from curewatch.intake.mqtt.subscriber import MqttIntake
from curewatch.records import Reading
from curewatch.records.facts import PendingMessage
from curewatch.settings import BrokerSettings
from curewatch.store import FactRefused, StoreError

log = logging.getLogger(__name__)
LAST_CONTACT = "mqtt_last_contact"
"""The store's note of when the broker was last in reach, ISO 8601."""
HEARD_NOTE = "mqtt_heard"
"""The store's note of what is odd about what comes, for `curewatch check`: JSON, see `_odd`."""
REASON_CHARS = 400
SAVE_EVERY_S = 60.0
CONNECTS_WITHIN_S, QUIET_S, CATCHES_UP_WITHIN_S = 2.0, 0.5, 10.0
"""After the start [s]: how long a connection is waited for, which pause ends the broker's backlog, and how long that
is waited for at the most."""


class SensorIntake:
    """`start` and `stop` once each. `on_stored` is called, from the intake's thread, after readings were stored.

    It is also where the intake keeps messages without a date; each call is a transaction of its own.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        desk: Desk,
        clock: Clock,
        on_stored: Callable[[], object],
        prompt: PromptAlarms | None = None,
    ) -> None:
        """Raises InputError or SettingsError where a file the settings name cannot be used."""
        self._desk, self._clock, self._on_stored = desk, clock, on_stored
        self._prompt = prompt
        self._saved = _last_contact(desk)
        self._saved_at = clock.monotonic()
        self._started_at = self._moved_at = 0.0
        self._received = -1
        self._noted: str | None = None
        self._dating_since: float | None = None
        self._intake = MqttIntake(
            broker,
            desk.settings.sensors,
            self.settle,
            clock,
            client_id=broker.client_id_for(desk.store.location),
            last_contact=self._saved,
            pending_store=self,
            heard=_heard(desk),
            is_urgent=(lambda _: False) if prompt is None else prompt.is_urgent,
        )

    def start(self) -> None:
        self._started_at = self._clock.monotonic()
        self._intake.start()

    def catching_up(self) -> bool:
        """Whether the broker may still be sending what it kept for us: deciding before that would be rash."""
        now, status = self._clock.monotonic(), self._intake.status()
        if status.pending and plausible(self._clock.now()):
            # what came before the clock was believed is about to become readings
            self._dating_since = now if self._dating_since is None else self._dating_since
            if now - self._dating_since < CATCHES_UP_WITHIN_S:
                return True
            self._dating_since = None  # the clock may be lost, and believed again
            return False
        self._dating_since = None
        if not status.connected:
            return status.broker_error is None and now - self._started_at < CONNECTS_WITHIN_S
        if status.received != self._received or self._intake.unstored():  # a slow disk holds the next ones up
            self._received, self._moved_at = status.received, now
        return now - self._moved_at < QUIET_S and now - self._started_at < CATCHES_UP_WITHIN_S

    def status(self) -> MqttStatus:
        return self._intake.status()

    def moved_at(self) -> float:
        """When the intake last had nothing left undone [s, monotonic]."""
        return self._intake.moved_at()

    def stop(self, within_s: float) -> None:
        """Store and acknowledge what has come, then leave; what there is no time for comes again in the next run."""
        if not self._intake.stop(within_s):
            log.warning(
                "not every reading was stored in %g s: the broker keeps the others until the next start",
                within_s,
            )
        try:
            self._save()
        except StoreError as error:
            log.warning("when the broker was last in reach is not noted: %s", error)

    def save_contact(self) -> None:
        """Note when the broker was last in reach, at most once a minute. StoreError as the store's."""
        if self._clock.monotonic() - self._saved_at >= SAVE_EVERY_S:
            self._save()

    def _save(self) -> None:
        status = self._intake.status()
        contact, noted = status.last_contact, _odd(status)
        self._saved_at = self._clock.monotonic()
        if noted != self._noted:
            with self._desk.store.write() as tx:
                tx.set_meta(HEARD_NOTE, noted)
            self._noted = noted
            if plausible(now := self._clock.now()):
                for sensor in status.turned_away:
                    tell_turned_away(self._desk, sensor, now)
        if contact is not None and contact != self._saved:
            with self._desk.store.write() as tx:
                tx.set_meta(LAST_CONTACT, contact.isoformat())
            self._saved = contact

    def put(self, messages: Sequence[PendingMessage]) -> None:
        """Keep messages whose date is in doubt."""
        with self._desk.store.write() as tx:
            tx.add_pending_messages(messages)

    def oldest(self, limit: int) -> list[PendingMessage]:
        with self._desk.store.read() as tx:
            return tx.pending_messages(limit)

    def settle(self, readings: Sequence[Reading], dated: Sequence[int] = ()) -> None:
        """Store them, and take the messages of these ids off: ValueError for what can never be stored, anything else
        for what can later."""
        try:
            new = store_readings(self._desk, readings, dated)
        except FactRefused as refusal:
            raise ValueError(str(refusal)) from refusal
        if new:
            self._on_stored()
            if self._prompt is not None:
                self._prompt.stored(readings)


def _odd(status: MqttStatus) -> str:
    """Devices that look like two, entries with too many, messages that were let go, and the worst topic, as JSON."""
    worst = status.worst
    return json.dumps({
        "duplicates": sorted(status.duplicates),
        "turned_away": dict(status.turned_away),
        "dropped": status.dropped,
        "refused": status.poison,
        "sensors": {name: _of_sensor(one) for name, one in status.of_sensor.items()},
        "worst": None if worst is None else {"topic": worst.topic, "count": worst.count, "reason": worst.reason},
    })  # fmt: skip


def _of_sensor(heard: SensorHeard) -> dict[str, str | int | None]:
    last = heard.last
    told = {"at": last.at.isoformat(), "reason": last.reason[:REASON_CHARS]} if last else {}
    return {"refused": heard.refused, **told, "hint": heard.hint, "says": heard.says}


def _heard(desk: Desk) -> dict[tuple[str, str], datetime]:
    with desk.store.read() as tx:
        return {key: reading.received_at for key, reading in tx.newest_by_source().items()}


def _last_contact(desk: Desk) -> datetime | None:
    with desk.store.read() as tx:
        noted = tx.get_meta(LAST_CONTACT)
    try:
        at = None if noted is None else datetime.fromisoformat(noted)
    except ValueError:
        return None
    return at if at is not None and at.tzinfo is not None else None
