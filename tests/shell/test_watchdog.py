"""Signs of life: given only while work gets done, to systemd's socket and to an address outside; never in the way."""

from __future__ import annotations

import logging
import os
import sqlite3
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from pydantic import SecretStr, ValidationError

from curewatch.clock import SystemClock
from curewatch.daemon import Daemon
from curewatch.daemon.watchdog import WORKED, Part, Systemd, stuck
from curewatch.desk.refresh.refresher import Refreshed, Refresher
from curewatch.notify.heartbeat import Heartbeat
from curewatch.notify.webhook import Webhook
from curewatch.records import Notice
from curewatch.settings import (
    BrokerSettings,
    ForecastSettings,
    HeartbeatSettings,
    SensorSettings,
    Settings,
    SettingsError,
    WebhookSettings,
)
from curewatch.store import Store
from tests.shell.fault_parts import WITHIN_S, Supervisor, hasten, running, stands_still
from tests.shell.parts import Answer, Broker, HandClock, Receiver, free_port, has_mosquitto, wait_for

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
SETTINGS = Settings(zone="UTC", forecast=ForecastSettings(members=8))


@pytest.fixture
def location(tmp_path: Path) -> str:
    return str(tmp_path / "studio.sqlite")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    hasten(monkeypatch)
    return monkeypatch


@pytest.mark.parametrize("address", ["{folder}/notify", "@curewatch-test-{pid}"])
def test_systemd_hears_ready_then_signs_of_life_then_the_end(
    location: str, tmp_path: Path, quick: pytest.MonkeyPatch, address: str
) -> None:
    with Supervisor(address.format(folder=tmp_path, pid=os.getpid())) as systemd:
        with running(Daemon(SETTINGS, location, HandClock(NOW), environ=systemd.environ)):
            wait_for(lambda: systemd.alive() >= 3, WITHIN_S, "signs of life")
        wait_for(lambda: "STOPPING=1" in systemd.told[-1], WITHIN_S, "the end")
    assert systemd.told[0].splitlines() == ["READY=1", "STATUS=watching"]
    assert sum("READY=1" in message for message in systemd.told) == 1
    with Store.open(location) as store, store.read() as tx:
        assert tx.get_meta(WORKED) == NOW.isoformat()


def test_a_daemon_that_waits_for_its_clock_is_started_and_alive(
    location: str, tmp_path: Path, quick: pytest.MonkeyPatch
) -> None:
    """A restart would set no clock; and a start that is not reported within its time is ended by systemd."""
    clock = HandClock(datetime(1970, 1, 1, 0, 5, tzinfo=UTC))
    with (
        Supervisor(f"{tmp_path}/notify") as systemd,
        running(Daemon(SETTINGS, location, clock, environ=systemd.environ)),
    ):
        wait_for(lambda: systemd.alive() >= 3, WITHIN_S, "signs of life")
        assert systemd.told[0].splitlines() == ["READY=1", "STATUS=waiting for the clock to be set"]
        assert "STATUS=watching" not in systemd.told
        clock.move(NOW - clock.now())
        wait_for(lambda: "STATUS=watching" in systemd.told, WITHIN_S, "the clock's being set told")


