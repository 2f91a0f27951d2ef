"""What `curewatch check` finds of sensors: who was heard, what came instead of readings, and why nothing may come."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from functools import cache
from typing import Any

from curewatch.clock import Clock
from curewatch.daemon.machine import OFF, Finding, Verdict
from curewatch.daemon.sensor_intake import HEARD_NOTE
from curewatch.intake.mqtt.duplicate_devices import DUPLICATE_DEVICES
from curewatch.intake.mqtt.limits import TOO_MANY, TURNED_AWAY_MOST
from curewatch.intake.mqtt.listening import overhear
from curewatch.intake.mqtt.message import AWAY
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.records.names import name_key
from curewatch.settings import SensorSettings, Settings, SettingsError, TypedSettings
from curewatch.store import Store, StoreError
from curewatch.studio.wording import age, span


def message_findings(store: Store) -> Iterator[Finding]:
    """What the daemon has noted of the messages that came."""
    with suppress(StoreError, ValueError), store.read() as tx:
        if undated := tx.count_pending_messages():
            said = f"{undated} came before the clock was set, and wait for it"
            yield Finding("messages", Verdict.WARN, said, "set this machine's clock")
        noted = json.loads(tx.get_meta(HEARD_NOTE) or "{}")
        for source in noted.get("duplicates", ()):
            yield Finding(
                "messages", Verdict.WARN, f"of sensor {source}: {DUPLICATE_DEVICES}", "give each a topic of its own"
            )
        if dropped := noted.get("dropped"):
            said = f"{dropped} of QoS 0 came faster than they can be stored: lost"
            yield Finding("messages", Verdict.WARN, said, "have the sensors send less often")
        if worst := noted.get("worst"):
            said = f"the worst topic is {worst['topic']!r} with {worst['count']}, the last: {worst['reason']}"
            do = "compare what comes there with the sensor's table in the settings"
            yield Finding("messages", Verdict.WARN, f"{noted['refused']} were no readings; {said}", do)


def sensor_findings(
    settings: Settings, newest: Mapping[tuple[str, str], Reading], clock: Clock, noted: Mapping[str, Any]
) -> Iterator[Finding]:
    """`noted`: what the daemon has heard since its start."""
    now, overheard = clock.now(), cache(lambda: _overheard(settings, clock))
    by_id: dict[str, SensorSettings] = {}
    for sensor in settings.sensors:
        by_id.setdefault(sensor.id, sensor)  # the two topics of one device are one sensor
    for name, sensor in by_id.items():
        if away := noted.get("turned_away", {}).get(name):
            more = f"{away}{' or more' if away >= TURNED_AWAY_MOST else ''} are"
            said = TOO_MANY.format(sensor.devices_most, more)
            yield Finding(f"sensor {name}", Verdict.WARN, said, "raise `devices_most` of it, if all of them are yours")
        heard = [
            reading
            for (room, source), reading in newest.items()
            if name_key(room) == name_key(sensor.room) and (source == name or source.startswith(f"{name}/"))
        ]
        last = max(heard, key=lambda reading: reading.at, default=None)
        silent = last is None or now - last.at > timedelta(minutes=sensor.silent_after_min)
        if silent and (refused := _refused(name, last, noted.get("sensors", {}).get(name, {}), now)):
            yield refused
            continue
        if last is None:
            # a broker grants a subscription and then keeps back every message its access list forbids us
            do = (
                f"see that it publishes to {sensor.topic!r}, and that the broker lets us read it; "
                "`curewatch listen` shows what comes"
            )
            why = overheard().get(name) or f"its topic is {sensor.topic!r}"
            yield Finding(f"sensor {name}", Verdict.WARN, f"never heard; {why}", do)
            continue
        sentence = f"its last reading is from {age(last.at, now)}, in {sensor.room}; {_taken_as(settings, name)}"
        do = ""
        if silent:
            do = "look at its battery, its place and its network; until it speaks, type readings: `curewatch reading`"
        elif sensor.time is not None and last.at - last.received_at > OFF:
            sentence += f"; its clock is {span(last.at - last.received_at)} ahead of this machine's"
            do = "set the sensor's clock"
        yield Finding(f"sensor {name}", Verdict.WARN if do else Verdict.OK, sentence, do)


def _refused(name: str, last: Reading | None, noted: Mapping[str, Any], now: datetime) -> Finding | None:
    """Where its messages come and are no readings, or it says itself that it is away."""
    with suppress(KeyError, ValueError):
        at = datetime.fromisoformat(noted["at"])
        if last is None or at > last.received_at:
            said = (
                f"{noted['refused']} of its messages are no readings, the last from {age(at, now)}: {noted['reason']}"
            )
            hint = f"set {noted['hint']} in its table" if noted["hint"] else "compare its table with what comes"
            return Finding(f"sensor {name}", Verdict.WARN, said, f"{hint}; `curewatch listen` shows it")
    if noted.get("says") in AWAY:
        said = f"says of itself that it is {noted['says']}"
        return Finding(f"sensor {name}", Verdict.WARN, said, "look at its battery, its place and its network")
    return None


def _overheard(settings: Settings, clock: Clock) -> dict[str, str]:
    """By a sensor's id, why nothing of it may come, by what comes instead."""
    try:
        return {} if settings.broker is None else overhear(settings.broker, settings.sensors, clock)
    except (SettingsError, InputError):
        return {}  # said of the broker


def typed_findings(settings: Settings, newest: Mapping[tuple[str, str], Reading]) -> Iterator[Finding]:
    if any(source == "typed" for _, source in newest) or settings.typed != TypedSettings():
        yield Finding("typed", Verdict.OK, f"what people read off and type is {_taken_as(settings, 'typed')}")


def _taken_as(settings: Settings, source: str) -> str:
    temp, rh = settings.accuracy_of(source)
    return f"taken as right to ±{temp:g} °C and ±{rh:g} %"
