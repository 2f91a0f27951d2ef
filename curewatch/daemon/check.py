"""What `curewatch check` finds: whether everything the settings name is there, who has been heard from, and a test
notice."""

from __future__ import annotations

import json
import os
import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from typing import NamedTuple

from curewatch.clock import Clock, plausible
from curewatch.daemon.delivery import NoticeDelivery, channels_of, host_of, signer_of
from curewatch.daemon.sensor_intake import HEARD_NOTE
from curewatch.desk import Desk
from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.intake.mqtt.client import unanswered_in_words
from curewatch.intake.mqtt.duplicate_devices import DUPLICATE_DEVICES
from curewatch.intake.mqtt.limits import TOO_MANY, TURNED_AWAY_MOST
from curewatch.intake.mqtt.subscriber import look_at_broker
from curewatch.notify.routing import all_channels
from curewatch.notify.services import Services
from curewatch.physics.solver import kernel
from curewatch.records import DeliveryState, Reading
from curewatch.records.errors import InputError
from curewatch.records.names import name_key
from curewatch.settings import BrokerSettings, SensorSettings, Settings, SettingsError, TypedSettings, WebSettings
from curewatch.settings.page import IN_THE_CLEAR
from curewatch.store import AlreadyRunning, CannotOpen, Store, StoreError, newest
from curewatch.studio.wording import age

WITHIN_S = 3.0
MARK = "content-security-policy"
"""A header that every answer of ours carries: another program on that port is told apart by it."""
ENDS_SOON = timedelta(days=21)


class PageFound(NamedTuple):
    trouble: str | None
    """What keeps it from being opened; None where it answers."""
    certificate_ends: datetime | None = None


def page_found(settings: WebSettings) -> PageFound:
    """Asked for is a file that is handed out without a password, at the address that the daemon serves on."""
    host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(settings.host, settings.host)
    place = f"{settings.scheme}://{f'[{host}]' if ':' in host else host}:{settings.port}"
    try:
        asking = _asking(settings, host)
        with closing(asking):
            asking.connect()
            ends = _certificate_ends(asking)
            asking.request("GET", "/static/page.css")
            answer = asking.getresponse()
    except ssl.SSLCertVerificationError as error:
        return PageFound(
            f"the certificate at {place} is not the one in the settings, or is over: {error.verify_message}"
        )
    except TimeoutError:
        return PageFound(f"nothing answers at {place} (not within {WITHIN_S:g} s)")
    except (OSError, HTTPException):
        return PageFound(f"nothing answers at {place} (the connection was refused or broken off)")
    if answer.status != 200 or MARK not in answer.headers:
        return PageFound(f"something else answers on port {settings.port}: web.port in the settings names another")
    return PageFound(None, ends)


def _asking(settings: WebSettings, host: str) -> HTTPConnection:
    if settings.certificate is None:
        return HTTPConnection(host, settings.port, timeout=WITHIN_S)
    trusts = ssl.create_default_context(cafile=settings.certificate)
    trusts.check_hostname = False  # it is for the name that people type, and asked here is this machine
    trusts.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN  # this very certificate, whoever vouches for it elsewhere
    return HTTPSConnection(host, settings.port, timeout=WITHIN_S, context=trusts)


def _certificate_ends(asking: HTTPConnection) -> datetime | None:
    held = asking.sock.getpeercert() if isinstance(asking.sock, ssl.SSLSocket) else None
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(str(held["notAfter"])), UTC) if held else None


BROKER_WITHIN_S = 6.0
OLD_BACKUP = timedelta(days=3)
"""A newest backup older than this is worth a word, whatever the settings say."""


class Verdict(StrEnum):
    OK = "ok"
    WARN = "warn"
    """Works, but somebody may want it otherwise."""
    FAIL = "fail"


