"""The MQTT intake against a real broker: nothing lost, nothing acknowledged too early, every trouble in plain words."""

from __future__ import annotations

import contextlib
import json
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from paho.mqtt.client import Client

from curewatch.clock import SystemClock
from curewatch.intake.mqtt.status import MqttStatus
from curewatch.intake.mqtt.subscriber import MqttIntake, look_at_broker
from curewatch.intake.mqtt.writer import Writer
from curewatch.records import Reading
from curewatch.records.errors import InputError
from curewatch.settings import BrokerSettings, SensorSettings
from tests.shell.parts import Broker, free_port, has_mosquitto, make_certificates, wait_for

pytestmark = pytest.mark.skipif(not has_mosquitto, reason="mosquitto is not installed")

LOFT = SensorSettings(id="loft", room="sail loft", topic="shed/loft/air", time="/time")
NOW_LOFT = LOFT.model_copy(update={"time": None})
SLIP_T = SensorSettings(id="slip", room="slipway", topic="shed/slip/t", reads="temperature")
SLIP_RH = SensorSettings(id="slip", room="slipway", topic="shed/slip/rh", reads="humidity")
FLOOR = SensorSettings(id="floor", room="boat shed", topic="floor/+/air")
CLOCK = SystemClock()
ID = "curewatchtest"


class Sink:
    """Keeps what it is handed; `trouble` is raised instead while it is set."""

    def __init__(self) -> None:
        self.batches: list[list[Reading]] = []
        self.trouble: Exception | None = None
        self.tries = 0

    def __call__(self, readings: Sequence[Reading]) -> None:
        self.tries += 1
        if self.trouble is not None:
            raise self.trouble
        self.batches.append(list(readings))

    @property
    def temps(self) -> list[float | None]:
        return [reading.temp_c for batch in self.batches for reading in batch]


@pytest.fixture(params=["3.1.1", "5"])
def protocol(request: pytest.FixtureRequest) -> str:
    value: str = request.param
    return value


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", persistent=True) as running:
        yield running


def settings(port: int, **more: object) -> BrokerSettings:
    return BrokerSettings.model_validate({"host": "127.0.0.1", "port": port, **more}, strict=False)


@contextlib.contextmanager
def running(
    broker: BrokerSettings,
    sink: Callable[[Sequence[Reading]], None],
    *sensors: SensorSettings,
    last_contact: datetime | None = None,
    stop_within_s: float = 10,
) -> Iterator[MqttIntake]:
    intake = MqttIntake(broker, sensors or (LOFT,), sink, CLOCK, client_id=ID, last_contact=last_contact)
    intake.start()
    try:
        wait_for(lambda: intake.status().subscribed, what="the subscription")
        yield intake
    finally:
        intake.stop(stop_within_s)


def timed(temps: Sequence[float]) -> list[tuple[str, bytes | str]]:
    """A message for each temperature, a minute apart, ending an hour ago."""
    end = datetime.now(UTC) - timedelta(hours=1)
    times = [end - timedelta(minutes=len(temps) - index) for index in range(len(temps))]
    return [
        ("shed/loft/air", json.dumps({"temperature": temp, "time": at.isoformat()}))
        for temp, at in zip(temps, times, strict=True)
    ]


def test_every_kind_of_sensor_is_heard(broker: Broker, protocol: str) -> None:
    sink = Sink()
    with running(settings(broker.port, protocol=protocol), sink, NOW_LOFT, SLIP_T, SLIP_RH, FLOOR) as intake:
        broker.publish("shed/loft/air", '{"temperature": 21.5, "humidity": 50}')
        broker.publish("shed/slip/t", "8.5", qos=0)
        broker.publish("shed/slip/rh", "81")
        broker.publish("floor/door/air", '{"temperature": 12}')
        wait_for(lambda: len(sink.temps) == 4)
        readings = [reading for batch in sink.batches for reading in batch]
        assert [(r.room, r.source, r.temp_c, r.rh_pct) for r in readings] == [
            ("sail loft", "loft", 21.5, 50),
            ("slipway", "slip", 8.5, None),
            ("slipway", "slip", None, 81),
            ("boat shed", "floor/floor/door/air", 12, None),
        ]
        status = wait_for(lambda: intake.status().committed == 4) and (intake.status())
        assert (status.received, status.committed, status.poison) == (4, 4, 0)
        assert status.subscribed == {"shed/loft/air", "shed/slip/t", "shed/slip/rh", "floor/+/air"}


