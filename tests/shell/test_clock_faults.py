"""A clock that is wrong: nothing is decided or dated by it, and what sensors say meanwhile is kept and dated later."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
from sqlalchemy import text

from curewatch.clock import RELEASED, plausible
from curewatch.daemon import Daemon
from curewatch.daemon.sensor_intake import LAST_CONTACT
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading
from curewatch.intake.mqtt.pending_messages import date
from curewatch.records import DeliveryState, Notice, Reading, ThicknessSource
from curewatch.records.facts import PendingMessage
from curewatch.settings import BrokerSettings, ForecastSettings, SensorSettings, Settings, WebhookSettings, WebSettings
from curewatch.store import Store
from tests.shell.fault_parts import WITHIN_S, SteppedClock, hasten, running
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
UNSET = datetime(1970, 1, 1, 0, 3, tzinfo=UTC)
FAR = NOW + timedelta(days=20_454)
SENSORS = (
    SensorSettings(id="window", room="Shed", topic="shed/air"),
    SensorSettings(id="door", room="Shed", topic="shed/door", time="/time"),
)
needs_broker = pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")


@pytest.fixture
def location(tmp_path: Path) -> str:
    return str(tmp_path / "studio.sqlite")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    hasten(monkeypatch)
    return monkeypatch


def settings(broker: Broker | None = None, **more: Any) -> Settings:
    heard = {"broker": BrokerSettings(host="127.0.0.1", port=broker.port), "sensors": SENSORS} if broker else {}
    return Settings(zone="Europe/Lisbon", forecast=ForecastSettings(members=8), **heard, **more)


def held(location: str) -> int:
    with Store.open(location) as store, store.read() as tx:
        return tx.count_pending_messages()


def temps(location: str) -> list[float | None]:
    with Store.open(location) as store, store.read() as tx:
        return [reading.temp_c for reading in tx.readings("Shed")]


def impossible_times(location: str) -> list[str]:
    """Every instant in the store that no true clock can have shown, whatever table it stands in."""
    with Store.open(location) as store, store.read() as tx:
        found = []
        run = tx._connection.execute
        instants = ("at", "since", "poured", "created_at", "next_try_at", "settled_at", "raised_at", "recorded_at")
        for (table,) in run(text("SELECT name FROM sqlite_master WHERE type = 'table'")).all():
            names = {row[1] for row in run(text(f"PRAGMA table_info({table})"))}
            for column in sorted(names & {*instants, "received_at", "made_at", "expires_at", "changed_at"}):
                for (value,) in run(text(f"SELECT {column} FROM {table} WHERE {column} IS NOT NULL")):
                    at = datetime.fromtimestamp(int(value) / 1e6, UTC)
                    if not NOW - timedelta(days=40) <= at <= NOW + timedelta(days=40):
                        found.append(f"{table}.{column} = {at}")
        contact = tx.get_meta(LAST_CONTACT)
        return found if contact is None or plausible(datetime.fromisoformat(contact)) else [*found, contact]


@needs_broker
def test_what_comes_before_the_clock_is_set_is_kept_through_a_restart_and_dated_then(
    location: str, tmp_path: Path
) -> None:
    """A board without a battery clock: 1970 for eight hours, a restart of the daemon in it, then the true time."""
    clock = SteppedClock(UNSET)
    with Broker(tmp_path / "broker", persistent=True) as broker:
        with running(Daemon(settings(broker), location, clock)) as run:
            wait_for(lambda: subscribed(run.daemon), WITHIN_S, "the subscription")
            broker.publish_all([("shed/air", f'{{"temperature": {n}}}') for n in (20, 21)])
            wait_for(lambda: held(location) == 2, WITHIN_S, "the messages being kept")
        clock.pass_by(timedelta(hours=8))
        broker.publish("shed/air", '{"temperature": 22, "humidity": 50}')  # while nobody listens
        clock.pass_by(timedelta(seconds=30))
        with running(Daemon(settings(broker), location, clock)):
            wait_for(lambda: held(location) == 3, WITHIN_S, "the third")
            assert temps(location) == []
            assert impossible_times(location) == []
            clock.move(NOW - clock.now())
            wait_for(lambda: len(temps(location)) == 3, WITHIN_S, "their dates")
        assert held(location) == 0
        assert impossible_times(location) == []
    with Store.open(location) as store, store.read() as tx:
        readings = tx.readings("Shed")
    ages = [(NOW - reading.at).total_seconds() for reading in readings]
    assert [reading.temp_c for reading in readings] == [20, 21, 22]
    # Real seconds run beside the eight hours, as long as the daemon needs to start and stop.
    assert ages[0] == pytest.approx(8 * 3600 + 30, abs=WITHIN_S)
    assert ages[2] == pytest.approx(0, abs=WITHIN_S)


def subscribed(daemon: Daemon) -> bool:
    intake = daemon._sensor_intake if hasattr(daemon, "_sensor_intake") else None
    return intake is not None and bool(intake._intake.status().subscribed)


@needs_broker
@pytest.mark.parametrize("wrong", [UNSET, FAR], ids=["1970", "2082"])
def test_a_leap_of_56_years_and_back_loses_and_decides_nothing(
    location: str, tmp_path: Path, wrong: datetime, caplog: pytest.LogCaptureFixture
) -> None:
    clock = SteppedClock(NOW)
    with Broker(tmp_path / "broker") as broker, Receiver() as receiver, Store.open(location) as store:
        s = settings(broker, webhook=WebhookSettings(url=receiver.url))
        pour(Desk(store, s), NOW - timedelta(hours=1))
        with running(Daemon(s, location, clock)) as run:
            wait_for(lambda: subscribed(run.daemon) and forecast_at(store), WITHIN_S, "the first forecast")
            before = forecast_at(store)
            clock.move(wrong - NOW)
            wait_for(lambda: "clock unconfirmed" in caplog.text, WITHIN_S, "the complaint")
            told = len(notices(store))
            broker.publish_all([("shed/air", f'{{"temperature": {n}}}') for n in range(20, 30)])
            with store.write() as tx:
                tx.add_notice(soon_stale(), {"webhook": NOW})
            wait_for(lambda: held(location) == 10, WITHIN_S, "the messages being kept")
            clock.move(NOW + timedelta(seconds=5) - wrong)
            wait_for(lambda: len(temps(location)) == 10, WITHIN_S, "their dates")
            wait_for(lambda: receiver.keys().count("soon/1"), WITHIN_S, "the notice that was not stale after all")
            made = forecast_at(store)
            assert made == before or (made is not None and abs(made - clock.now()) < timedelta(seconds=WITHIN_S))
            assert len(notices(store)) == told + 1
        assert impossible_times(location) == []
        with store.read() as tx:
            assert {d.state for d in tx.deliveries()} == {DeliveryState.DELIVERED}


def pour(desk: Desk, at: datetime) -> None:
    log_pour(desk, PourOrder("Curlew", "Shed", at, 0.8e-3, ThicknessSource.VOLUME), at)
    log_reading(desk, Reading(room="Shed", at=at, temp_c=21, rh_pct=50, received_at=at))
    with desk.store.write() as tx:  # the room's air as typed is not what this is about
        tx._connection.execute(text("DELETE FROM readings"))


def soon_stale() -> Notice:
    return Notice(
        key="soon/1",
        kind="milestone",
        created_at=NOW,
        title="Curlew: touch-dry soon",
        text="Check it.",
        expires_at=NOW + timedelta(hours=1),
    )


def forecast_at(store: Store) -> datetime | None:
    with store.read() as tx:
        return next((forecast.made_at for forecast in tx.forecasts().values()), None)


def notices(store: Store) -> list[Notice]:
    with store.read() as tx:
        return tx.notices()


@needs_broker
@pytest.mark.parametrize("step", [timedelta(hours=1), timedelta(hours=-1)], ids=["forward", "back"])
def test_an_hour_forward_or_back_and_right_again_loses_no_reading_and_tells_nothing_twice(
    location: str, tmp_path: Path, step: timedelta, caplog: pytest.LogCaptureFixture
) -> None:
    clock = SteppedClock(NOW)
    clock.is_vouched = True  # as a time daemon steps it; who else does is not believed at once
    with Broker(tmp_path / "broker", persistent=True) as broker, Receiver() as receiver:
        s = settings(broker, webhook=WebhookSettings(url=receiver.url))
        with Store.open(location) as store:
            pour_long_ago(Desk(store, s))
        with running(Daemon(s, location, clock)) as run:
            wait_for(lambda: subscribed(run.daemon) and receiver.keys(), WITHIN_S, "its notices")
            for number, by in enumerate((step, -step)):
                clock.move(by)
                wait_for(lambda: caplog.text.count("the clock was set by") > number, WITHIN_S, "the step")  # noqa: B023
                broker.stop()
                broker.start()  # it kept the session; a step must not pass for an absence
                wait_for(lambda: subscribed(run.daemon), WITHIN_S, "the connection")
                clock.pass_by(timedelta(seconds=1))
                broker.publish("shed/air", f'{{"temperature": {30 + number}, "humidity": 50}}')
                wait_for(lambda: 30 + number in temps(location), WITHIN_S, "the reading")  # noqa: B023
            told = receiver.keys()
            assert len(told) == len(set(told)), "no key came twice"


@needs_broker
def test_after_another_start_of_the_machine_only_what_bears_its_own_time_is_dated(
    location: str, tmp_path: Path, quick: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The seconds of the last start mean nothing in this one: nobody knows when the other message came."""
    own = (NOW - timedelta(hours=3)).isoformat()
    with Broker(tmp_path / "broker") as broker:
        with running(Daemon(settings(broker), location, SteppedClock(UNSET))) as run:
            wait_for(lambda: subscribed(run.daemon), WITHIN_S, "the subscription")
            broker.publish("shed/air", '{"temperature": 20}')
            broker.publish("shed/door", f'{{"temperature": 21, "time": "{own}"}}')
            broker.publish("shed/air", b"x" * 1_000_000)  # no reading on any day
            broker.publish("shed/air", b"x" * 10)
            wait_for(lambda: held(location) == 3, WITHIN_S, "the messages being kept")
        with running(Daemon(settings(broker), location, SteppedClock(NOW))) as run:
            wait_for(lambda: held(location) == 0, WITHIN_S, "the end of the wait")
            assert run.daemon._sensor_intake is not None
            status = run.daemon._sensor_intake._intake.status()
        assert status.poison == 2
        assert "when it was measured is unknown" in status.recent_poison[0].reason
    with Store.open(location) as store, store.read() as tx:
        assert [(reading.at.isoformat(), reading.temp_c) for reading in tx.readings("Shed")] == [(own, 21)]