class Finding(NamedTuple):
    """One thing looked at. `sentence` is for people."""

    name: str
    verdict: Verdict
    sentence: str


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
    unknown = [Finding("settings", Verdict.WARN, f"{sentence}; it is passed over") for sentence in settings.unknown]
    found = [_settings(settings, config), *unknown, _clock(clock.now()), _kernel()]
    newest: dict[tuple[str, str], Reading] = {}
    turned_away: dict[str, int] = {}
    running = False
    try:
        store = Store.open(store_location, migrate=False, backups=settings.backup.folder)
    except CannotOpen as error:
        is_new = "://" not in store_location and not Path(store_location).expanduser().exists()
        found.append(Finding("store", Verdict.WARN if is_new else Verdict.FAIL, str(error)))
    else:
        with store:
            found += _store(store, clock.now())
            running = any(one.name == "daemon" and one.verdict is Verdict.OK for one in found)
            with suppress(StoreError, ValueError), store.read() as tx:
                newest = tx.newest_by_source()
                turned_away = json.loads(tx.get_meta(HEARD_NOTE) or "{}").get("turned_away", {})
    found.append(_page(settings, clock.now(), running=running))
    found.append(_broker(settings, clock))
    found += [*_sensors(settings, newest, clock.now(), turned_away), *_typed(settings, newest)]
    found.append(_webhook(settings, environ))
    found += _heartbeat(settings, environ)
    found += _people(settings, environ)
    return found


def _settings(settings: Settings, config: Path | None) -> Finding:
    where = f"from {config}" if config else "none given: everything is at its default"
    return Finding("settings", Verdict.OK, f"{where}; times are those of {settings.zone}")


def _clock(now: datetime) -> Finding:
    if plausible(now):
        return Finding("clock", Verdict.OK, f"shows {now:%Y-%m-%d %H:%M} UTC")
    return Finding("clock", Verdict.FAIL, f"shows {now:%Y-%m-%d %H:%M} UTC, which cannot be: set it")


def _kernel() -> Finding:
    if kernel.library() is None:
        slow = "no compiled kernel: films are integrated by NumPy, ten times slower; to have it, install a C compiler"
        return Finding("drying model", Verdict.WARN, f"{slow} (Debian: gcc) and curewatch again")
    return Finding("drying model", Verdict.OK, "compiled")


def _store(store: Store, now: datetime) -> Iterator[Finding]:
    try:
        with store.read() as tx:
            counts = tx.counts()
            waiting, oldest = tx.oldest_waiting()
    except StoreError as error:
        yield Finding("store", Verdict.FAIL, str(error))
        return
    held = ", ".join(f"{counts[name]} {name}" for name in ("pieces", "rooms", "readings", "notices"))
    yield Finding("store", Verdict.OK, f"{store.location} holds {held}")
    yield _daemon(store)
    yield _backups(store, now)
    yield from _sensors_heard(store)
    if oldest is None:
        return
    why = f"; last error: {oldest.last_error}" if oldest.last_error else ""
    sentence = f"{waiting} wait to be sent, the oldest from {age(oldest.notice.created_at, now)}{why}"
    yield Finding("deliveries", Verdict.WARN if oldest.attempts else Verdict.OK, sentence)


def _sensors_heard(store: Store) -> Iterator[Finding]:
    """What the daemon has noted of the messages that came."""
    with suppress(StoreError, ValueError), store.read() as tx:
        if undated := tx.count_pending_messages():
            yield Finding("messages", Verdict.WARN, f"{undated} came before the clock was set, and wait for it")
        noted = json.loads(tx.get_meta(HEARD_NOTE) or "{}")
        for source in noted.get("duplicates", ()):
            yield Finding("messages", Verdict.WARN, f"of sensor {source}: {DUPLICATE_DEVICES}")
        if dropped := noted.get("dropped"):
            yield Finding("messages", Verdict.WARN, f"{dropped} of QoS 0 came faster than they can be stored: lost")
        if worst := noted.get("worst"):
            said = f"the worst topic is {worst['topic']!r} with {worst['count']}, the last: {worst['reason']}"
            yield Finding("messages", Verdict.WARN, f"{noted['refused']} were no readings; {said}")


def _backups(store: Store, now: datetime) -> Finding:
    kept = store.backups()
    last = newest(kept, now)
    if last is None:
        return Finding("backups", Verdict.OK, "none yet: a daemon makes them, and `curewatch backup`")
    if last.at > now:
        return Finding("backups", Verdict.WARN, f"all {len(kept)} bear dates to come: a clock was wrong")
    verdict = Verdict.WARN if now - last.at > OLD_BACKUP else Verdict.OK
    return Finding("backups", verdict, f"the newest of {len(kept)} is from {age(last.at, now)}")


