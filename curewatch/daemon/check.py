"""What `curewatch check` finds: whether everything the settings name is there, who has been heard from, and a test
notice."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from curewatch.clock import Clock
from curewatch.daemon.delivery import NoticeDelivery, channels_of, host_of, signer_of
from curewatch.daemon.heard import message_findings, sensor_findings, typed_findings
from curewatch.daemon.machine import (
    Finding,
    Verdict,
    clock_finding,
    disk_findings,
    file_findings,
    page_finding,
    put_secret,
)
from curewatch.daemon.process import UNSERVED
from curewatch.daemon.sensor_intake import HEARD_NOTE
from curewatch.desk import Desk
from curewatch.desk.commands.notice_care import note_arrived, send_test_notice, trouble
from curewatch.intake.mqtt.client import unanswered_in_words
from curewatch.intake.mqtt.subscriber import look_at_broker
from curewatch.notify.routing import all_channels
from curewatch.notify.services import Services
from curewatch.physics.solver import kernel
from curewatch.records import DeliveryState, Reading
from curewatch.records.errors import InputError
from curewatch.settings import BrokerSettings, PersonSettings, Settings, SettingsError, usual_config
from curewatch.store import AlreadyRunning, CannotOpen, Store, StoreBroken, StoreError, newest
from curewatch.studio.wording import age

BROKER_WITHIN_S = 6.0
TELL = "name somebody to tell: `curewatch help telling`"
OLD_BACKUP = timedelta(days=3)
"""A newest backup older than this is worth a word, whatever the settings say."""


def look(
    settings: Settings,
    store_location: str,
    clock: Clock,
    *,
    config: Path | None = None,
    environ: Mapping[str, str] = os.environ,
) -> list[Finding]:
    """Look at everything, in the order it is needed; nothing is changed and nothing raised for what is amiss.

    `config` is where the settings came from. Whether a daemon runs is found out by holding its lock for a moment.
    Looking at the broker takes up to BROKER_WITHIN_S seconds.
    """
    found = [_settings(settings, config), *_unknown(settings), clock_finding(settings, clock, environ), _kernel()]
    newest: dict[tuple[str, str], Reading] = {}
    noted: dict[str, Any] = {}
    running = unserved = False
    try:
        store = Store.open(store_location, migrate=False, backups=settings.backup.folder)
    except StoreError as error:
        found.append(_no_store(store_location, error))
    else:
        with store:
            found += _store(store, clock.now())
            running = any(one.name == "daemon" and one.verdict is Verdict.OK for one in found)
            with suppress(StoreError, ValueError), store.read() as tx:
                newest = tx.newest_by_source()
                unserved = running and bool(tx.get_meta(UNSERVED))
                noted = json.loads(tx.get_meta(HEARD_NOTE) or "{}")
    if "://" not in store_location:
        place = Path(store_location).expanduser().absolute()
        found += [*disk_findings(settings, place), *file_findings(settings, place)]
    beside = config.parent if config else Path()
    found.append(page_finding(settings, beside, clock.now(), running=running, unserved=unserved))
    found.append(_broker(settings, clock))
    found += [*sensor_findings(settings, newest, clock, noted), *typed_findings(settings, newest)]
    found.append(_webhook(settings, environ))
    found += _heartbeat(settings, environ)
    found += _people(settings, environ)
    return found


def _no_store(location: str, error: StoreError) -> Finding:
    if isinstance(error, StoreBroken):
        return Finding("store", Verdict.FAIL, f"{error.path} {error.reason}", error.remedy)
    place = Path(location).expanduser()
    if "://" not in location and not place.exists():
        return Finding("store", Verdict.WARN, f"none at {location} yet", "begin one: `curewatch setup`")
    if not isinstance(error, CannotOpen):
        return Finding("store", Verdict.FAIL, str(error), "see what is said of its disk and files")
    owner = f"its owner: `sudo -u {place.owner()} curewatch check`" if place.is_file() else "another: `--store PATH`"
    return Finding("store", Verdict.FAIL, str(error), f"run curewatch as {owner}")


def _settings(settings: Settings, config: Path | None) -> Finding:
    where = f"from {config}" if config else f"none yet at {usual_config()}: everything is at its default"
    return Finding("settings", Verdict.OK, f"{where}; times are those of {settings.zone}")


def _unknown(settings: Settings) -> Iterator[Finding]:
    for sentence in settings.unknown:
        yield Finding("settings", Verdict.WARN, f"{sentence}; it is passed over", "take it out, or name it right")


def _kernel() -> Finding:
    if kernel.library() is None:
        slow = "no compiled kernel: films are integrated by NumPy, ten times slower"
        return Finding("drying model", Verdict.WARN, slow, "install a C compiler (Debian: gcc), and curewatch again")
    return Finding("drying model", Verdict.OK, "compiled")


def _store(store: Store, now: datetime) -> Iterator[Finding]:
    try:
        with store.read() as tx:
            counts = {**tx.counts(), "pieces": len(tx.pieces()), "rooms": len(tx.rooms())}
            waiting, oldest = tx.oldest_waiting()
    except StoreError as error:
        yield Finding("store", Verdict.FAIL, str(error))
        return
    held = ", ".join(
        f"{counts[name]} {name[:-1] if counts[name] == 1 else name}"
        for name in ("pieces", "rooms", "readings", "notices")
    )
    yield Finding("store", Verdict.OK, f"{store.location} holds {held}")
    yield _daemon(store)
    yield _backups(store, now)
    yield from message_findings(store)
    if oldest is None:
        return
    why = f"; last error: {oldest.last_error}" if oldest.last_error else ""
    sentence = f"{waiting} wait to be sent, the oldest from {age(oldest.notice.created_at, now)}{why}"
    if oldest.attempts:
        yield Finding("deliveries", Verdict.WARN, sentence, "mend that; they are tried again by themselves")
    else:
        yield Finding("deliveries", Verdict.OK, sentence)


def _backups(store: Store, now: datetime) -> Finding:
    kept = store.backups()
    last = newest(kept, now)
    if last is None:
        return Finding("backups", Verdict.OK, "none yet: a daemon makes them, and `curewatch backup`")
    if last.at > now:
        return Finding(
            "backups", Verdict.WARN, f"all {len(kept)} bear dates to come: a clock was wrong", "`curewatch backup`"
        )
    said = f"the newest of {len(kept)} is from {age(last.at, now)}"
    if now - last.at > OLD_BACKUP:
        return Finding("backups", Verdict.WARN, said, "`curewatch backup`, and leave the daemon running")
    return Finding("backups", Verdict.OK, said)


def _daemon(store: Store) -> Finding:
    try:
        with store.lock_for_daemon():
            return Finding("daemon", Verdict.WARN, "none runs on this store", "start it: `curewatch run`")
    except AlreadyRunning as running:
        process = f"process {running.pid} on {running.host}" if running.pid else "a process"
        since = f" since {running.since:%Y-%m-%d %H:%M} UTC" if running.since else ""
        return Finding("daemon", Verdict.OK, f"{process} watches{since}")
    except StoreError as error:
        return Finding("daemon", Verdict.FAIL, str(error))


def _broker(settings: Settings, clock: Clock) -> Finding:
    broker = settings.broker
    if broker is None:
        if settings.sensors:
            do = 'name it in the settings, as by `broker.host = "127.0.0.1"`'
            return Finding("broker", Verdict.FAIL, "sensors are set but no [broker] to hear them through", do)
        return Finding("broker", Verdict.OK, "none set: readings are typed")
    try:
        return _reached(broker, settings, clock)
    except (SettingsError, InputError) as error:
        do = put_secret(broker.password_file, None, "the broker's password") if broker.password_file else ""
        return Finding("broker", Verdict.FAIL, str(error), do or "name a file that can be read: `broker.ca_file`")


def _reached(broker: BrokerSettings, settings: Settings, clock: Clock) -> Finding:
    place = f"{broker.host}:{broker.port}"
    start = (
        "start the daemon, which starts it: `curewatch run`"
        if broker.start
        else "start it there, or put right host, port, user and password under [broker] in the settings"
    )
    status = look_at_broker(broker, settings.sensors, clock, within_s=BROKER_WITHIN_S)
    if status.broker_error is not None:
        return Finding("broker", Verdict.FAIL, status.broker_error, start)
    if not status.connected:
        return Finding("broker", Verdict.FAIL, f"{place} did not answer in {BROKER_WITHIN_S:g} s", start)
    if settings.sensors and not status.subscribed | status.refused.keys():
        return Finding("broker", Verdict.FAIL, unanswered_in_words(broker, BROKER_WITHIN_S), "start the broker anew")
    if status.refused:
        refused = ", ".join(f"{topic!r} ({why})" for topic, why in status.refused.items())
        do = f"let {broker.user or 'everybody'} read them in the broker's access list"
        return Finding("broker", Verdict.FAIL, f"{place} refuses the topics {refused}", do)
    if not settings.sensors:
        said = f"{place} is set, but no [[sensors]] to hear through it"
        return Finding("broker", Verdict.WARN, said, "name a sensor: `curewatch help sensors`")
    return Finding("broker", Verdict.OK, f"{place} answers and grants {len(status.subscribed)} topics")


def _heartbeat(settings: Settings, environ: Mapping[str, str]) -> Iterator[Finding]:
    s = settings.heartbeat
    if s is None:
        do = "name an address outside that raises the alarm when no call comes: `curewatch help telling`"
        yield Finding("heartbeat", Verdict.WARN, "none set: if the daemon stops, nobody hears of it", do)
        return
    try:
        place = host_of(s.address(environ).get_secret_value())  # the rest may be a secret
    except SettingsError as error:
        do = put_secret(s.url_file, s.url_env, "the address")
        yield Finding("heartbeat", Verdict.FAIL, str(error), do)
        return
    yield Finding("heartbeat", Verdict.OK, f"to {place} every {s.every_s:g} s, while work gets done")


def _people(settings: Settings, environ: Mapping[str, str]) -> Iterator[Finding]:
    """Whether everything is there to reach each person; only `--send-test` shows that it does."""
    if settings.services is not None:
        try:
            services = Services(settings.services.addresses(environ), name="services")
        except SettingsError as error:
            table = settings.services
            do = _have_services(put_secret(table.addresses_file, table.addresses_env, "the addresses, one a line,"))
            yield Finding("services", Verdict.FAIL, str(error), do)
        else:
            yield Finding("services", Verdict.OK, f"{len(services)} addresses")
    for person in settings.people:
        try:
            channels = channels_of(settings, person, environ)
        except SettingsError as error:
            yield Finding(person.name, Verdict.FAIL, str(error), _reachable(settings, person, environ))
            continue
        through = " and ".join(channel.name.partition(":")[0] for channel in channels)
        quiet = f", not from {person.quiet.replace('-', ' to ')}" if person.quiet else ""
        yield Finding(person.name, Verdict.OK, f"is told by {through}{quiet}")


def _reachable(settings: Settings, person: PersonSettings, environ: Mapping[str, str]) -> str:
    """What has to be done so that somebody can be told."""
    if person.mail is not None and settings.mail is not None:
        try:
            settings.mail.password(environ)
        except SettingsError:
            return put_secret(settings.mail.password_file, settings.mail.password_env, "the mail server's password")
    return _have_services(put_secret(person.services_file, person.services_env, "the addresses, one a line,"))


def _have_services(otherwise: str) -> str:
    """What push services lack: the package, else what is said."""
    return otherwise if find_spec("apprise") else f"install it: `{sys.executable} -m pip install apprise`"


def _webhook(settings: Settings, environ: Mapping[str, str]) -> Finding:
    hook = settings.webhook
    if hook is None:
        if all_channels(settings):
            return Finding("webhook", Verdict.OK, "none set: people are told in other ways")
        return Finding("webhook", Verdict.WARN, "none set: notices are only kept, nobody is told", TELL)
    secret = put_secret(hook.secret_file, hook.secret_env, "the secret, whsec_ and base64,")
    try:
        signer = signer_of(hook, environ)
    except SettingsError as error:
        return Finding("webhook", Verdict.FAIL, str(error), secret)
    if signer is None:
        said = f"{host_of(hook.url)}, unsigned: the receiver cannot tell who sends"
        return Finding("webhook", Verdict.WARN, said, 'name its secret: `webhook.secret_file = "webhook-secret"`')
    return Finding("webhook", Verdict.OK, f"{host_of(hook.url)}, signed")


_LOOK_EVERY_S = 0.1


def send_test(
    desk: Desk, now: datetime, clock: Clock, *, within_s: float, environ: Mapping[str, str] = os.environ
) -> Finding:
    """Write a test notice and wait up to `within_s` [s] for it to arrive.

    SettingsError where a secret cannot be had.
    """
    if not all_channels(desk.settings):
        return Finding("test notice", Verdict.WARN, "neither a webhook nor people are set: nowhere to send one", TELL)
    try:
        with desk.store.lock_for_daemon():
            telling = NoticeDelivery(desk.settings, desk.store, clock, environ)
            key = send_test_notice(desk, now).key
            telling.start()
            try:
                return _outcome(desk, key, clock, within_s)
            finally:
                telling.stop(within_s)
    except AlreadyRunning:
        return _outcome(desk, send_test_notice(desk, now).key, clock, within_s)


def _outcome(desk: Desk, key: str, clock: Clock, within_s: float) -> Finding:
    deadline = clock.monotonic() + within_s
    never = threading.Event()
    while True:
        found = note_arrived(desk, key)
        if all(delivery.state is DeliveryState.DELIVERED for delivery in found):
            return Finding("test notice", Verdict.OK, f"arrived through {', '.join(d.channel for d in found)}")
        errors = [why for delivery in found if (why := trouble(delivery))]
        if errors or clock.monotonic() >= deadline:
            why = errors[0] if errors else f"it was not sent within {within_s:g} s"
            return Finding("test notice", Verdict.FAIL, f"did not arrive: {why}", "mend that, then send another")
        clock.wait(never, _LOOK_EVERY_S)
