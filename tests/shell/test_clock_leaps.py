"""A clock that leaps to a time that could be, and back: nobody is told what is not so, and what is so is told once."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
from hypothesis import example, given
from hypothesis import settings as trying
from hypothesis import strategies as st

from curewatch.clock import LEAP_S, WatchedClock, plausible
from curewatch.daemon import Daemon
from curewatch.daemon.clock_watch import ClockWatch
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.clock_care import confirm
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.refresh.refresher import Refresher
from curewatch.records import DeliveryState, Reading, ThicknessSource
from curewatch.settings import ForecastSettings, Settings, WebhookSettings, WebSettings
from curewatch.store import Store
from tests.fake_clock import START, FakeClock
from tests.shell.fault_parts import WITHIN_S, SteppedClock, hasten, running
from tests.shell.parts import Broker, Receiver, free_port, has_mosquitto, wait_for
from tests.shell.test_clock_faults import held, settings, subscribed, temps
from tests.thorough import THOROUGH

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
LOOKS_EVERY, LIFE = 2 * HOUR, 40 * HOUR
needs_broker = pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")


@dataclass
class Life:
    """A piece from its pour on, looked at as the daemon does, by a clock that somebody sets."""

    store: Store
    clock: FakeClock = field(default_factory=FakeClock)
    heard: list[tuple[datetime, str, str]] = field(default_factory=list)
    """When, by the true time, and what."""
    waiting: list[tuple[float, float]] = field(default_factory=list)
    looked: list[datetime] = field(default_factory=list)
    """When, by the true time, each reading came."""

    def __post_init__(self) -> None:
        hook = WebhookSettings(url="http://127.0.0.1:9/")
        self.desk = Desk(self.store, Settings(zone="UTC", webhook=hook, forecast=ForecastSettings(members=8)))
        self.watched = WatchedClock(self.clock)
        self.watch, self.refresher = ClockWatch(self.watched), Refresher(self.desk)
        self.off = self.was_off = timedelta(0)
        log_pour(self.desk, PourOrder("Curlew", "Shed", START, 0.5e-3, ThicknessSource.VOLUME), START)
        self.look()

    @property
    def true(self) -> datetime:
        return self.clock.now() - self.off

    def set_off(self, off: timedelta) -> None:
        self.clock.step((off - self.off).total_seconds())
        self.off = off

    def look(self) -> None:
        """A reading comes, and the studio is looked at; what falls due is heard at once."""
        self.clock.advance(1)
        self.looked.append(self.true)
        self.waiting.append((self.clock.boottime(), 20 + len(self.heard) / 1000))
        self.watch.turn(self.desk)
        now = self.watched.now()
        if not plausible(now):
            return
        came = [(now - timedelta(seconds=self.clock.boottime() - boottime), t) for boottime, t in self.waiting]
        store_readings(
            self.desk, [Reading(room="Shed", source="s", at=a, received_at=a, temp_c=t, rh_pct=50) for a, t in came]
        )
        self.waiting.clear()
        if self.watch.turn(self.desk) or self.off != self.was_off:
            self.refresher.refresh(now)  # what was in doubt is judged first, and told anew where it is so
        self.was_off = self.off
        self.refresher.refresh(now)
        with self.store.write() as tx:
            for one in tx.deliveries(state=DeliveryState.WAITING):
                tx.mark_delivered(one.id, now)
                self.heard.append((self.true, one.notice.kind, one.notice.key))

    def live(self, until: timedelta) -> None:
        while self.true < START + until:
            self.clock.advance(min(LOOKS_EVERY, START + until - self.true).total_seconds())
            self.look()

    def standing(self) -> set[str]:
        """The keys of the milestones that people take for told."""
        with self.store.read() as tx:
            return {told.key for told in tx.milestones_told([1])}

    def reading_times(self) -> list[datetime]:
        with self.store.read() as tx:
            return [reading.at for reading in tx.readings("Shed")]


@pytest.fixture(scope="module")
def unset(tmp_path_factory: pytest.TempPathFactory) -> Life:
    """A life in which nobody sets the clock."""
    with Store.open(tmp_path_factory.mktemp("life") / "studio.sqlite") as store:
        life = Life(store)
        life.live(LIFE)
        assert len(life.standing()) == 4
        yield life  # type: ignore[misc]


MINUTES = st.integers(1, 20 * 365 * 24 * 60)
STEPS = st.tuples(st.sampled_from([-1, 1]), st.one_of(st.integers(1, 3 * 24 * 60), MINUTES))


@pytest.mark.parametrize("confirmed", [False, True], ids=["unconfirmed", "confirmed by mistake"])
def test_whatever_a_clock_leaps_by_and_whenever_what_is_told_in_the_end_is_what_is_so(
    unset: Life, tmp_path_factory: pytest.TempPathFactory, confirmed: bool
) -> None:
    @trying(max_examples=2 * THOROUGH, deadline=None, database=None, derandomize=True)
    @given(STEPS, st.integers(0, 18), st.sampled_from([16, 600, 3 * 3600]))
    @example((1, 365 * 24 * 60), 0, 16)
    @example((1, 120), 3, 3 * 3600)
    @example((-1, 120), 3, 3 * 3600)
    def told(step: tuple[int, int], at: int, lasts_s: int) -> None:
        off = timedelta(minutes=step[0] * step[1])
        with Store.open(tmp_path_factory.mktemp("life") / "studio.sqlite") as store:
            life = Life(store)
            life.live(at * LOOKS_EVERY)
            life.set_off(off)
            if confirmed and plausible(life.clock.now()):
                confirm(store, life.watched)
            life.look()
            life.clock.advance(lasts_s if confirmed else min(lasts_s, abs(off.total_seconds()) / 2))
            life.look()
            life.set_off(timedelta(0))
            if confirmed:  # as a time daemon that came late
                life.clock.is_vouched = True
            life.look()
            life.live(LIFE)
            assert life.standing() == unset.standing()
            due = {key: at for at, _, key in unset.heard}
            last = {key: at for at, kind, key in life.heard if kind == "milestone"}  # told anew counts, not before
            if abs(off.total_seconds()) > LEAP_S:
                assert all(last[key] >= due[key] - LOOKS_EVERY for key in due)
            if not confirmed:
                assert [one for one in life.heard if one[1] == "withdrawn"] == []
                assert len(life.heard) == len(unset.heard), "nothing twice"
            if not confirmed or off > timedelta(0):
                times = life.reading_times()
                assert len(times) == len(life.looked)
                assert max(abs(at - true) for at, true in zip(times, life.looked, strict=True)) <= timedelta(
                    seconds=LEAP_S
                )

    told()


@needs_broker
def test_a_daemon_whose_clock_is_a_year_ahead_for_a_moment_tells_nothing_and_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Then somebody says on the page that it is right, which it is not: what is told by that is taken back."""
    hasten(monkeypatch)
    clock, location = SteppedClock(NOW), str(tmp_path / "studio.sqlite")
    with Broker(tmp_path / "broker") as broker, Receiver() as receiver:
        page = WebSettings(port=free_port())
        s = settings(broker, webhook=WebhookSettings(url=receiver.url), web=page)
        with Store.open(location) as store:
            log_pour(Desk(store, s), PourOrder("Curlew", "Shed", NOW - HOUR, 0.8e-3, ThicknessSource.VOLUME), NOW)
        with running(Daemon(s, location, clock)) as run, Store.open(location) as store:
            wait_for(lambda: subscribed(run.daemon), WITHIN_S, "the subscription")
            broker.publish("shed/air", '{"temperature": 20, "humidity": 50}')
            wait_for(lambda: temps(location) == [20], WITHIN_S, "the first reading")
            clock.move(365 * DAY)
            wait_for(lambda: "clock unconfirmed" in caplog.text, WITHIN_S, "the complaint")
            broker.publish("shed/air", '{"temperature": 21, "humidity": 50}')
            wait_for(lambda: held(location) == 1, WITHIN_S, "the message being kept")
            answer = requests.get(page.shown_address, timeout=5)
            assert answer.status_code == 503
            assert "has leapt 52 wk ahead and shows 2027-11-20" in answer.text
            assert receiver.keys() == []
            clock.move(-365 * DAY)
            wait_for(lambda: 21 in temps(location), WITHIN_S, "its date")
            assert receiver.keys() == []

            clock.move(365 * DAY)
            wait_for(lambda: requests.get(page.shown_address, timeout=5).status_code == 503, WITHIN_S, "the hold")
            assert say_it_is_right(page.shown_address) == 200
            wait_for(
                lambda: any("/safe" in key for key in list(receiver.keys())), WITHIN_S, "what is told by that clock"
            )
            broker.publish("shed/air", '{"temperature": 22, "humidity": 50}')
            wait_for(lambda: 22 in temps(location), WITHIN_S, "the reading")
            clock.is_vouched = True
            clock.move(-365 * DAY)
            wait_for(lambda: any("/retracted-" in key for key in list(receiver.keys())), WITHIN_S, "the retraction")
            with store.read() as tx:
                assert tx.milestones_told([1]) == []
                assert max(reading.at for reading in tx.readings("Shed")) < clock.now()
            clock.pass_by(10 * DAY)
            before = len(receiver.keys())
            wait_for(
                lambda: any(k.endswith("handle/safe") for k in receiver.keys()[before:]), WITHIN_S, "what is so by now"
            )


def say_it_is_right(address: str) -> int:
    """As a person does: the form on the page that is refused."""
    with requests.Session() as browser:
        shown = browser.get(address, timeout=5).text
        token = shown.split('name="token" value="')[1].split('"')[0]
        assert "2027-11-20" in shown.split("<button>")[1].split("</button>")[0]
        return browser.post(f"{address.rstrip('/')}/clock", data={"token": token}, timeout=5).status_code
