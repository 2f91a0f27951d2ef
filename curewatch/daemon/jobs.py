"""What is done by the clock: each a job of the scheduler, and a line of `curewatch check`.

The scheduler only rings. When a job is due is read from the store, the settings and what the daemon did last, after
each look and once a minute; so a job that is late, as after a step of the clock, is rung then.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from typing import NamedTuple

from curewatch.clock import Clock
from curewatch.daemon.backups import Backups, backup_due
from curewatch.daemon.scheduler import RefreshTiming, Scheduler
from curewatch.desk import Desk
from curewatch.desk.commands.readings import thinned_at, thinning_due
from curewatch.desk.refresh.scheduled_notices import next_mornings
from curewatch.language import Message, phrase
from curewatch.notify.heartbeat import Heartbeat
from curewatch.notify.outbox import AFTER_CAP
from curewatch.notify.routing import all_channels
from curewatch.settings import Settings
from curewatch.store import Store, StoreError, newest

LOOK, MORNING, TELLING, BACKUP, HEARTBEAT, THINNING = "look", "morning", "telling", "backup", "heartbeat", "thinning"
DOES: Mapping[str, Message] = {
    LOOK: phrase("dates, milestones and alarms; an hour after the last at the latest"),
    MORNING: phrase("the day's work, to each who wants it in the morning"),
    TELLING: phrase("what waits to be sent: gathered, for quiet hours, to try again"),
    BACKUP: phrase("a copy of the store"),
    HEARTBEAT: phrase("a sign of life to the address outside, if work gets done"),
    THINNING: phrase("readings of long ago become means of five minutes"),
}
"""By the job's id. Each has its own, so that it is planned once."""
NOTE = "jobs"
"""The store's note of what nothing else there tells: by id when a job last ran and is next due, as JSON."""
PLAN_EVERY_S = 60.0
"""How often dates are asked for between looks, and the note is written [s]; a card wears out by more."""


class Job(NamedTuple):
    """One line of the table."""

    id: str
    does: Message
    last_at: datetime | None
    """When it last did something; None: never, or nobody knows."""
    next_at: datetime | None
    """None: nothing waits, or no daemon runs and one would do it at once."""


class Jobs:
    """`start` and `stop` once each; `plan` after a look and at each turn of the main loop."""

    def __init__(self, desk: Desk, clock: Clock, timing: RefreshTiming, backups: Backups, heartbeat: Heartbeat | None,
                 wake: Callable[[], object], ring: Callable[[], object]) -> None:  # fmt: skip
        """`wake` has the main loop turn, `ring` has the couriers look."""
        self._desk, self._clock, self._timing, self._backups, self._heartbeat = desk, clock, timing, backups, heartbeat
        self._bells = {LOOK: wake, MORNING: wake, TELLING: ring, BACKUP: backups.ring, HEARTBEAT: wake,
                       THINNING: backups.ring}  # fmt: skip
        self._scheduler = Scheduler()
        self._looked_at: datetime | None = None
        self._planned_at: float | None = None
        self._noted_at, self._noted = clock.monotonic() - PLAN_EVERY_S, ""

    def start(self) -> None:
        """Only once the clock is believed."""
        self._scheduler.start()

    def stop(self) -> None:
        self._scheduler.stop()

    def plan(self, now: datetime, *, looked: bool = False) -> None:
        """Ring what is due, and plan the rest; once a minute where nobody `looked` just now. StoreError as the
        store's."""
        monotonic = self._clock.monotonic()
        if not looked and self._planned_at is not None and monotonic - self._planned_at < PLAN_EVERY_S:
            return
        self._planned_at = monotonic
        self._looked_at = now if looked else self._looked_at
        due = self._due(now)
        for job, bell in self._bells.items():
            at = due[job]
            if at is None:
                self._scheduler.forget(job)
            elif at > now:
                self._scheduler.plan(job, at, bell)
            elif job != LOOK:  # the main loop looks by itself
                bell()
        if monotonic - self._noted_at >= PLAN_EVERY_S:
            self._note(due)

    def _due(self, now: datetime) -> dict[str, datetime | None]:
        beats = None if self._heartbeat is None else now + timedelta(seconds=max(0.0, self._heartbeat.due_in_s()))
        known = _by_facts(self._desk.store, self._desk.settings, now)
        return known | {LOOK: self._timing.due_at, BACKUP: self._backups.due_at(now), HEARTBEAT: beats}

    def _note(self, due: Mapping[str, datetime | None]) -> None:
        ran = {LOOK: self._looked_at, HEARTBEAT: None if self._heartbeat is None else self._heartbeat.taken_at}
        before = _noted(self._desk.store)
        last = {job: at.isoformat() if at else before.get(job, {}).get("last") for job, at in ran.items()}
        at = {job: moment.isoformat() for job in (LOOK, BACKUP, HEARTBEAT) if (moment := due[job]) is not None}
        noted = json.dumps({job: {"last": last.get(job), "next": at.get(job)} for job in (LOOK, BACKUP, HEARTBEAT)})
        if noted != self._noted:
            with self._desk.store.write() as tx:
                tx.set_meta(NOTE, noted)
        self._noted_at, self._noted = self._clock.monotonic(), noted