def _daemon(store: Store) -> Finding:
    try:
        with store.lock_for_daemon():
            return Finding("daemon", Verdict.WARN, "none runs on this store: start it with `curewatch run`")
    except AlreadyRunning as running:
        process = f"process {running.pid} on {running.host}" if running.pid else "a process"
        since = f" since {running.since:%Y-%m-%d %H:%M} UTC" if running.since else ""
        return Finding("daemon", Verdict.OK, f"{process} watches{since}")
    except StoreError as error:
        return Finding("daemon", Verdict.FAIL, str(error))


def _page(settings: Settings, now: datetime, *, running: bool) -> Finding:
    """Whether it may be served so, and where a daemon serves it, whether it answers."""
    web = settings.web
    if not web.enabled:
        return Finding("page", Verdict.OK, "not served: web.enabled is false")
    try:
        web.password_hash()
        web.tls()
    except SettingsError as error:
        return Finding("page", Verdict.FAIL, str(error))
    found = page_found(web) if running else PageFound(None)
    if found.trouble is not None:
        return Finding("page", Verdict.FAIL, found.trouble)
    said = f"answers at {web.shown_address}" if running else f"will be at {web.shown_address} while the daemon runs"
    if found.certificate_ends is not None and found.certificate_ends - now < ENDS_SOON:
        ends = f"{found.certificate_ends:%Y-%m-%d}"
        return Finding("page", Verdict.WARN, f"{said}; its certificate is over on {ends}: `curewatch certificate`")
    if (gone := web.gone_address) is not None:
        word = f"{said}; {gone} is no address of this machine any more: `curewatch phone` sets the new one"
        return Finding("page", Verdict.WARN, word)
    if not web.is_loopback and not web.is_secure:
        return Finding("page", Verdict.WARN, f"{said}; {IN_THE_CLEAR}")
    return Finding("page", Verdict.OK, said)


def _broker(settings: Settings, clock: Clock) -> Finding:
    broker = settings.broker
    if broker is None:
        if settings.sensors:
            return Finding("broker", Verdict.FAIL, "sensors are set but no [broker] to hear them through")
        return Finding("broker", Verdict.OK, "none set: readings are typed")
    try:
        return _reached(broker, settings, clock)
    except (SettingsError, InputError) as error:
        return Finding("broker", Verdict.FAIL, str(error))


def _reached(broker: BrokerSettings, settings: Settings, clock: Clock) -> Finding:
    place = f"{broker.host}:{broker.port}"
    status = look_at_broker(broker, settings.sensors, clock, within_s=BROKER_WITHIN_S)
    if status.broker_error is not None:
        return Finding("broker", Verdict.FAIL, status.broker_error)
    if not status.connected:
        return Finding("broker", Verdict.FAIL, f"{place} did not answer in {BROKER_WITHIN_S:g} s")
    if settings.sensors and not status.subscribed | status.refused.keys():
        return Finding("broker", Verdict.FAIL, unanswered_in_words(broker, BROKER_WITHIN_S))
    if status.refused:
        refused = ", ".join(f"{topic!r} ({why})" for topic, why in status.refused.items())
        return Finding("broker", Verdict.FAIL, f"{place} refuses the topics {refused}")
    if not settings.sensors:
        return Finding("broker", Verdict.WARN, f"{place} is set, but no [[sensors]] to hear through it")
    return Finding("broker", Verdict.OK, f"{place} answers and grants {len(status.subscribed)} topics")


def _sensors(
    settings: Settings, newest: Mapping[tuple[str, str], Reading], now: datetime, turned_away: Mapping[str, int]
) -> Iterator[Finding]:
    by_id: dict[str, SensorSettings] = {}
    for sensor in settings.sensors:
        by_id.setdefault(sensor.id, sensor)  # the two topics of one device are one sensor
    for name, sensor in by_id.items():
        if away := turned_away.get(name):
            more = f"{away}{' or more' if away >= TURNED_AWAY_MOST else ''} are"
            yield Finding(f"sensor {name}", Verdict.WARN, TOO_MANY.format(sensor.devices_most, more))
        heard = [
            reading.at
            for (room, source), reading in newest.items()
            if name_key(room) == name_key(sensor.room) and (source == name or source.startswith(f"{name}/"))
        ]
        if not heard:
            # a broker grants a subscription and then keeps back every message its access list forbids us
            allowed = "does it publish there, and may we read it?"
            yield Finding(f"sensor {name}", Verdict.WARN, f"never heard; its topic is {sensor.topic!r}: {allowed}")
            continue
        last = max(heard)
        late = now - last > timedelta(minutes=sensor.silent_after_min)
        sentence = f"its last reading is from {age(last, now)}, in {sensor.room}; {_taken_as(settings, name)}"
        yield Finding(f"sensor {name}", Verdict.WARN if late else Verdict.OK, sentence)


