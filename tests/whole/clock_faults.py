"""The daemon as a process of its own under a clock that is set while it runs (libfaketime), and what came of it."""

from __future__ import annotations

import os
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import text

from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.records import DeliveryState
from tests.shell.parts import Broker, Receiver, wait_for
from tests.whole.service import Service

LIBRARY = next(
    (found for found in Path("/usr").glob("lib*/**/faketime/libfaketimeMT.so.1")),
    None,
)
"""Debian's package faketime; None where it is not installed. The build for programs of several threads: the other one
lets them read its offset while one of them renews it, and has answered with the machine's own time."""
WALL_ALONE = {"FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1"}
WITHIN_S = 40.0
YEARS_56 = timedelta(days=20_454)
SENSOR = '[[sensors]]\nid = "window"\nroom = "Shed"\ntopic = "shed/air"\n[web]\nenabled = false\n'


@dataclass
class FakedService(Service):
    """A daemon whose wall clock runs `offset` away from ours. Its other clocks are the machine's own."""

    offset: timedelta = field(default_factory=timedelta)

    def set_clock(self, offset: timedelta) -> None:
        """Set the wall clock of the daemon, running or not."""
        self.offset = offset
        self.folder.mkdir(parents=True, exist_ok=True)
        fresh = self.folder / "offset.new"
        fresh.write_text(f"{offset.total_seconds():+.0f}\n")
        fresh.replace(self.folder / "offset")  # it is read at every look at the clock

    def begin(self, says: str) -> None:
        """Start the daemon and wait until it says something."""
        before = self.log().count(says)
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(self._argv("run", "--verbose"), env=self._environ(), stdout=log, stderr=log)
        self.says(says, before)

    def says(self, what: str, more_than: int = 0) -> None:
        wait_for(lambda: self.alive() and self.log().count(what) > more_than, WITHIN_S, f"{what!r} in the log")

    def held(self) -> int:
        with self.desk.store.read() as tx:
            return tx.count_pending_messages()

    def now(self) -> datetime:
        return datetime.now(UTC) + self.offset

    def _environ(self) -> dict[str, str]:
        faked = {
            "LD_PRELOAD": str(LIBRARY),
            "FAKETIME_TIMESTAMP_FILE": str(self.folder / "offset"),
            "FAKETIME_NO_CACHE": "1",
            **WALL_ALONE,
        }
        return {**super()._environ(), **faked, "TZ": os.environ.get("TZ", "UTC")}


@dataclass
class Shed:
    """A daemon with a broker, one sensor and a receiver."""

    service: FakedService
    broker: Broker
    receiver: Receiver
    sent: int = 0

    def send(self, readings: int) -> None:
        """Readings without a time of their own, each unlike the others."""
        numbers = range(self.sent, self.sent + readings)
        self.broker.publish_all(
            [("shed/air", f'{{"temperature": {10 + n / 1000:.3f}, "humidity": 50}}') for n in numbers]
        )
        self.sent += readings

    def counts(self) -> dict[str, int]:
        """What came of it all."""
        with self.service.desk.store.read() as tx:
            deliveries = tx.deliveries()
            stored = [reading.temp_c for reading in tx.readings("Shed")]
        keys = Counter(self.receiver.keys())
        return {
            "readings_sent": self.sent,
            "readings_lost": self.sent - len(set(stored)),
            # stored, and killed before the broker heard of it: it comes again, and without a time looks new
            "readings_repeated": len(stored) - len(set(stored)),
            "notices": len(deliveries),
            "notices_lost": sum(delivery.state is not DeliveryState.DELIVERED for delivery in deliveries),
            "notices_repeated": sum(times - 1 for times in keys.values()),
            "impossible_times": len(impossible_times(self.service)),
        }


@contextmanager
def shed(folder: Path, offset: timedelta, says: str) -> Iterator[Shed]:
    """The daemon, started with its clock `offset` away, until it says so."""
    with (
        Broker(folder / "broker", persistent=True) as broker,
        Receiver() as receiver,
        FakedService(folder / "home") as service,
    ):
        service.settings(receiver, broker, SENSOR, members=8)
        service.set_clock(offset)
        service.begin(says)
        service.says("the broker grants the topic")  # until then a broker keeps nothing for us
        yield Shed(service, broker, receiver)