def test_what_comes_while_nobody_listens_is_kept(broker: Broker, protocol: str) -> None:
    """Many more than the broker sends ahead of acknowledgements, through a restart of ours and of the broker's."""
    sink = Sink()
    with running(settings(broker.port, protocol=protocol), sink):
        pass
    temps = [float(n % 40) for n in range(150)]
    broker.publish_all(timed(temps))
    broker.stop()
    broker.start()
    with running(settings(broker.port, protocol=protocol), sink):
        wait_for(lambda: len(sink.temps) >= len(temps))
    assert sink.temps == temps


def test_nothing_is_acknowledged_before_the_sink_has_it(broker: Broker, protocol: str) -> None:
    """A sink that fails until the end: the next run gets every message again."""
    sink = Sink()
    sink.trouble = OSError("disk full")
    temps = [float(n) for n in range(30)]
    with running(settings(broker.port, protocol=protocol), sink, stop_within_s=0.2) as intake:
        broker.publish_all(timed(temps))
        wait_for(lambda: sink.tries)
        wait_for(lambda: "disk full" in str(intake.status().sink_error))
    sink.trouble = None
    with running(settings(broker.port, protocol=protocol), sink):
        wait_for(lambda: len(sink.temps) >= 30)
    assert sink.temps == temps


def test_a_sink_that_recovers_gets_everything(broker: Broker) -> None:
    sink = Sink()
    sink.trouble = OSError("locked")
    temps = [float(n) for n in range(60)]
    with running(settings(broker.port), sink) as intake:
        broker.publish_all(timed(temps))
        wait_for(lambda: sink.tries)
        assert intake.status().committed == 0
        sink.trouble = None
        wait_for(lambda: len(sink.temps) == 60)
        wait_for(lambda: intake.status().sink_error is None)
    assert sink.temps == temps


def test_a_clean_stop_leaves_nothing_unacknowledged(broker: Broker, protocol: str) -> None:
    sink, again = Sink(), Sink()
    with running(settings(broker.port, protocol=protocol), sink) as intake:
        broker.publish_all(timed([1.0, 2.0, 3.0]))
        wait_for(lambda: intake.status().received == 3)
        assert intake.stop(10)
    assert sink.temps == [1.0, 2.0, 3.0]
    with running(settings(broker.port, protocol=protocol), again) as intake:
        broker.publish_all(timed([4.0]))
        wait_for(lambda: again.temps)
    assert again.temps == [4.0]


def test_poison_is_noted_acknowledged_and_stops_nothing(broker: Broker, caplog: pytest.LogCaptureFixture) -> None:
    """More of it than a broker sends ahead (20); it is logged once, not a hundred times."""
    sink = Sink()
    with running(settings(broker.port), sink) as intake:
        broker.publish_all([("shed/loft/air", f'{{"temperature": {n + 500}}}') for n in range(100)])
        broker.publish_all(timed([19.0]))
        wait_for(lambda: sink.temps == [19.0])
        status = intake.status()
    assert status.poison == 100
    assert "got 599, expected a number in °C that means -60 to 90 °C" in status.recent_poison[-1].reason
    assert len(status.recent_poison) == 20
    assert caplog.text.count("is no reading") == 1
    with running(settings(broker.port), sink) as intake:
        broker.publish_all(timed([20.0]))
        wait_for(lambda: sink.temps == [19.0, 20.0])
        assert intake.status().poison == 0, "it did not come again"


def test_one_reading_the_store_can_never_take_does_not_hold_up_the_rest(broker: Broker) -> None:
    taken: list[float | None] = []

    def sink(readings: Sequence[Reading]) -> None:
        if any(reading.temp_c == 13 for reading in readings):
            raise ValueError("no thirteen here")
        taken.extend(reading.temp_c for reading in readings)

    with running(settings(broker.port), sink) as intake:
        broker.publish_all(timed([float(n) for n in range(30)]))
        wait_for(lambda: len(taken) == 29)
        wait_for(lambda: intake.status().poison == 1)
        assert intake.status().recent_poison[0].reason == "not stored: no thirteen here"
    assert 13 not in taken


