"""The daemon in this process, on a real store: what it does about clocks, flaws, locks and the demo."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from curewatch.clock import RELEASED, SystemClock
from curewatch.daemon import Daemon, Level, Verdict, look
from curewatch.daemon import daemon as daemon_module
from curewatch.demo import BENCH, PIECES, seed_demo
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.refresh.refresher import Refreshed, Refresher
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.piece import piece_report
from curewatch.records import Reading, ThicknessSource
from curewatch.records.errors import InputError
from curewatch.settings import (
    BrokerSettings,
    ForecastSettings,
    SensorSettings,
    Settings,
    SettingsError,
    WebhookSettings,
    WebSettings,
    usual_config,
)
from curewatch.store import AlreadyRunning, Store, StoreError
from curewatch.studio.board import Board
from tests.refreshing import refresh
from tests.shell.fault_parts import SteppedClock
from tests.shell.parts import Broker, HandClock, Receiver, free_port, has_mosquitto, wait_for

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
WEB = WebSettings(port=free_port())
SETTINGS = Settings(zone="Europe/Lisbon", forecast=ForecastSettings(members=16), web=WEB)
WITHIN_S = 20.0


class Run:
    """A daemon in a thread of its own."""

    def __init__(self, daemon: Daemon, **options: object) -> None:
        self.daemon = daemon
        self.code: int | None = None
        self.error: Exception | None = None
        self._thread = threading.Thread(target=self._run, args=(options,), daemon=True)
        self._thread.start()

    def _run(self, options: dict[str, object]) -> None:
        try:
            self.code = self.daemon.run(**options)  # type: ignore[arg-type]
        except Exception as error:
            self.error = error

    def ended(self, within_s: float = WITHIN_S) -> int | None:
        self._thread.join(within_s)
        assert not self._thread.is_alive(), "the daemon does not end"
        return self.code


@contextmanager
def running(daemon: Daemon, **options: object) -> Iterator[Run]:
    run = Run(daemon, **options)
    try:
        yield run
    finally:
        daemon.stop()
        run.ended()


@pytest.fixture
def location(tmp_path: Path) -> str:
    return str(tmp_path / "studio.sqlite")


def log_dry_piece(store: Store, now: datetime, settings: Settings = SETTINGS) -> None:
    """A piece that was dry long ago, and not yet told of."""
    desk = Desk(store, settings)
    poured = now - timedelta(days=20)
    order = PourOrder("Curlew", "Shed", poured, 0.8e-3, ThicknessSource.VOLUME)
    log_pour(desk, order, now)
    for at in (poured, now):
        log_reading(desk, Reading(room="Shed", at=at, temp_c=21, rh_pct=50, received_at=at))


def titles(location: str) -> list[str]:
    with Store.open(location) as store, store.read() as tx:
        return [str(notice.title) for notice in tx.notices()]


class Looks:
    """Counts the looks, and makes those fail that it is told to."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, fault: Callable[[int], None] = lambda look: None) -> None:
        self.count = 0
        real = Refresher.refresh

        def refresh(refresher: Refresher, now: datetime) -> Refreshed:
            self.count += 1
            fault(self.count)
            return real(refresher, now)

        monkeypatch.setattr(Refresher, "refresh", refresh)
        monkeypatch.setattr("curewatch.daemon.scheduler.RETRY_S", (0.02, 0.1))


def test_it_tells_what_is_due_shows_the_board_once_and_ends_with_0(location: str) -> None:
    with Store.open(location) as store:
        log_dry_piece(store, NOW)
    boards: list[Board] = []
    with running(Daemon(SETTINGS, location, HandClock(NOW)), show=boards.append) as run:
        wait_for(lambda: boards, WITHIN_S, "the board")
        assert "Curlew: safe to assume touch-dry" in titles(location)
        run.daemon.stop()
        assert run.ended() == 0
    (board,) = boards
    assert [line.name for line in board.pieces] == ["Curlew"]


def test_a_second_daemon_is_refused_and_the_first_goes_on(location: str) -> None:
    boards: list[Board] = []
    with running(Daemon(SETTINGS, location, HandClock(NOW)), show=boards.append) as first:
        wait_for(lambda: boards, WITHIN_S, "the first daemon's look")
        with pytest.raises(AlreadyRunning):
            Daemon(SETTINGS, location, HandClock(NOW)).run()
        first.daemon.stop()
        assert first.ended() == 0