def no_battery_clock(folder: Path, readings: int = 20) -> dict[str, int]:
    """1970 at the start, killed in it, the true time at last; then 56 years forward, and back."""
    with shed(folder, -YEARS_56, "clock unconfirmed") as there:
        service = there.service
        there.send(readings)
        wait_for(lambda: service.held() >= readings, WITHIN_S, "the messages being kept")
        for command in (["board"], ["reading", "--room", "Shed", "--temperature", "21C", "--humidity", "50%"]):
            assert "clock unconfirmed: got '1970-" in service.command(*command, fails_with=2)
        service.kill()
        service.begin("clock unconfirmed")
        service.says("the broker grants the topic", 1)
        there.send(readings)
        wait_for(lambda: service.held() >= 2 * readings, WITHIN_S, "the messages being kept")
        assert service.readings() == 0
        service.set_clock(timedelta(0))
        wait_for(lambda: service.readings() >= there.sent, WITHIN_S, "their dates")
        send_test_notice(service.desk, datetime.now(UTC))
        wait_for(lambda: not service.undelivered(), WITHIN_S, "the notice")
        service.set_clock(YEARS_56)
        service.says("clock unconfirmed", 2)
        there.send(readings)
        wait_for(lambda: service.held() >= readings, WITHIN_S, "the messages being kept")
        key = send_test_notice(service.desk, datetime.now(UTC)).key  # good for an hour, long past in 2082
        service.set_clock(timedelta(0))
        wait_for(lambda: service.readings() >= there.sent, WITHIN_S, "their dates")
        wait_for(lambda: key in there.receiver.keys() and not service.undelivered(), WITHIN_S, "the notice")  # noqa: SIM118
        assert service.end() == 0
        return there.counts()


def an_hour_off(folder: Path, readings: int = 20) -> dict[str, int]:
    """An hour forward and right again, an hour back and right again, readings all the while."""
    with shed(folder, timedelta(0), "ready: ") as there:
        for hours in (1, 0, -1, 0):
            before = there.service.log().count("the clock is believed again")
            there.service.set_clock(timedelta(hours=hours))
            there.service.command("clock", "--right")  # nobody else vouches for it here
            there.service.says("the clock is believed again", before)
            there.send(readings)
            wait_for(lambda: there.service.readings() >= there.sent, WITHIN_S, "the readings")
            send_test_notice(there.service.desk, there.service.now())
            wait_for(lambda: not there.service.undelivered(), WITHIN_S, "the notice")
        assert there.service.end() == 0
        return there.counts()


def summer_time(folder: Path, at: datetime, readings: int = 20) -> dict[str, int]:
    """Through the moment `at` at which the zone's clocks change: for the machine it is a moment like any other."""
    starts = at - timedelta(seconds=8)
    with shed(folder, starts - datetime.now(UTC), "ready: ") as there:
        there.send(readings)
        wait_for(lambda: there.service.now() > at + timedelta(seconds=6), WITHIN_S, "the change")
        there.send(readings)
        wait_for(lambda: there.service.readings() >= there.sent, WITHIN_S, "the readings")
        send_test_notice(there.service.desk, there.service.now())
        wait_for(lambda: not there.service.undelivered(), WITHIN_S, "the notice")
        steps = there.service.log().count("the clock was set by")
        assert there.service.end() == 0
        return {**there.counts(), "steps_seen": steps}


def impossible_times(service: Service) -> list[str]:
    """Every instant in the store that is years away from now, whatever table it stands in."""
    low, high = (int((datetime.now(UTC) + timedelta(days=days)).timestamp() * 1e6) for days in (-400, 400))
    found = []
    with service.desk.store.read() as tx:
        run = tx._connection.execute
        for (table,) in run(text("SELECT name FROM sqlite_master WHERE type = 'table'")).all():
            for _, column, kind, *_ in run(text(f'PRAGMA table_info("{table}")')).all():
                if kind == "BIGINT":  # what an instant is stored as
                    rows = run(
                        text(f'SELECT "{column}" FROM "{table}" WHERE "{column}" NOT BETWEEN :low AND :high'),
                        {"low": low, "high": high},
                    )
                    found += [f"{table}.{column} = {value}" for (value,) in rows]
        found += [
            f"meta.{key} = {value}"
            for key, value in run(text("SELECT key, value FROM meta"))
            if value[:2] in ("19", "20") and value[4:5] == "-" and not low <= micros(value) <= high
        ]
    return found


def micros(iso: str) -> int:
    return int(datetime.fromisoformat(iso).timestamp() * 1e6)
