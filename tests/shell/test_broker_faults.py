"""A real broker at fault, or at odds with us: what is said of it, and that nothing is lost where nothing need be."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.clock import SystemClock
from curewatch.daemon import Verdict, look
from curewatch.daemon.sensor_intake import SensorIntake
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.records import AlarmKind, AlarmState, Reading, ThicknessSource
from curewatch.settings import BrokerSettings, ForecastSettings, SensorSettings, Settings
from curewatch.store import Store
from tests.refreshing import refresh
from tests.shell.fault_parts import WITHIN_S, hasten
from tests.shell.parts import Broker, Certificates, has_mosquitto, make_certificates, wait_for

pytestmark = pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
SENSORS = (SensorSettings(id="window", room="Shed", topic="shed/air"),)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


def desk_of(store: Store, broker: Broker, **more: object) -> Desk:
    reached = BrokerSettings.model_validate({"host": "127.0.0.1", "port": broker.port, **more}, strict=False)
    return Desk(store, Settings(zone="UTC", broker=reached, sensors=SENSORS, forecast=ForecastSettings(members=8)))


def listening(desk: Desk) -> SensorIntake:
    assert desk.settings.broker is not None
    made = SensorIntake(desk.settings.broker, desk, SystemClock(), lambda: None)
    made.start()
    return made


def readings(store: Store) -> int:
    with store.read() as tx:
        return tx.counts()["readings"]


def test_a_topic_the_access_list_forbids_is_granted_and_silent_and_that_is_an_alarm(
    store: Store, tmp_path: Path
) -> None:
    """mosquitto grants the subscription all the same: only the silence tells."""
    with Broker(tmp_path / "broker", acl="topic write shed/air\ntopic readwrite yard/#\n") as broker:
        desk = desk_of(store, broker)
        hears = listening(desk)
        try:
            wait_for(lambda: hears._intake.status().subscribed == {"shed/air"}, WITHIN_S, "the grant")
            broker.publish("shed/air", '{"temperature": 21}')
            broker.publish("yard/air", '{"temperature": 21}')
            assert (readings(store), hears._intake.status().received) == (0, 0)
        finally:
            hears.stop(5)
        found = {one.name: one for one in look(desk.settings, store.location, SystemClock(), environ={})}
    assert found["broker"].verdict is Verdict.OK
    assert found["sensor window"].verdict is Verdict.WARN
    assert found["sensor window"].sentence == (
        "never heard; nothing at all is heard just now: either nobody publishes, or the broker's access list keeps "
        "everything back from this user"
    )
    assert found["sensor window"].do == (
        "see that it publishes to 'shed/air', and that the broker lets us read it; `curewatch listen` shows what comes"
    )
    now = datetime.now(UTC)
    log_pour(desk, PourOrder("Curlew", "Shed", now, 1e-3, ThicknessSource.GAUGE), now)
    for minutes in (0, 61, 75, 90):
        refresh(desk, now + timedelta(minutes=minutes))
    with store.read() as tx:
        assert [(a.kind, a.state) for a in tx.alarms()] == [(AlarmKind.NO_FRESH_DATA, AlarmState.ACTIVE)]


def test_two_devices_on_one_topic_are_flagged_and_both_kept(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    hasten(monkeypatch)
    monkeypatch.setattr("curewatch.intake.mqtt.duplicate_devices.JUDGE_EVERY_S", 0.0)
    with Broker(tmp_path / "broker") as broker:
        desk = desk_of(store, broker)
        hears = listening(desk)
        try:
            wait_for(lambda: hears._intake.status().subscribed, WITHIN_S, "the subscription")
            broker.publish_all([("shed/air", f'{{"temperature": {(21, 17.5)[n % 2]}}}') for n in range(24)])
            wait_for(lambda: hears._intake.status().duplicates == {"window"}, WITHIN_S, "the finding")
            wait_for(lambda: readings(store) == 24, WITHIN_S, "the readings")
        finally:
            hears.stop(5)
        found = look(desk.settings, store.location, SystemClock(), environ={})
    assert any("of sensor window: two values come in turn" in one.sentence for one in found)
    assert caplog.text.count("two values come in turn") == 1


def test_a_broker_that_forgets_its_sessions_gets_us_back_and_every_later_message_arrives(
    store: Store, tmp_path: Path
) -> None:
    with Broker(tmp_path / "broker", persistent=False) as broker:
        hears = listening(desk_of(store, broker))
        try:
            for round_ in range(3):
                wait_for(lambda: hears._intake.status().subscribed, WITHIN_S, "the subscription")
                broker.publish_all([("shed/air", f'{{"temperature": {10 + n}}}') for n in range(20)])
                wait_for(lambda: readings(store) == 20 * (round_ + 1), WITHIN_S, "the readings")  # noqa: B023
                broker.kill()
                wait_for(lambda: not hears._intake.status().connected, WITHIN_S, "the loss being noticed")
                broker.start()
        finally:
            hears.stop(5)


def test_a_password_that_is_refused_is_said_and_accepted_once_it_is_right(store: Store, tmp_path: Path) -> None:
    (tmp_path / "password").write_text("ebb and flow\n")
    with Broker(tmp_path / "broker", users={"shed": "spring tide"}) as broker:
        hears = listening(desk_of(store, broker, user="shed", password_file=tmp_path / "password"))
        try:
            refused = "the broker refuses the user 'shed' or the password"
            wait_for(lambda: hears._intake.status().broker_error == refused, WITHIN_S, "the refusal")
            assert not hears.catching_up(), "nothing waits for it"
            broker.stop()
            broker.users["shed"] = "ebb and flow"
            broker.start()
            wait_for(lambda: hears._intake.status().subscribed, WITHIN_S, "the subscription")
        finally:
            hears.stop(5)


# paho leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_for_another_host_is_refused_and_said(store: Store, tmp_path: Path) -> None:
    """A trusted authority, and a name that is not the broker's."""
    ours = make_certificates(tmp_path / "ours")
    other = make_certificate_for("elsewhere.example", tmp_path / "ours")
    with Broker(tmp_path / "broker", certificates=other) as broker:
        hears = listening(desk_of(store, broker, tls=True, ca_file=ours.ca))
        try:
            error = wait_for(lambda: hears._intake.status().broker_error, WITHIN_S, "the refusal")
            assert "is not trusted" in error
            assert "IP address mismatch" in error
        finally:
            hears.stop(5)