def test_a_held_message_is_dated_by_the_seconds_since_it_came() -> None:
    message = PendingMessage(topic="t", payload=b"1", retained=False, boot="one", boottime_s=100.0, late_s=None)
    hour = timedelta(hours=1)
    assert date(message, NOW, 3700.0, "one", None) == (NOW - hour, timedelta(0))
    assert date(message, NOW, 3700.0, "one", NOW - 3 * hour) == (NOW - hour, 2 * hour), "the broker may have kept it"
    assert date(message, NOW, 3700.0, "one", NOW - hour - timedelta(minutes=9)) == (NOW - hour, timedelta(0))
    late = message.model_copy(update={"late_s": 7200.0})
    assert date(late, NOW, 3700.0, "one", None) == (NOW - hour, 2 * hour)
    assert date(message, NOW, 3700.0, "two", NOW - 9 * hour) == (NOW, 9 * hour), "since the last known moment"
    assert date(message, NOW, 3700.0, "two", None) == (NOW, NOW - RELEASED)
    assert date(message, NOW, 50.0, "one", None) == (NOW, NOW - RELEASED), "a count that ran back is no count"


def test_the_page_shows_no_date_and_takes_none_until_the_clock_is_set(location: str) -> None:
    clock, port = SteppedClock(UNSET), free_port()
    s = settings(web=WebSettings(port=port))
    with running(Daemon(s, location, clock)), requests.Session() as browser:
        url = f"http://127.0.0.1:{port}"
        (board,) = wait_for(lambda: answered(browser, f"{url}/"), WITHIN_S, "the page")
        assert board.status_code == 503
        assert "Clock unconfirmed" in board.text
        assert "1970-01-01 00:0" in board.text
        for path in ("/api/v1/board", "/calendar.ics", "/metrics"):
            assert browser.get(f"{url}{path}", timeout=10).status_code == 503
        assert "Clock unconfirmed" in browser.get(f"{url}/api/v1/board", timeout=10).json()["detail"]
        assert browser.get(f"{url}/static/page.css", timeout=10).status_code == 200
        made = browser.post(f"{url}/api/v1/pours", json={"name": "Curlew"}, timeout=10)
        assert made.status_code == 503
        clock.move(NOW - UNSET)
        assert browser.get(f"{url}/", timeout=10).status_code == 200
    assert impossible_times(location) == []


