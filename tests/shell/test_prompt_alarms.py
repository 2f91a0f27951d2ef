"""An alarm is told within two seconds of the reading that raises it, whatever is being forecast."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.daemon import Daemon
from curewatch.daemon.prompt_alarms import PromptAlarms
from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.refresh.forecasts import ForecastMaker
from curewatch.desk.refresh.refresher import Refresher
from curewatch.records import Reading, ThicknessSource
from curewatch.settings import WebhookSettings, WebSettings
from curewatch.store import Store
from tests.shell.fault_parts import WITHIN_S, SteppedClock, running
from tests.shell.parts import Broker, HandClock, Receiver, has_mosquitto, wait_for
from tests.shell.test_clock_faults import settings, subscribed, temps

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
TOLD_WITHIN_S = 2.0


def poured(desk: Desk) -> None:
    log_pour(desk, PourOrder("Curlew", "Shed", NOW - MINUTE, 0.8e-3, ThicknessSource.VOLUME), NOW)


def air(at: datetime, temp_c: float) -> Reading:
    return Reading(room="Shed", source="window", at=at, received_at=at, temp_c=temp_c, rh_pct=50)


def reading_to_alarm_s(clock: SteppedClock, broker: Broker, receiver: Receiver, temp_c: float) -> float:
    """Four minutes on it is colder by a degree; how long the first alarm takes from there [s]; inf where none comes."""
    clock.pass_by(4 * MINUTE)
    begun = time.monotonic()
    if any("alarm/" in key for key in list(receiver.keys())):
        return float("inf")
    broker.publish("shed/air", f'{{"temperature": {temp_c}, "humidity": 50}}')
    while time.monotonic() - begun < TOLD_WITHIN_S:
        if any("alarm/" in key for key in list(receiver.keys())):
            return time.monotonic() - begun
        threading.Event().wait(0.02)
    return float("inf")


@pytest.mark.skipif(not has_mosquitto, reason="needs mosquitto")
def test_an_alarm_goes_out_while_a_forecast_takes_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock, location = SteppedClock(NOW), str(tmp_path / "studio.sqlite")
    made, hangs, let_go, busy = ForecastMaker.make, threading.Event(), threading.Event(), threading.Event()

    def slow(*given: Any) -> Any:
        if hangs.is_set():
            busy.set()
            let_go.wait(WITHIN_S * 3)
        return made(*given)

    monkeypatch.setattr(ForecastMaker, "make", slow)
    with Broker(tmp_path / "broker") as broker, Receiver() as receiver:
        s = settings(broker, webhook=WebhookSettings(url=receiver.url), web=WebSettings(enabled=False))
        with Store.open(location) as store:
            poured(Desk(store, s))
        with running(Daemon(s, location, clock), let_go.set) as run:
            wait_for(lambda: subscribed(run.daemon), WITHIN_S, "the subscription")
            broker.publish("shed/air", '{"temperature": 20, "humidity": 50}')
            wait_for(lambda: temps(location) == [20], WITHIN_S, "the first reading")
            wait_for(lambda: run.daemon._refresher.pending == {} and run.daemon._refresher._seen, WITHIN_S, "a look")
            hangs.set()
            told_s = [reading_to_alarm_s(clock, broker, receiver, -5 - number) for number in range(5)]
            assert busy.is_set(), "a look goes on all the while"
            assert min(told_s) < TOLD_WITHIN_S
            assert not let_go.is_set()


def test_a_quiet_room_is_not_judged_at_every_reading_and_a_delay_that_ends_is(tmp_path: Path) -> None:
    clock = HandClock(NOW)
    with Store.open(tmp_path / "studio.sqlite") as store:
        desk = Desk(store, settings())
        poured(desk)
        store_readings(desk, [air(NOW, 20.0)])
        refresher = Refresher(desk)
        refresher.refresh(NOW)
        prompt = PromptAlarms(refresher, clock, lambda: None)
        prompt.stored([air(NOW, 20.0)])
        assert not prompt.is_urgent(air(NOW + MINUTE, 20.3))
        assert prompt.is_urgent(air(NOW + MINUTE, 20.6))
        for minute in (1, 2):
            store_readings(desk, [air(NOW + minute * MINUTE, -5.0)])
            assert refresher.judge_alarms(NOW + minute * MINUTE) == 0
        due = refresher.pending["Shed"]
        assert NOW < due < NOW + 13 * MINUTE
        prompt._judged["Shed", "window"] = air(NOW, -5.0)
        assert not prompt.is_urgent(air(due - MINUTE, -5.0))
        assert prompt.is_urgent(air(due, -5.0))
        told = 0
        for minute in range(3, 15):
            store_readings(desk, [air(NOW + minute * MINUTE, -5.0)])
            told += refresher.judge_alarms(NOW + minute * MINUTE)
        assert told == 2
        refresher.refresh(NOW + 14 * MINUTE)
        with store.read() as tx:
            alarms = [one.key.split("/")[1] for one in tx.notices() if one.kind == "alarm"]
        assert sorted(alarms) == ["cold", "frost"], "the look has nothing to add"