def make_certificate_for(name: str, folder: Path) -> Certificates:
    """Another certificate of the authority in `folder`."""
    made = Certificates(folder / "ca.pem", folder / "other.pem", folder / "other.key")
    request, names = folder / "other.request", folder / "other.names"
    names.write_text(f"subjectAltName=DNS:{name}\n")
    new = f"req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -subj /CN={name}"
    for command in (
        f"{new} -keyout {made.key} -out {request}",
        f"x509 -req -in {request} -CA {made.ca} -CAkey {folder / 'ca.key'} -CAcreateserial -days 30"
        f" -extfile {names} -out {made.cert}",
    ):
        subprocess.run(["openssl", *command.split()], check=True, capture_output=True)
    return made


def test_what_a_broker_had_kept_from_earlier_never_looks_fresh(store: Store, tmp_path: Path) -> None:
    """A retained message with a time of its own is a reading of then; and the sensor is as silent as before."""
    own = datetime.now(UTC) - timedelta(days=3)
    sensors = (SensorSettings(id="window", room="Shed", topic="shed/air", time="/time"),)
    with Broker(tmp_path / "broker") as broker:
        broker.publish("shed/air", f'{{"temperature": 19, "time": "{own.isoformat()}"}}', retain=True)
        desk = Desk(store, desk_of(store, broker).settings.model_copy(update={"sensors": sensors}))
        for _ in range(2):  # it comes again at every start
            hears = listening(desk)
            wait_for(lambda: hears._intake.status().committed, WITHIN_S, "the relic")  # noqa: B023 waited for here
            hears.stop(5)
    with store.read() as tx:
        (kept,) = tx.readings("Shed")
    assert isinstance(kept, Reading)
    assert (kept.at, kept.retained) == (own, True)
