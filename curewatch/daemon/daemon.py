"""The composition root: every real thing is built here, in order, and taken down in reverse."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from curewatch.clock import Clock, WatchedClock, sample
from curewatch.daemon.backups import Backups
from curewatch.daemon.clock_watch import ClockWatch
from curewatch.daemon.delivery import NoticeDelivery, in_words
from curewatch.daemon.example_broker import example_broker
from curewatch.daemon.jobs import Jobs
from curewatch.daemon.process import UNSERVED, Doors, Level, short_pauses, signal_handlers, to_stderr
from curewatch.daemon.prompt_alarms import PromptAlarms
from curewatch.daemon.scheduler import TICK_S, RefreshTiming
from curewatch.daemon.sensor_intake import SensorIntake
from curewatch.daemon.service import begins_by
from curewatch.daemon.watchdog import Part, Systemd, Watchdog
from curewatch.demo import seed_demo
from curewatch.desk import Desk
from curewatch.desk.commands.clock_care import take_up
from curewatch.desk.desk import facts_revision, is_demo
from curewatch.desk.refresh.refresher import Refresher
from curewatch.desk.reports.board import board_of
from curewatch.intake.mqtt.status import MqttStatus
from curewatch.language import phrase_n
from curewatch.notify.heartbeat import Heartbeat
from curewatch.settings import Settings
from curewatch.store import DiskTrouble, Store, StoreBroken, StoreError, set_broken_aside
from curewatch.studio.board import Board

if TYPE_CHECKING:
    from curewatch.daemon.page_server import PageServer

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


ENDED, FAILED, AGAIN = 0, 1, -1
"""Asked to end; gave up after flaws in a row, for whoever supervises the process to start it again (both are exit
codes); to be built anew, by whoever built it."""
FLAWS_IN_A_ROW = 5
"""Unexpected failures, half a minute of them. A store that is locked or full is expected, and waited for."""
INTAKE_STOPS_WITHIN_S, DELIVERY_STOPS_WITHIN_S, HEARTBEAT_STOPS_WITHIN_S, BACKUP_STOPS_WITHIN_S = 5.0, 3.0, 1.0, 1.0
INTAKE_MOVES_WITHIN_S, DELIVERY_MOVES_WITHIN_S = 120.0, 600.0
"""How long each may be at one piece of work [s] before no more signs of life are given: storing what was heard, with
the store's own wait of ten seconds many times over; one send, whose longest deadline is three times two minutes."""
CATCH_UP_TICK_S = 0.1
TURNS_WITHIN_S = 120.0
"""A turn of the loop later than this is late [s]: one comes every few seconds, a full studio takes half a minute."""
LISTED = 10
"""More new notices than this are counted in the log, not listed."""


@dataclass(frozen=True)
class Surroundings:
    """What outlives one run."""

    config: Path
    """The settings file, there or not."""
    own: str
    """The place of one's own store, which a demo is not in."""
    changed: Callable[[], bool]
    """Whether settings or store are others than this run was built of."""
    doors: Doors
    refused: str
    """Why the settings as they are by now could not be taken up; empty where they were."""
    ending: threading.Event
    """Asked to end. Whoever builds run after run heeds the signals: one that comes between two must not be lost."""
    wake: threading.Event