def jobs_at(location: str, settings: Settings, now: datetime, *, running: bool) -> list[Job]:
    """What is done by the clock, by what the store there and the settings have; of a daemon that is `running`, what it
    noted too. Empty where the store cannot be read."""
    with suppress(StoreError), Store.open(location, migrate=False, backups=settings.backup.folder) as store:
        return _jobs_of(store, settings, now, running=running)
    return []


def _jobs_of(store: Store, settings: Settings, now: datetime, *, running: bool) -> list[Job]:
    noted, backup_at, kept = _noted(store), backup_due(store, settings.backup, now), newest(store.backups(), now)
    due = _by_facts(store, settings, now) | {BACKUP: backup_at}
    if running:
        due |= {job: _moment(noted, job, "next") for job in (LOOK, BACKUP, HEARTBEAT)}
    last = {LOOK: _moment(noted, LOOK, "last"), HEARTBEAT: _moment(noted, HEARTBEAT, "last")}
    with store.read() as tx:
        last |= {MORNING: tx.last_notice_at("morning"), TELLING: tx.last_delivered_at()}
        last[THINNING] = thinned_at(tx)
    last[BACKUP] = None if kept is None else kept.at
    on = {
        MORNING: due[MORNING] is not None,
        TELLING: bool(all_channels(settings)),
        BACKUP: backup_at is not None,
        HEARTBEAT: settings.heartbeat is not None,
        THINNING: due[THINNING] is not None or last[THINNING] is not None,
    }
    soon = {job for job, at in due.items() if at is not None and at <= now and not running}
    return [
        Job(job, does, last[job], None if job in soon else due.get(job))
        for job, does in DOES.items()
        if on.get(job, True)
    ]


def _by_facts(store: Store, settings: Settings, now: datetime) -> dict[str, datetime | None]:
    with store.read() as tx:
        telling = tx.next_delivery_at(all_channels(settings), now, now + AFTER_CAP)
        thinning = thinning_due(tx, settings)
    mornings = next_mornings(settings, now, lambda at: at.astimezone(settings.tz))
    return {MORNING: min(mornings, default=None), TELLING: telling, THINNING: thinning}


def _noted(store: Store) -> dict[str, dict[str, str | None]]:
    with store.read() as tx:
        noted = tx.get_meta(NOTE)
    with suppress(ValueError):
        return dict(json.loads(noted or "{}"))
    return {}


def _moment(noted: Mapping[str, Mapping[str, str | None]], job: str, which: str) -> datetime | None:
    at = noted.get(job, {}).get(which)
    return None if at is None else datetime.fromisoformat(at)