@pytest.mark.parametrize("meant", [{"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "x"}, {"WATCHDOG_PID": "1"}])
def test_no_sign_of_life_where_no_watchdog_is_meant_for_us(tmp_path: Path, meant: dict[str, str]) -> None:
    with Supervisor(f"{tmp_path}/notify") as supervisor:
        systemd = Systemd(supervisor.environ | meant)
        assert not systemd.watched
        systemd.alive()
        systemd.ready("watching\nREADY=0")
        wait_for(lambda: supervisor.told, WITHIN_S, "ready")
        assert supervisor.told == ["READY=1\nSTATUS=watching READY=0"], "one line, whatever is in it"


def test_a_supervisor_that_is_gone_harms_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    systemd = Systemd({"NOTIFY_SOCKET": f"{tmp_path}/nobody", "WATCHDOG_USEC": "1000"})
    for _ in range(3):
        systemd.alive()
    assert caplog.text.count("systemd cannot be told anything") == 1


# --- only real progress ---


class Hanging:
    """Something that blocks until it is let go."""

    def __init__(self) -> None:
        self.reached, self.go = threading.Event(), threading.Event()

    def __call__(self, *_: object) -> None:
        self.reached.set()
        self.go.wait(60)


def test_a_store_locked_for_ever_ends_the_signs_of_life_until_it_is_let_go(
    location: str, tmp_path: Path, quick: pytest.MonkeyPatch
) -> None:
    """The main loop turns all the while: a turn alone is no progress."""
    with Supervisor(f"{tmp_path}/notify") as systemd, Receiver() as outside:
        heartbeat = HeartbeatSettings(url=outside.url, every_s=5)
        settings = SETTINGS.model_copy(update={"heartbeat": heartbeat.model_copy(update={"every_s": 0.05})})
        daemon = Daemon(settings, location, HandClock(NOW), environ=systemd.environ)
        holder = sqlite3.connect(location, check_same_thread=False, isolation_level=None)
        try:
            with running(daemon, holder.close):
                wait_for(lambda: systemd.alive() >= 3 and len(outside.requests) >= 3, WITHIN_S, "signs of life")
                holder.execute("BEGIN IMMEDIATE")
                wait_for(lambda: stands_still(systemd.alive), WITHIN_S, "silence towards systemd")
                assert stands_still(lambda: len(outside.requests))
                before = systemd.alive(), len(outside.requests)
                holder.execute("ROLLBACK")
                wait_for(lambda: systemd.alive() > before[0], WITHIN_S, "signs of life again")
                wait_for(lambda: len(outside.requests) > before[1], WITHIN_S, "the heartbeat again")
        finally:
            holder.close()


def test_a_look_that_hangs_ends_them(location: str, tmp_path: Path, quick: pytest.MonkeyPatch) -> None:
    hanging = Hanging()
    real, looks = Refresher.refresh, [0]

    def refresh(refresher: Refresher, now: datetime) -> Refreshed:
        looks[0] += 1
        if looks[0] == 2:
            hanging()
        return real(refresher, now)

    quick.setattr(Refresher, "refresh", refresh)
    clock = HandClock(NOW)
    with (
        Supervisor(f"{tmp_path}/notify") as systemd,
        running(Daemon(SETTINGS, location, clock, environ=systemd.environ), hanging.go.set),
    ):
        wait_for(lambda: systemd.alive() >= 3, WITHIN_S, "signs of life")
        clock.move(timedelta(hours=2))  # the next look is due
        assert hanging.reached.wait(WITHIN_S)
        assert stands_still(systemd.alive)


def test_a_courier_that_hangs_ends_them_and_says_which(
    location: str, tmp_path: Path, quick: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    hanging = Hanging()
    quick.setattr(Webhook, "send", lambda self, notice: hanging())
    quick.setattr("curewatch.daemon.daemon.DELIVERY_MOVES_WITHIN_S", 0.5)
    settings = SETTINGS.model_copy(update={"webhook": WebhookSettings(url=f"http://127.0.0.1:{free_port()}/")})
    with (
        Supervisor(f"{tmp_path}/notify") as systemd,
        Store.open(location) as store,
        running(Daemon(settings, location, HandClock(NOW), environ=systemd.environ), hanging.go.set),
    ):
        wait_for(lambda: systemd.alive() >= 3, WITHIN_S, "signs of life")
        tell(store)
        assert hanging.reached.wait(WITHIN_S)
        wait_for(lambda: "STATUS=stuck: notices through webhook" in systemd.told, WITHIN_S, "the complaint")
        assert stands_still(systemd.alive)
        hanging.go.set()
        before = systemd.alive()
        wait_for(lambda: systemd.alive() > before, WITHIN_S, "signs of life again")
    assert caplog.text.count("no progress for over 0.5 s: notices through webhook") == 1
    assert "everything moves on again" in caplog.text


def tell(store: Store) -> None:
    notice = Notice(key="t/1", kind="test", created_at=NOW, title="A test", text="Nothing needs doing.")
    with store.write() as tx:
        tx.add_notice(notice, {"webhook": NOW})


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_an_intake_that_hangs_ends_them(location: str, tmp_path: Path, quick: pytest.MonkeyPatch) -> None:
    hanging = Hanging()
    quick.setattr("curewatch.daemon.sensor_intake.store_readings", lambda *_: hanging())
    quick.setattr("curewatch.daemon.daemon.INTAKE_MOVES_WITHIN_S", 0.5)
    with Broker(tmp_path / "broker") as broker, Supervisor(f"{tmp_path}/notify") as systemd:
        settings = SETTINGS.model_copy(
            update={
                "broker": BrokerSettings(host="127.0.0.1", port=broker.port),
                "sensors": (SensorSettings(id="window", room="Shed", topic="shed/air"),),
            }
        )
        with running(Daemon(settings, location, SystemClock(), environ=systemd.environ), hanging.go.set):
            wait_for(lambda: systemd.alive() >= 3, WITHIN_S, "signs of life")
            broker.publish("shed/air", '{"temperature": 21}')
            assert hanging.reached.wait(WITHIN_S)
            wait_for(lambda: "STATUS=stuck: readings from the broker" in systemd.told, WITHIN_S, "the complaint")
            assert stands_still(systemd.alive)


def test_what_is_late_is_told_by_its_own_time() -> None:
    parts = [Part("one", 100.0, 10.0), Part("two", 100.0, 60.0)]
    assert stuck(parts, 110.0) == []
    assert stuck(parts, 110.1) == [parts[0]]
    assert stuck(parts, 161.0) == parts


# --- the heartbeat ---


def calls(address: str, **options: object) -> Heartbeat:
    return Heartbeat(SecretStr(address), SystemClock(), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_it_calls_at_once_and_then_no_more_often_than_set(method: str) -> None:
    with Receiver() as receiver:
        heartbeat = calls(receiver.url, method=method, every_s=60)
        assert heartbeat.beat()
        heartbeat.stop(5)
        assert not heartbeat.beat()
        assert [request.path for request in receiver.requests] == ["/notices"]
        assert heartbeat._trouble is None


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (Answer(500), "answered 500"),
        (Answer(302, {"location": "http://127.0.0.1:1/elsewhere"}), "answered 302"),
        (Answer(hang=True), "did not answer within 0.2 s"),
    ],
)
def test_a_failure_is_said_once_without_the_address_and_tried_again(
    answer: Answer, says: str, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    with Receiver() as receiver:
        receiver.otherwise = answer
        heartbeat = calls(f"{receiver.url}/secret-path", every_s=0.01, timeout_s=0.2)
        for calls_before in (0, 1):
            wait_for(heartbeat.beat, WITHIN_S, "the next call")
            wait_for(lambda: len(receiver.requests) > calls_before, WITHIN_S, "the call")  # noqa: B023 waited for here
            heartbeat.stop(5)
        assert says in str(heartbeat._trouble)
        receiver.otherwise = Answer()
        wait_for(heartbeat.beat, WITHIN_S, "the next call")
        heartbeat.stop(5)
        assert heartbeat._trouble is None
    assert caplog.text.count("the heartbeat is not taken") == 1
    assert "secret-path" not in caplog.text
    assert "taken again" in caplog.text


def test_it_never_blocks_and_a_call_that_hangs_holds_one_thread() -> None:
    with Receiver() as receiver:
        receiver.otherwise = Answer(drip=True)
        heartbeat = calls(receiver.url, every_s=0.01, timeout_s=30)
        began = time.monotonic()
        assert heartbeat.beat()
        wait_for(lambda: receiver.requests, WITHIN_S, "the call")
        time.sleep(0.05)  # past every_s: only the call under way holds back the next
        assert not any(heartbeat.beat() for _ in range(50))
        assert time.monotonic() - began < 5
        assert len(receiver.requests) == 1


def test_its_address_may_lie_in_a_file_or_the_environment(tmp_path: Path) -> None:
    (tmp_path / "address").write_text("https://127.0.0.1/beat/s3cret\n")
    from_file = HeartbeatSettings(url_file=tmp_path / "address")
    assert from_file.address({}).get_secret_value() == "https://127.0.0.1/beat/s3cret"
    from_environment = HeartbeatSettings(url_env="BEAT")
    assert from_environment.address({"BEAT": "http://127.0.0.1/b"}).get_secret_value() == "http://127.0.0.1/b"
    with pytest.raises(SettingsError, match="no 'BEAT'"):
        from_environment.address({})
    with pytest.raises(SettingsError, match="is not an http") as refused:
        from_environment.address({"BEAT": "ftp://s3cret"})
    assert "s3cret" not in str(refused.value)
    with pytest.raises(ValidationError, match="exactly one of url, url_file and url_env"):
        HeartbeatSettings(url="http://127.0.0.1/b", url_env="BEAT")
    with pytest.raises(ValidationError, match="greater than or equal to 5"):
        HeartbeatSettings(url="http://127.0.0.1/b", every_s=1)