class Daemon:
    """One run of the service: `run` once, `stop` from any thread."""

    def __init__(
        self,
        settings: Settings,
        store_location: str,
        clock: Clock,
        *,
        level: Level = Level.NORMAL,
        log_json: bool = False,
        environ: Mapping[str, str] = os.environ,
        surroundings: Surroundings | None = None,
    ) -> None:
        self._settings, self._location, self._clock = settings, store_location, WatchedClock(clock)
        self._level, self._log_json = level, log_json
        self._environ, self._surroundings = environ, surroundings
        self._again = threading.Event()
        self._wake = surroundings.wake if surroundings else threading.Event()
        self._stopping = surroundings.ending if surroundings else threading.Event()
        self._fresh = threading.Event()  # readings were stored since the last look began
        self._timing = RefreshTiming()
        self._trust = ClockWatch(self._clock)
        self._turned = self._trust.seen
        self._begun = self._opened = False
        self._catching_up = True  # with the broker, before the first look
        self._revision: str | None = None
        self._flaws = 0
        self._last_flaw = ""

    def run(self, *, demo: bool = False, show: Callable[[Board], object] | None = None) -> int:
        """Watch until `stop`, SIGTERM or SIGINT; the exit code, ENDED or FAILED, or AGAIN where the surroundings are
        others by now.

        With `demo` an empty store gets the demo studio first. `show` is handed the board, once, after the first look.
        Signals are heeded in the main thread only. Raises, before anything is watched: StoreError (AlreadyRunning where
        another daemon holds the store), SettingsError and InputError for files and hosts that cannot be used.
        """
        self._demo, self._show = demo, show
        with ExitStack() as resources:
            resources.enter_context(to_stderr(self._level, as_json=self._log_json))
            is_process = threading.current_thread() is threading.main_thread()
            if self._surroundings is None and is_process:
                resources.enter_context(signal_handlers(self.stop))
            self._build(resources)
            if is_process:
                resources.enter_context(short_pauses())
            code = self._watch()
            log.info("ending")
        return code

    def stop(self) -> None:
        """End gracefully, soon."""
        self._stopping.set()
        self._wake.set()

    def again(self) -> None:
        """End soon, to be built anew of what is set by then."""
        self._again.set()
        self._wake.set()

    def _build(self, resources: ExitStack) -> None:
        """Everything in order; `resources` takes it down in reverse: first no more comes in, last the store closes."""
        for sentence in self._settings.unknown:
            log.warning("%s; it is passed over", sentence)
        opened = open_store(self._location, self._settings.backup.folder, self._clock, self._wake)
        if opened is None:
            return  # told to end while it waited
        store = resources.enter_context(opened)
        resources.enter_context(store.lock_for_daemon())
        self._desk = Desk(store, self._settings)
        take_up(store, self._clock)
        self._refresher = Refresher(self._desk)
        self._backups = Backups(self._desk, self._clock)
        resources.callback(self._backups.stop, BACKUP_STOPS_WITHIN_S)
        self._delivery = NoticeDelivery(self._settings, store, self._clock, self._environ)
        resources.callback(self._delivery.stop, DELIVERY_STOPS_WITHIN_S)
        self._prompt = PromptAlarms(self._refresher, self._clock, self._delivery.ring)
        resources.callback(self._prompt.stop, DELIVERY_STOPS_WITHIN_S)
        beats = self._settings.heartbeat
        heartbeat = None if beats is None else Heartbeat.of(beats, self._clock, self._environ)
        if heartbeat is not None:
            self._clock.witness = lambda: heartbeat.told
        self._watchdog = Watchdog(Systemd(self._environ), heartbeat, self._clock, store)
        resources.callback(self._watchdog.stop, HEARTBEAT_STOPS_WITHIN_S)
        self._jobs = Jobs(
            self._desk, self._clock, self._timing, self._backups, heartbeat, self._wake.set, self._delivery.ring
        )
        resources.callback(self._jobs.stop)
        broker = self._settings.broker
        resources.enter_context(example_broker(self._settings, self._location, self._clock))
        self._sensor_intake = (
            None
            if broker is None
            else SensorIntake(broker, self._desk, self._clock, self._readings_stored, self._prompt)
        )
        if self._sensor_intake is not None:
            resources.callback(self._sensor_intake.stop, INTAKE_STOPS_WITHIN_S)
        self._page = self._build_page()
        if self._page is not None:
            resources.callback(self._page.stop)

    def _build_page(self) -> PageServer | None:
        if not self._settings.web.enabled:
            return None
        from curewatch.daemon.page_server import PageServer  # half a second that `curewatch check` need not wait
        from curewatch.web.site import Upkeep

        around, upkeep = self._surroundings, None
        if around is not None:
            upkeep = Upkeep(
                around.config, around.own, self._demo or is_demo(self._desk.store), self._late, self._hearing,
                self._again, around.refused, self.again, begins_by(self._environ),
            )  # fmt: skip
        return PageServer(
            self._refresher, self._settings.web, self._clock, self._logged_on_page, upkeep=upkeep,
            doors=None if around is None else around.doors,
        )  # fmt: skip

    # --- the loop ---

    def _watch(self) -> int:
        while not self._stopping.is_set():
            if self._again.is_set() or (self._surroundings is not None and self._surroundings.changed()):
                log.info("what is set is another now: taking it up")
                self._again.set()  # for whoever asks the page meanwhile
                self._watchdog.reloading()
                return AGAIN
            try:
                if self._refresh_if_due():
                    self._flaws, self._last_flaw = 0, ""
                self._watchdog.prove(believed=bool(self._trust.believed))
                if self._watchdog.beat(self._parts(), believed=bool(self._trust.believed)):
                    self._turned = sample(self._clock)
            except StoreBroken as broken:  # the next start sets it aside, and says what helps
                raise self._desk.store.lost(broken, self._clock.carried()) from broken
            except StoreError as error:
                wait_s = self._timing.failed(self._clock.monotonic())
                log.warning("%s; trying again in %s s", error, f"{wait_s:g}")
            except Exception as flaw:
                if not self._opened:
                    raise  # settings that cannot be used
                if self._gives_up(flaw):
                    return FAILED
            self._clock.wait(self._wake, self._wait_s())
            self._wake.clear()
        return ENDED

    def _wait_s(self) -> float:
        if not self._trust.believed:
            return TICK_S
        if self._catching_up:
            return CATCH_UP_TICK_S
        return self._timing.wait_s(self._clock.now(), self._clock.monotonic())

    def _refresh_if_due(self) -> bool:
        """Look at the studio if that is due; True if it was. Nothing is decided on a clock that cannot be right."""
        if not self._clock_holds():
            self._open()
            return False
        if not self._begun:
            self._begin()
        self._catching_up = self._catching_up and self._sensor_intake is not None and self._sensor_intake.catching_up()
        if self._catching_up:
            return False
        monotonic = self._clock.monotonic()
        if self._fresh.is_set() or (self._revision is not None and facts_revision(self._desk.store) != self._revision):
            self._timing.facts_are_new(monotonic)
        due = self._timing.is_due(self._trust.seen.wall, monotonic)
        if due:
            self._refresh()
        self._jobs.plan(self._trust.seen.wall, looked=due)
        if self._sensor_intake is not None:
            self._sensor_intake.save_contact()
        return due

    def _refresh(self) -> None:
        began, now = self._clock.monotonic(), self._trust.seen.wall  # the very time that was believed
        self._timing.begins()
        self._fresh.clear()
        revision = facts_revision(self._desk.store)
        done = self._refresher.refresh(now)
        self._revision = revision
        ended = self._clock.monotonic()
        self._timing.succeeded(done.next_due, now, ended, ended - began)
        log.debug("looked: %d forecasts, %d notices, in %.3f s", done.forecasts, done.notices, ended - began)
        if done.notices:
            self._delivery.ring()
            self._list_notices(done.notices)
        self._delivery.retire(now)
        if self._delivery.shows:
            self._delivery.show(board_of(self._desk, now))
        if self._show is not None:
            self._show(board_of(self._desk, now))
            self._show = None

    def _begin(self) -> None:
        """The clock is believed: everything starts that writes times down or goes by them."""
        if self._demo and seed_demo(self._desk, self._trust.seen.wall):
            log.info("this is the demo studio, in a store of its own; `curewatch setup` or its page begin yours")
        self._delivery.start(self._refresher.timer)
        self._prompt.start()
        self._jobs.start()
        self._backups.start()
        self._open()
        self._begun = True
        log.info("ready: %s", self._in_words())

    def _open(self) -> None:
        """What also works on a clock that is not believed, and says so: sensors are heard, and the page answers."""
        if self._opened:
            return
        if self._sensor_intake is not None:
            self._sensor_intake.start()
        self._page_at = None if self._page is None else self._page.start()
        self._note_unserved("yes" if self._page is not None and self._page_at is None else "")
        self._opened = True
        self._watchdog.ready(believed=bool(self._trust.believed))

    def _note_unserved(self, unserved: str) -> None:
        """For `check`, which could take another studio's page on that port for this one's."""
        with suppress(StoreError):
            with self._desk.store.read() as tx:
                noted = tx.get_meta(UNSERVED) or ""
            if noted != unserved:
                with self._desk.store.write() as tx:
                    tx.set_meta(UNSERVED, unserved)

    def _hearing(self) -> MqttStatus | None:
        return None if self._sensor_intake is None else self._sensor_intake.status()

    def _late(self) -> datetime | None:
        """Since when no turn of the loop was well done, where that is long ago: the page and the metrics say so."""
        late = self._clock.monotonic() - self._turned.monotonic > TURNS_WITHIN_S
        return self._turned.wall if late else None

    def _parts(self) -> list[Part]:
        """Everything that has to move on besides the main loop."""
        moved = self._delivery.moved_at() if self._begun else {}
        parts = [Part(f"notices through {name}", at, DELIVERY_MOVES_WITHIN_S) for name, at in moved.items()]
        if self._sensor_intake is not None and self._opened:
            parts.append(Part("readings from the broker", self._sensor_intake.moved_at(), INTAKE_MOVES_WITHIN_S))
        return parts

    def _readings_stored(self) -> None:
        """Readings were stored. One wake-up a look, however many come."""
        if not self._fresh.is_set():
            self._fresh.set()
            self._wake.set()

    def _logged_on_page(self) -> None:
        """Somebody logged something, or asked for a test notice: what they are to be told of it goes out at once."""
        self._delivery.ring()
        self._readings_stored()

    def _clock_holds(self) -> bool:
        """Whether the wall clock is believed. Plans anew where somebody set it, or the machine slept."""
        lost = self._trust.believed is False
        if self._trust.turn(self._desk):
            self._timing.at_once()
            self._catching_up = self._catching_up or lost  # what waited for the clock comes first
        return bool(self._trust.believed)

    def _gives_up(self, flaw: Exception) -> bool:
        """Log what should not have happened, with its traceback the first time; True if it has been too often."""
        self._flaws += 1
        wait_s = self._timing.failed(self._clock.monotonic())
        said = f"{type(flaw).__name__}: {flaw}"
        log.error("unexpected %s", said, exc_info=flaw if said != self._last_flaw else None)
        self._last_flaw = said
        if self._flaws >= FLAWS_IN_A_ROW:
            log.error("giving up after %d flaws in a row", self._flaws)
            return True
        log.info("going on in %g s", wait_s)
        return False

    # --- words ---

    def _list_notices(self, written: int) -> None:
        if written > LISTED:
            log.info("%d notices written", written)
            return
        with self._desk.store.read() as tx:
            for notice in reversed(tx.notices(limit=written)):
                log.info("notice%s: %s", ", urgent" if notice.urgent else "", notice.title)

    def _in_words(self) -> str:
        with self._desk.store.read() as tx:
            pieces = len(tx.pieces())
        broker = self._settings.broker
        sensors = phrase_n("{n} sensor", "{n} sensors", len({sensor.id for sensor in self._settings.sensors}))
        heard = f"{sensors} through the broker {broker.host}:{broker.port}" if broker else "no broker set"
        page = f"; the page is at {self._page_at}" if self._page_at else ""
        return f"store {self._desk.store.location}, {pieces} pieces; {heard}; {in_words(self._settings)}{page}"