def answered(browser: requests.Session, url: str) -> list[requests.Response]:
    """One answer of whatever status; none while nobody listens."""
    try:
        return [browser.get(url, timeout=10)]
    except requests.ConnectionError:
        return []


@needs_broker
def test_eight_hours_asleep_is_no_step_and_tells_nothing_twice(
    location: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The laptop lid was closed: the wall clock is right all the while, only nobody looked."""
    caplog.set_level("INFO")
    clock = SteppedClock(NOW)
    with Broker(tmp_path / "broker", persistent=True) as broker, Receiver() as receiver:
        s = settings(broker, webhook=WebhookSettings(url=receiver.url))
        with Store.open(location) as store:
            pour_long_ago(Desk(store, s))
        with running(Daemon(s, location, clock)) as run:
            wait_for(lambda: subscribed(run.daemon) and receiver.keys(), WITHIN_S, "its notices")
            clock.pass_by(timedelta(hours=8))
            wait_for(lambda: "the machine slept for 288" in caplog.text, WITHIN_S, "the sleep")
            broker.publish("shed/air", '{"temperature": 22, "humidity": 50}')
            wait_for(lambda: 22 in temps(location), WITHIN_S, "the reading")
            assert len(receiver.keys()) == len(set(receiver.keys()))
    assert "the clock was set by" not in caplog.text
    with Store.open(location) as store, store.read() as tx:
        newest = max(tx.newest_by_source().values(), key=lambda one: one.at)
    assert newest.room == "Shed"
    assert abs(newest.at - clock.now()) < timedelta(seconds=WITHIN_S), "measured after waking"


def pour_long_ago(desk: Desk) -> None:
    """Dry for long, and not yet told of."""
    for at in (NOW - timedelta(days=20), NOW):
        log_reading(desk, Reading(room="Shed", at=at, temp_c=21, rh_pct=50, received_at=at))
    order = PourOrder("Curlew", "Shed", NOW - timedelta(days=20), 0.8e-3, ThicknessSource.VOLUME)
    log_pour(desk, order, NOW)