def _typed(settings: Settings, newest: Mapping[tuple[str, str], Reading]) -> Iterator[Finding]:
    if any(source == "typed" for _, source in newest) or settings.typed != TypedSettings():
        yield Finding("typed", Verdict.OK, f"what people read off and type is {_taken_as(settings, 'typed')}")


def _taken_as(settings: Settings, source: str) -> str:
    temp, rh = settings.accuracy_of(source)
    return f"taken as right to ±{temp:g} °C and ±{rh:g} %"


def _heartbeat(settings: Settings, environ: Mapping[str, str]) -> Iterator[Finding]:
    s = settings.heartbeat
    if s is None:
        return
    try:
        place = host_of(s.address(environ).get_secret_value())  # the rest may be a secret
    except SettingsError as error:
        yield Finding("heartbeat", Verdict.FAIL, str(error))
        return
    yield Finding("heartbeat", Verdict.OK, f"to {place} every {s.every_s:g} s, while work gets done")


def _people(settings: Settings, environ: Mapping[str, str]) -> Iterator[Finding]:
    """Whether everything is there to reach each person; only `--send-test` shows that it does."""
    if settings.services is not None:
        try:
            services = Services(settings.services.addresses(environ), name="services")
        except SettingsError as error:
            yield Finding("services", Verdict.FAIL, str(error))
        else:
            yield Finding("services", Verdict.OK, f"{len(services)} addresses")
    for person in settings.people:
        try:
            channels = channels_of(settings, person, environ)
        except SettingsError as error:
            yield Finding(person.name, Verdict.FAIL, str(error))
            continue
        through = " and ".join(channel.name.partition(":")[0] for channel in channels)
        quiet = f", not from {person.quiet.replace('-', ' to ')}" if person.quiet else ""
        yield Finding(person.name, Verdict.OK, f"is told by {through}{quiet}")


def _webhook(settings: Settings, environ: Mapping[str, str]) -> Finding:
    hook = settings.webhook
    if hook is None:
        if all_channels(settings):
            return Finding("webhook", Verdict.OK, "none set: people are told in other ways")
        return Finding("webhook", Verdict.WARN, "none set: notices are only kept in the store, nobody is told")
    try:
        signer = signer_of(hook, environ)
    except SettingsError as error:
        return Finding("webhook", Verdict.FAIL, str(error))
    if signer is None:
        return Finding("webhook", Verdict.WARN, f"{host_of(hook.url)}, unsigned: the receiver cannot tell who sends")
    return Finding("webhook", Verdict.OK, f"{host_of(hook.url)}, signed")


_LOOK_EVERY_S = 0.1


def send_test(
    desk: Desk, now: datetime, clock: Clock, *, within_s: float, environ: Mapping[str, str] = os.environ
) -> Finding:
    """Write a test notice and wait up to `within_s` [s] for it to arrive.

    SettingsError where a secret cannot be had.
    """
    if not all_channels(desk.settings):
        return Finding("test notice", Verdict.WARN, "neither a webhook nor people are set: nowhere to send one")
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
        with desk.store.read() as tx:
            found = tx.deliveries(keys=[key])
        if all(delivery.state is DeliveryState.DELIVERED for delivery in found):
            return Finding("test notice", Verdict.OK, f"arrived through {', '.join(d.channel for d in found)}")
        errors = [delivery.last_error for delivery in found if delivery.last_error]
        if errors or clock.monotonic() >= deadline:
            why = errors[0] if errors else f"it was not sent within {within_s:g} s"
            return Finding("test notice", Verdict.FAIL, f"did not arrive: {why}")
        clock.wait(never, _LOOK_EVERY_S)
