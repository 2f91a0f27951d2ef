"""On a real store: an alarm comes with what would help, and a spike warns nobody of tonight."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.snapshot.air import PastCache, air_to_come
from curewatch.physics.solver.monitor import Stalled
from curewatch.records import AlarmKind, Reading
from curewatch.store import Store
from curewatch.studio.air.climate import AirBands
from curewatch.studio.planning import advice
from curewatch.studio.wording import SAFETY
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, SHED, alarm, look_every, notices, order, sensed, settings_of
from tests.shell.test_desk import store as store


def test_a_damp_alarm_says_what_would_help_in_hours_and_the_board_says_the_same(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON, NOON + HOUR, temp=18, rh=88))
    look_every(desk, 10 * MINUTE, NOON, NOON + HOUR)
    (told,) = [n for n in notices(store) if n.key.startswith("alarm/damp/")]
    assert "Within the day: warm the room slowly to 22 °C or more. Never leave a heater unattended" in str(told.text)
    assert "By the model, for Heron, warmed to 22 °C from Fri 20 Nov 12:10 on: touch-dry " in str(told.text)
    stored = alarm(store, AlarmKind.DAMP)
    assert stored is not None
    assert str(stored.text) == str(told.text).replace(f" {SAFETY}", ""), "which every page says itself, once"


def test_a_cold_alarm_never_speaks_of_a_fan(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON, NOON + HOUR, temp=8))
    look_every(desk, 10 * MINUTE, NOON, NOON + HOUR)
    (told,) = [n for n in notices(store) if n.key.startswith("alarm/cold/")]
    assert "By the model, for Heron, warmed to 13 °C from Fri 20 Nov 12:10 on: " in str(told.text)
    assert "fan" not in str(told.text)


def test_an_alarm_goes_out_even_where_the_model_has_no_advice(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def stuck(*_: object) -> str:
        raise Stalled("a film is stuck")

    monkeypatch.setattr(advice, "simulate", stuck)
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON, NOON + HOUR, temp=1))
    look_every(desk, 10 * MINUTE, NOON, NOON + HOUR)
    (told,) = [n for n in notices(store) if n.key.startswith("alarm/frost/")]
    assert "By the model" not in str(told.text)


def test_what_is_past_comes_without_advice(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(
        desk, [*sensed(NOON, NOON + HOUR, temp=8), *sensed(NOON + HOUR + 5 * MINUTE, NOON + 3 * HOUR, temp=20)]
    )
    refresh(desk, NOON + 3 * HOUR)
    (told,) = [n for n in notices(store) if n.key.startswith("alarm/cold/")]
    assert "This is past" in str(told.text)
    assert "By the model" not in str(told.text)


def test_the_evening_looks_ahead_from_the_air_as_it_is_believed(store: Store) -> None:
    """A sensor that reads -40 °C once a day is a loose wire: nobody is warned of frost tonight."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    now = NOON + timedelta(days=4)
    clean = _moving(NOON, now)
    store_readings(desk, [one.model_copy(update={"room": "Loft"}) for one in clean])
    store_readings(desk, [_loose(one) if i % 288 == 280 else one for i, one in enumerate(clean)])
    believed, true = coming_air(store, SHED, now), coming_air(store, "Loft", now)
    assert believed is not None
    assert true is not None
    assert abs(believed.temp_low_c - true.temp_low_c).max() < 0.3
    assert believed.temp_low_c.min() > 13


def coming_air(store: Store, room: str, now: datetime) -> AirBands | None:
    with store.read() as tx:
        past = PastCache().pasts(tx, [room], now).get(room)
    return None if past is None else air_to_come(past, now)


def _moving(first: datetime, last: datetime) -> list[Reading]:
    """A room that swings by a degree a day: one that never moves would be taken for a stuck sensor."""
    found = []
    for one in sensed(first, last):
        wave = round(math.sin(2 * math.pi * one.at.timestamp() / 86400), 2)
        found.append(one.model_copy(update={"temp_c": 17 + wave, "rh_pct": 50 - 3 * wave}))
    return found


def _loose(reading: Reading) -> Reading:
    return reading.model_copy(update={"temp_c": -40.0})


def test_a_room_not_heard_of_for_hours_says_nothing_of_tonight(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    assert coming_air(store, SHED, NOON) is None
    store_readings(desk, _moving(NOON - timedelta(days=2), NOON))
    assert coming_air(store, SHED, NOON + HOUR) is not None
    assert coming_air(store, SHED, NOON + 6 * HOUR) is None