def test_retained_messages_are_readings_but_not_signs_of_life(broker: Broker) -> None:
    ((topic, payload),) = timed([7.0])
    broker.publish(topic, payload, retain=True)
    broker.publish("floor/old/air", '{"temperature": 5}', retain=True)
    sink = Sink()
    with running(settings(broker.port), sink, LOFT, FLOOR) as intake:
        wait_for(lambda: sink.temps == [7.0])
        wait_for(lambda: intake.status().poison == 1)
        assert sink.batches[0][0].retained
        assert "when it was measured is unknown" in intake.status().recent_poison[0].reason


def test_messages_queued_through_a_long_absence_need_their_own_time(broker: Broker) -> None:
    """Eight hours away: when a message without a time was measured is anybody's guess."""
    sink = Sink()
    with running(settings(broker.port), sink, LOFT):
        pass
    broker.publish("shed/loft/air", '{"temperature": 5}')
    broker.publish_all(timed([6.0]))
    away = datetime.now(UTC) - timedelta(hours=8)
    with running(settings(broker.port), sink, LOFT, last_contact=away) as intake:
        wait_for(lambda: sink.temps == [6.0])
        assert "kept for up to 8.0 h" in intake.status().recent_poison[0].reason


def test_the_broker_may_go_and_come_back(broker: Broker) -> None:
    sink = Sink()
    with running(settings(broker.port), sink) as intake:
        broker.kill()
        wait_for(lambda: not intake.status().connected)
        wait_for(lambda: intake.status().broker_error)
        broker.start()
        wait_for(lambda: intake.status().subscribed, what="the new subscription")
        assert intake.status().broker_error is None
        broker.publish_all(timed([21.0]))
        wait_for(lambda: sink.temps == [21.0])


