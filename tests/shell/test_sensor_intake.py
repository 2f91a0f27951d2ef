"""The intake tied to the desk: a backlog is heard out first, the last contact is kept, a refused fact is refused."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.clock import SystemClock
from curewatch.daemon.sensor_intake import LAST_CONTACT, QUIET_S, SensorIntake
from curewatch.desk import Desk
from curewatch.desk.commands.readings import store_readings
from curewatch.intake.mqtt.status import MqttStatus
from curewatch.records import Reading
from curewatch.settings import BrokerSettings, SensorSettings, Settings
from curewatch.store import FactRefused, Store, StoreError
from tests.shell.parts import Broker, free_port, has_mosquitto, wait_for

SENSORS = (SensorSettings(id="window", room="Shed", topic="shed/air", time="/time"),)
READING = Reading(room="Shed", at=datetime(2026, 11, 20, tzinfo=UTC), temp_c=21, received_at=datetime.now(UTC))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield store


def listening(store: Store, port: int) -> SensorIntake:
    broker = BrokerSettings(host="127.0.0.1", port=port)
    desk = Desk(store, Settings(zone="UTC", broker=broker, sensors=SENSORS))
    return SensorIntake(broker, desk, SystemClock(), lambda: None)


def last_contact(store: Store) -> str | None:
    with store.read() as tx:
        return tx.get_meta(LAST_CONTACT)


def readings(store: Store) -> int:
    with store.read() as tx:
        return tx.counts()["readings"]


def test_what_waited_for_the_clock_is_waited_for_each_time_the_clock_is_believed(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    there = listening(store, free_port())
    monkeypatch.setattr(there._intake, "status", lambda: MqttStatus(pending=3))
    monkeypatch.setattr("curewatch.daemon.sensor_intake.CATCHES_UP_WITHIN_S", 0.2)
    for _ in range(2):
        assert there.catching_up()
        wait_for(lambda: not there.catching_up(), 3, "giving up on dates")


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_what_the_broker_kept_is_heard_before_it_has_caught_up(store: Store, tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        first = listening(store, broker.port)
        first.start()
        assert first.catching_up()
        wait_for(lambda: not first.catching_up(), what="the end of no backlog")
        wait_for(lambda: first._intake.status().last_contact, what="the contact, noted every second")
        first.stop(5)
        contact = last_contact(store)
        assert contact is not None
        start = datetime.now(UTC) - timedelta(days=1)
        kept = [(start + timedelta(seconds=10 * k)).isoformat() for k in range(1500)]
        broker.publish_all(("shed/air", f'{{"temperature": 20, "time": "{at}"}}') for at in kept)
        second = listening(store, broker.port)
        second.start()
        wait_for(lambda: not second.catching_up(), 15, "the end of the backlog")
        assert readings(store) == len(kept)
        wait_for(lambda: second._intake.status().last_contact, what="the contact, noted every second")
        second.stop(5)
        assert readings(store) == len(kept)
        assert (last_contact(store) or "") > contact


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_a_slow_disk_is_no_end_of_the_backlog(store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The broker sends no more than twenty unacknowledged: while they are being stored nothing comes."""

    def slowly(desk: Desk, readings: Sequence[Reading], dated: Sequence[int] = ()) -> int:
        time.sleep(1.5 * QUIET_S)
        return store_readings(desk, readings, dated)

    with Broker(tmp_path / "broker") as broker:
        first = listening(store, broker.port)
        first.start()
        wait_for(lambda: not first.catching_up(), what="the end of no backlog")
        first.stop(5)
        start = datetime.now(UTC) - timedelta(days=1)
        kept = [(start + timedelta(seconds=10 * k)).isoformat() for k in range(50)]
        broker.publish_all(("shed/air", f'{{"temperature": 20, "time": "{at}"}}') for at in kept)
        monkeypatch.setattr("curewatch.daemon.sensor_intake.store_readings", slowly)
        second = listening(store, broker.port)
        second.start()
        wait_for(lambda: not second.catching_up(), 15, "the end of the backlog")
        assert readings(store) == len(kept)
        second.stop(5)


def test_a_broker_that_is_not_there_holds_nothing_up(store: Store) -> None:
    alone = listening(store, free_port())
    alone.start()
    wait_for(lambda: not alone.catching_up(), 3, "giving up on the backlog")
    alone.stop(5)
    assert last_contact(store) is None


def test_it_can_be_stopped_before_it_was_started(store: Store) -> None:
    listening(store, free_port()).stop(1)


@pytest.mark.parametrize(
    ("error", "means"), [(FactRefused("no"), ValueError), (StoreError("the disk is full"), StoreError)]
)
def test_a_refused_fact_is_refused_for_good_and_a_full_disk_is_not(
    store: Store, monkeypatch: pytest.MonkeyPatch, error: Exception, means: type[Exception]
) -> None:
    def store_none(desk: Desk, readings: object, dated: object) -> int:
        raise error

    monkeypatch.setattr("curewatch.daemon.sensor_intake.store_readings", store_none)
    with pytest.raises(means):
        listening(store, free_port()).settle([READING])