def test_on_a_clock_that_cannot_be_right_nothing_is_told_until_it_is_set(
    location: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(daemon_module, "TICK_S", 0.05)
    monkeypatch.setattr("curewatch.daemon.scheduler.TICK_S", 0.05)
    with Store.open(location) as store:
        log_dry_piece(store, NOW)
    clock = HandClock(datetime(1970, 1, 1, 0, 5, tzinfo=UTC))
    looks = Looks(monkeypatch)
    said = "cannot be: nothing is forecast or told"
    with running(Daemon(SETTINGS, location, clock)):
        wait_for(lambda: said in caplog.text, WITHIN_S, "the complaint")
        clock.move(timedelta(days=3650))  # still wrong, and said already
        assert looks.count == 0
        clock.move(NOW - clock.now())
        wait_for(lambda: titles(location), WITHIN_S, "the notices")
    assert caplog.text.count(said) == 1
    assert clock.now() >= RELEASED


def test_a_clock_that_is_set_is_followed_at_once(
    location: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("curewatch.daemon.scheduler.TICK_S", 0.05)
    clock, looks = SteppedClock(NOW), Looks(monkeypatch)
    clock.is_vouched = True
    with running(Daemon(SETTINGS, location, clock)):
        wait_for(lambda: looks.count, WITHIN_S, "the first look")
        for step, said in ((timedelta(hours=9), "+32400 s"), (timedelta(hours=-2), "-7200 s")):
            before = looks.count
            clock.move(step)
            wait_for(lambda: looks.count > before, WITHIN_S, "a look after the step")  # noqa: B023 waited for here
            assert said in caplog.text


def test_a_store_that_fails_for_a_while_is_waited_for(
    location: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def locked_at_first(look: int) -> None:
        if look <= 8:  # more than flaws in a row would be put up with
            raise StoreError("the store is locked")

    with Store.open(location) as store:
        log_dry_piece(store, NOW)
    Looks(monkeypatch, locked_at_first)
    with running(Daemon(SETTINGS, location, HandClock(NOW))) as run:
        wait_for(lambda: titles(location), WITHIN_S, "the notices")
        run.daemon.stop()
        assert run.ended() == 0
    assert "the store is locked; trying again" in caplog.text
    assert "Traceback" not in caplog.text


def test_a_flaw_is_logged_with_its_traceback_once_and_survived(
    location: str, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def flawed_twice(look: int) -> None:
        if look <= 2:
            raise ZeroDivisionError("a slip of ours")

    with Store.open(location) as store:
        log_dry_piece(store, NOW)
    Looks(monkeypatch, flawed_twice)
    with running(Daemon(SETTINGS, location, HandClock(NOW))) as run:
        wait_for(lambda: titles(location), WITHIN_S, "the notices")
        run.daemon.stop()
        assert run.ended() == 0
    assert caplog.text.count("Traceback") == 1
    assert caplog.text.count("unexpected ZeroDivisionError: a slip of ours") == 2


def test_flaws_in_a_row_end_it_with_1_so_that_it_is_started_again(
    location: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def always(look: int) -> None:
        raise ZeroDivisionError("a slip of ours")

    looks = Looks(monkeypatch, always)
    run = Run(Daemon(SETTINGS, location, HandClock(NOW)))
    assert run.ended() == 1
    assert looks.count == daemon_module.FLAWS_IN_A_ROW
    with Store.open(location) as store, store.lock_for_daemon():
        pass  # the lock is free again


def test_what_another_process_logs_is_seen_at_the_next_tick(location: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("curewatch.daemon.scheduler.TICK_S", 0.05)
    monkeypatch.setattr("curewatch.daemon.scheduler.PAUSE_S", (0.1, 0.1))
    looks = Looks(monkeypatch)
    with running(Daemon(SETTINGS, location, HandClock(NOW))):
        wait_for(lambda: looks.count, WITHIN_S, "the first look")
        with Store.open(location) as store:
            log_dry_piece(store, NOW)
        wait_for(lambda: "Curlew: safe to assume touch-dry" in titles(location), WITHIN_S, "its notices")


@pytest.mark.parametrize(
    ("settings", "error"),
    [
        (Settings(zone="UTC", webhook=WebhookSettings(url="http://127.0.0.1/", secret_env="NO_SUCH")), SettingsError),
        (Settings(zone="UTC", webhook=WebhookSettings(url="http://127.0.0.1/", secret_env="SHORT")), SettingsError),
        (Settings(zone="UTC", broker=BrokerSettings(host="shed..local")), InputError),
    ],
)
def test_settings_that_cannot_be_used_end_it_before_anything_is_watched(
    location: str, settings: Settings, error: type[Exception]
) -> None:
    with pytest.raises(error):
        Daemon(settings, location, HandClock(NOW), environ={"SHORT": "whsec_c2hvcnQ="}).run()


def test_quiet_says_only_what_is_wrong(location: str, capsys: pytest.CaptureFixture[str]) -> None:
    boards: list[Board] = []
    for level, says in ((Level.QUIET, False), (Level.NORMAL, True)):
        with running(Daemon(SETTINGS, location, HandClock(NOW), level=level), show=boards.append):
            wait_for(lambda: boards, WITHIN_S, "the board")
            boards.clear()
        assert ("ready: store" in capsys.readouterr().err) == says


# --- the demo ---


def test_the_demo_fills_an_empty_store_once_and_sends_nothing_of_its_past(location: str) -> None:
    with Store.open(location) as store, Receiver() as receiver:
        desk = Desk(store, SETTINGS.model_copy(update={"webhook": WebhookSettings(url=receiver.url)}))
        assert seed_demo(desk, NOW)
        assert not seed_demo(desk, NOW)
        board = board_of(desk, NOW)
        assert {line.name for line in board.pieces} == {piece.name for piece in PIECES}
        assert len({line.stage for line in board.pieces}) >= 4
        assert all(room.data_at == NOW for room in board.rooms)
        assert [alarm.kind for alarm in board.alarms] == ["cold"]
        refresh(desk, NOW)
        with store.read() as tx:
            assert tx.notices()
            assert tx.deliveries() == []


def dates_of(desk: Desk, name: str, now: datetime) -> list[tuple[float, float]]:
    """Hours from its pour at even odds and surely, of touch-dry and what follows; inf: not foreseen."""
    report = piece_report(desk, name, now)
    assert report.forecast is not None
    poured_at = report.drying.pour.at

    def after(at: datetime | None) -> float:
        return float("inf") if at is None else (at - poured_at) / timedelta(hours=1)

    return [(after(one.worth_checking_at), after(one.safe_at)) for one in report.forecast.milestones[1:]]


@pytest.mark.parametrize("hour", [4, 16])
def test_the_demo_is_worth_looking_at_whatever_the_hour(location: str, hour: int) -> None:
    now = NOW.replace(hour=hour)
    with Store.open(location) as store:
        desk = Desk(store, SETTINGS)
        seed_demo(desk, now)
        lines = {line.name: line for line in board_of(desk, now).pieces}
        ordinary = [piece for piece in PIECES if piece.room == BENCH and 1e-3 <= piece.wet_thickness_m <= 1.8e-3]
        dates = [dates_of(desk, piece.name, now) for piece in ordinary]
    assert len(dates) >= 3
    for touch_dry, handle, varnish in dates:  # common practice, no source; of varnish 1-6 weeks when thin, else months
        assert 12 <= touch_dry[0] <= touch_dry[1] <= 72, "touch-dry in one to three days"
        assert 12 <= handle[0] <= 72
        assert 14 * 24 <= varnish[0] <= 90 * 24
    assert lines["Heron at slack water"].stage is None
    assert lines["Tar and gulls"].stage == "touch_dry"
    assert lines["Oil on the slipway"].stage == "varnish_ready"
    assert lines["Oil on the slipway"].silicone
    assert len({line.stage for line in lines.values()}) >= 4


def test_the_demo_leaves_a_store_alone_that_holds_anything(location: str) -> None:
    with Store.open(location) as store:
        desk = Desk(store, SETTINGS)
        log_reading(desk, Reading(room="Shed", at=NOW, temp_c=21, received_at=NOW))
        assert not seed_demo(desk, NOW)
        with store.read() as tx:
            assert tx.pieces() == []
            assert tx.counts()["readings"] == 1


# --- look ---

SENSORS = (SensorSettings(id="window", room="Shed", topic="shed/air"),)


def verdicts(settings: Settings, location: str, now: datetime = NOW) -> dict[str, Verdict]:
    return {one.name: one.verdict for one in look(settings, location, HandClock(now), environ={})}


def test_a_look_at_a_new_machine_finds_nothing_broken_and_makes_nothing(location: str) -> None:
    found = verdicts(SETTINGS, location)
    assert Verdict.FAIL not in found.values()
    assert found["store"] is Verdict.WARN
    (said,) = (one.sentence for one in look(SETTINGS, location, HandClock(NOW), environ={}) if one.name == "settings")
    assert f"none yet at {usual_config()}" in said, "as README says, it names the place"
    assert not Path(location).exists()


def test_a_look_names_what_fails(location: str) -> None:
    Path(location).write_text("no database")
    hook = WebhookSettings(url="http://127.0.0.1/", secret_env="NO_SUCH")
    broker = BrokerSettings(host="127.0.0.1", port=free_port())
    settings = Settings(zone="UTC", broker=broker, sensors=SENSORS, webhook=hook, web=WEB)
    found = verdicts(settings, location, datetime(1970, 1, 1, tzinfo=UTC))
    failing = {name for name, verdict in found.items() if verdict is Verdict.FAIL}
    assert failing == {"clock", "store", "broker", "webhook"}
    assert found["sensor window"] is Verdict.WARN
    assert verdicts(Settings(zone="UTC", sensors=SENSORS), location)["broker"] is Verdict.FAIL


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_a_look_finds_the_broker_the_daemon_and_how_old_a_sensors_word_is(location: str, tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker, Store.open(location) as store:
        settings = Settings(zone="UTC", broker=BrokerSettings(host="127.0.0.1", port=broker.port), sensors=SENSORS)
        store_readings(
            Desk(store, settings), [Reading(room="Shed", at=NOW, temp_c=21, source="window", received_at=NOW)]
        )
        found = verdicts(settings, location)
        assert (found["broker"], found["daemon"], found["sensor window"]) == ("ok", "warn", "ok")
        assert verdicts(settings, location, NOW + timedelta(hours=2))["sensor window"] is Verdict.WARN
        boards: list[Board] = []
        with running(Daemon(SETTINGS, location, SystemClock()), show=boards.append):
            wait_for(lambda: boards, WITHIN_S, "the daemon")
            assert verdicts(settings, location)["daemon"] is Verdict.OK
