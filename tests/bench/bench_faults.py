"""Faults of clock, broker and receiver, each played whole, with what was lost counted: 0 is the only good number."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from curewatch.clock import SystemClock
from curewatch.daemon.sensor_intake import SensorIntake
from curewatch.desk import Desk
from curewatch.settings import BrokerSettings, ForecastSettings, SensorSettings, Settings
from curewatch.store import Store
from tests.shell.parts import Broker, wait_for
from tests.shell.webhook_faults import FAULTS, fault
from tests.whole.clock_faults import LIBRARY, an_hour_off, no_battery_clock, summer_time

LONG = True
"""Some five minutes: the daemon is started and killed, and lives through days of a receiver's faults."""

FLOOD = 50_000
HOSTILE = 2_000
"""Messages that are no readings, one in ten of a megabyte, among as many that are."""
NOTICES = 10
CHANGES = {
    "to summer time": datetime(2027, 3, 28, 1, tzinfo=UTC),
    "from summer time": datetime(2027, 10, 31, 1, tzinfo=UTC),
}


def lines() -> Iterator[Mapping[str, Any]]:
    with tempfile.TemporaryDirectory(prefix="curewatch-faults-") as made:
        folder = Path(made)
        yield from clocks(folder / "clocks")
        for name in FAULTS:
            found = fault(name, folder / "hook" / name.replace(" ", "-"), NOTICES)
            yield line(
                f"webhook {name.removesuffix(' for a day')} for a day: notices lost",
                found["lost"] + found["dead"],
                found,
            )
        yield flood(folder / "flood")
        yield hostile(folder / "hostile")
        yield restarts(folder / "restarts")


def line(name: str, lost: int, counts: Mapping[str, object]) -> dict[str, Any]:
    return {"name": name, "value": lost, "unit": "lost", "baseline": None, "ratio": None, **counts}


def clocks(folder: Path) -> Iterator[Mapping[str, Any]]:
    if LIBRARY is None:
        return
    found = no_battery_clock(folder / "battery", readings=500)
    yield line("clock 1970, killed, set, 2082, set: readings and notices lost", _lost(found), found)
    found = an_hour_off(folder / "hour", readings=200)
    yield line("clock 1 h forward and back, 1 h back and forward: lost", _lost(found), found)
    for name, at in CHANGES.items():
        found = summer_time(folder / name.replace(" ", "-"), at, readings=100)
        yield line(f"clock {name}: lost", _lost(found), found)


def _lost(found: Mapping[str, int]) -> int:
    return found["readings_lost"] + found["notices_lost"] + found["impossible_times"]


class ReceivedMessage:
    """The intake over a store of its own."""

    def __init__(self, folder: Path, broker: Broker) -> None:
        self.store = Store.open(folder / "studio.sqlite")
        reached = BrokerSettings(host="127.0.0.1", port=broker.port)
        sensors = (SensorSettings(id="window", room="Shed", topic="shed/air", time="/time"),)
        settings = Settings(zone="UTC", broker=reached, sensors=sensors, forecast=ForecastSettings(members=8))
        self.listening = SensorIntake(reached, Desk(self.store, settings), SystemClock(), lambda: None)
        self.listening.start()
        wait_for(lambda: self.status().subscribed, 20, "the subscription")

    def status(self) -> Any:
        return self.listening._intake.status()

    def readings(self) -> int:
        with self.store.read() as tx:
            return tx.counts()["readings"]

    def close(self) -> None:
        self.listening.stop(10)
        self.store.close()


def reading(number: int) -> tuple[str, bytes | str]:
    """Each with a second of its own, the last of them now."""
    at = datetime.fromtimestamp(int(time.time()) - FLOOD + number, UTC).isoformat()
    return "shed/air", f'{{"temperature": {15 + number % 10}, "humidity": 50, "time": "{at}"}}'


def flood(folder: Path) -> Mapping[str, Any]:
    """As many messages at once as ten sensors send in half a day."""
    with Broker(folder / "broker", persistent=True) as broker:
        heard = ReceivedMessage(folder, broker)
        began = time.monotonic()
        broker.publish_all(reading(number) for number in range(FLOOD))
        wait_for(lambda: heard.readings() == FLOOD, 300, "every reading")
        took = time.monotonic() - began
        found = {"messages": FLOOD, "readings": heard.readings(), "seconds": round(took, 1)}
        heard.close()
    return line("broker flood: readings lost", FLOOD - found["readings"], found)  # type: ignore[operator]


def hostile(folder: Path) -> Mapping[str, Any]:
    bad = [
        b"x" * 1_000_000,
        b"[" * 100_000,
        b"\xff\xfe",
        b"{}",
        b"",
        b'{"temperature": NaN}',
        b'{"temperature": 1e400}',
    ]
    bad += [b'{"temperature": true}', b'{"temperature": {"a": 1}}', b'{"temperature": 21, "time": "yesterday"}']
    with Broker(folder / "broker", persistent=True) as broker:
        heard = ReceivedMessage(folder, broker)
        for start in range(0, HOSTILE, 100):
            mixed: list[tuple[str, bytes | str]] = []
            for number in range(start, start + 100):
                mixed += [("shed/air", bad[number % len(bad)]), reading(number)]
            broker.publish_all(mixed)
        wait_for(lambda: heard.readings() == HOSTILE and heard.status().poison == HOSTILE, 300, "every message")
        found = {"hostile": HOSTILE, "refused": heard.status().poison, "readings": heard.readings()}
        heard.close()
    return line("broker hostile payloads: good readings lost among them", HOSTILE - found["readings"], found)


def restarts(folder: Path, times: int = 10, each: int = 100) -> Mapping[str, Any]:
    """A broker that keeps nothing is killed over and over; what is sent to it while we are there must arrive."""
    with Broker(folder / "broker", persistent=False) as broker:
        heard = ReceivedMessage(folder, broker)
        for round_ in range(times):
            wait_for(lambda: heard.status().subscribed, 90, "the subscription")
            broker.publish_all(reading(round_ * each + number) for number in range(each))
            wait_for(lambda: heard.readings() == (round_ + 1) * each, 60, "the readings")  # noqa: B023 waited for here
            broker.kill()
            wait_for(lambda: not heard.status().connected, 60, "the loss being noticed")
            broker.start()
        found = {"restarts": times, "messages": times * each, "readings": heard.readings()}
        heard.close()
    return line("broker restarts without persistence: readings lost", times * each - found["readings"], found)