def test_an_acknowledgement_never_crosses_to_another_connection(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The connection is lost while the sink is busy: there, the old message ids may belong to other messages."""
    acknowledged: list[int] = []
    really = Client.ack
    monkeypatch.setattr(Client, "ack", lambda *args: (acknowledged.append(args[1]), really(*args))[1])
    busy, release, taken = threading.Event(), threading.Event(), Sink()

    def slow(readings: Sequence[Reading]) -> None:
        busy.set()
        assert release.wait(30)
        taken(readings)

    with running(settings(broker.port), slow) as intake:
        broker.publish_all(timed([1.0, 2.0, 3.0]))
        wait_for(lambda: busy.is_set() and intake.status().received == 3)
        broker.stop()
        wait_for(lambda: not intake.status().connected)
        broker.start()
        wait_for(lambda: intake.status().received == 6, what="the same three again")
        assert acknowledged == []
        release.set()
        wait_for(lambda: len(taken.temps) == 6)
        wait_for(lambda: len(acknowledged) >= 3)
    assert len(acknowledged) == 3, "only those of the living connection"


# the thread dies of its exception, as it would of a packet paho cannot parse; its old wake-up sockets are left to the
# garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_dead_network_thread_is_replaced(broker: Broker, monkeypatch: pytest.MonkeyPatch) -> None:
    sink = Sink()
    died = threading.Event()

    def die(*args: object) -> None:
        died.set()
        raise ValueError("a packet that is none")

    with running(settings(broker.port), sink):
        with monkeypatch.context() as patch:
            patch.setattr(Client, "_handle_publish", die)
            broker.publish("shed/loft/air", "{}", qos=0)
            assert died.wait(5)
        broker.publish_all(timed([1.0]))
        wait_for(lambda: sink.temps == [1.0])


def test_an_error_while_hearing_does_not_end_the_network_thread(
    broker: Broker, monkeypatch: pytest.MonkeyPatch
) -> None:
    sink = Sink()
    with running(settings(broker.port), sink) as intake:
        with monkeypatch.context() as patch:
            patch.setattr(Writer, "put", lambda *args: 1 / 0)
            broker.publish("shed/loft/air", '{"temperature": 1}', qos=0)
            wait_for(lambda: intake.status().received == 1)
        broker.publish_all(timed([2.0]))
        wait_for(lambda: sink.temps == [2.0])


def test_user_and_password(tmp_path: Path) -> None:
    (tmp_path / "right").write_text("ebb and flow\n")
    (tmp_path / "wrong").write_text("spring tide\n")
    with Broker(tmp_path / "broker", users={"shed": "ebb and flow"}) as broker:
        right = settings(broker.port, user="shed", password_file=tmp_path / "right")
        sink = Sink()
        with running(right, sink, NOW_LOFT):
            broker.publish("shed/loft/air", '{"temperature": 3}')
            wait_for(lambda: sink.temps == [3])
        wrong = settings(broker.port, user="shed", password_file=tmp_path / "wrong")
        assert look(wrong).broker_error == "the broker refuses the user 'shed' or the password"
        assert "wants a user and password" in str(look(settings(broker.port)).broker_error)


# paho leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls(tmp_path: Path) -> None:
    ours, others = make_certificates(tmp_path / "ours"), make_certificates(tmp_path / "others")
    with Broker(tmp_path / "broker", certificates=ours) as broker:
        sink = Sink()
        with running(settings(broker.port, tls=True, ca_file=ours.ca), sink, NOW_LOFT):
            broker.publish("shed/loft/air", '{"temperature": 4}')
            wait_for(lambda: sink.temps == [4])
        for untrusted in (settings(broker.port, tls=True, ca_file=others.ca), settings(broker.port, tls=True)):
            assert f"certificate of the broker 127.0.0.1:{broker.port} is not trusted" in str(
                look(untrusted).broker_error
            )
        assert "hung up before it answered" in str(look(settings(broker.port)).broker_error)


def test_files_that_cannot_be_used(tmp_path: Path) -> None:
    (tmp_path / "no.pem").write_text("not a certificate")
    for name in ("no.pem", "absent.pem"):
        with pytest.raises(InputError, match=r"broker\.ca_file: got .*expected a readable PEM file"):
            look(settings(1883, tls=True, ca_file=tmp_path / name))


def test_an_impossible_host() -> None:
    with pytest.raises(InputError, match=r"broker\.host"):
        look(settings(1883).model_copy(update={"host": "a..b"}))


def test_nobody_there() -> None:
    port = free_port()
    assert look(settings(port)).broker_error == f"nothing listens at 127.0.0.1:{port}: is the broker running?"


def test_stopping_while_nothing_listens_is_quick() -> None:
    intake = MqttIntake(settings(free_port()), [LOFT], Sink(), CLOCK, client_id=ID)
    intake.start()
    wait_for(lambda: intake.status().broker_error)
    begun = CLOCK.monotonic()
    assert intake.stop(5)
    assert CLOCK.monotonic() - begun < 3


def test_looking_takes_nothing_from_the_daemon(broker: Broker) -> None:
    sink = Sink()
    with running(settings(broker.port), sink):
        pass
    broker.publish_all(timed([1.0]))
    status = look(settings(broker.port))
    assert status.connected is True
    assert status.subscribed == {"shed/loft/air"}
    with running(settings(broker.port), sink):
        wait_for(lambda: sink.temps == [1.0])


def test_a_refused_topic_is_reported() -> None:
    """mosquitto 2.0 grants every subscription, so a few bytes of 3.1.1 stand in: CONNACK, then SUBACK 0x80."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def refuse() -> None:
            connection, _ = server.accept()
            with connection:
                connection.recv(1024)
                connection.sendall(b"\x20\x02\x00\x00")
                subscribe = connection.recv(1024)
                connection.sendall(b"\x90\x04" + subscribe[2:4] + b"\x80\x01")
                while connection.recv(1024):
                    pass

        threading.Thread(target=refuse, daemon=True).start()
        status = look(settings(server.getsockname()[1]), LOFT, FLOOR)
    assert status.refused == {"shed/loft/air": "Unspecified error"}
    assert status.subscribed == {"floor/+/air"}


def look(broker: BrokerSettings, *sensors: SensorSettings) -> MqttStatus:
    return look_at_broker(broker, sensors or (LOFT,), CLOCK, within_s=5)
