"""Nights that come one after another, on a real store: who is told what, the evening before or at all."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.records import Delivery, Reading
from curewatch.store import Store
from tests.new_store import NOON
from tests.shell.test_desk import HOUR, LOFT, SHED, keys, look_every, notices, order, reading, settings_of
from tests.shell.test_desk import store as store

DAY = timedelta(days=1)
QUICK = {"members": 2, "days": 10}
ADA = {"name": "Ada", "mail": "ada@shed.example", "quiet": "22:00-07:00"}
MAIL = {"host": "mail.shed.example", "sender": "curewatch@shed.example"}


def nights(first: datetime, last: datetime, *, low: float = 4.0, high: float = 19.0, rh: float = 55.0) -> list[Reading]:
    """A shed that is warmest at 15:00 and coldest at 03:00; read every ten minutes."""
    found, at = [], first
    while at <= last:
        share = (1 + math.cos(2 * math.pi * (at.hour + at.minute / 60 - 15) / 24)) / 2
        found.append(reading(at, round(low + (high - low) * share, 1), rh + round(3 * share, 1), source="post"))
        at += timedelta(minutes=10)
    return found


def deliveries(store: Store, key: str) -> dict[str, Delivery]:
    with store.read() as tx:
        return {one.channel: one for one in tx.deliveries(keys=[key])}


def test_a_cold_night_is_told_the_evening_before_and_not_again_when_the_quiet_hours_end(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,), people=(ADA,), mail=MAIL, forecast=QUICK))
    store_readings(desk, nights(NOON - 4 * DAY, NOON + DAY))
    log_pour(desk, order(wet_thickness_m=2.5e-3), NOON)
    look_every(desk, 2 * HOUR, NOON, NOON + 18 * HOUR)
    look_every(desk, HOUR, NOON + 19 * HOUR, NOON + 19 * HOUR)
    (evening,) = [n for n in notices(store) if n.kind == "foreseen"]
    assert evening.data["alarm"] == "cold"
    assert NOON + 4 * HOUR <= evening.created_at < NOON + 10 * HOUR, "before Ada's quiet hours"
    assert "Before Fri 20 Nov " in str(evening.text)
    assert deliveries(store, evening.key)["mail:Ada"].next_try_at < NOON + 10 * HOUR
    (night,) = [n for n in notices(store) if n.kind == "alarm"]
    assert night.created_at < NOON + 19 * HOUR
    told = deliveries(store, night.key)
    assert set(told) >= {"webhook"}, "a program hears of it as it begins"
    if night.created_at >= NOON + 10 * HOUR:
        assert "mail:Ada" not in told


def test_frost_that_was_foreseen_wakes_all_the_same(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,), people=(ADA,), mail=MAIL, forecast=QUICK))
    store_readings(desk, nights(NOON - 4 * DAY, NOON + DAY, low=-4.0, high=14.0))
    log_pour(desk, order(wet_thickness_m=2.5e-3), NOON)
    look_every(desk, 2 * HOUR, NOON, NOON + 16 * HOUR)
    assert "foreseen" in {n.kind for n in notices(store)}
    frost = next(n for n in notices(store) if n.kind == "alarm" and "frost" in n.data["alarms"])
    assert frost.urgent
    assert deliveries(store, frost.key)["mail:Ada"].next_try_at == frost.created_at


def test_a_shed_that_cannot_be_heated_is_said_so_once_for_the_pieces_that_lie_there(store: Store) -> None:
    rooms = {SHED: {"heated": False}}
    desk = Desk(store, settings_of(sensors=(SHED,), people=(ADA,), mail=MAIL, forecast=QUICK, rooms=rooms))
    store_readings(desk, [*nights(NOON - 4 * DAY, NOON + 5 * DAY), reading(NOON, 19.0, 50.0, room=LOFT)])
    log_pour(desk, order(wet_thickness_m=3e-3), NOON)
    look_every(desk, 3 * HOUR, NOON, NOON + 3 * DAY)
    (only,) = notices(store)
    assert "warm the room" not in str(only.text)
    assert "carry Heron, level, to " in str(only.text)
    log_pour(desk, order("Reed", NOON + 3 * DAY, wet_thickness_m=3e-3), NOON + 3 * DAY)
    look_every(desk, 3 * HOUR, NOON + 3 * DAY, NOON + 4 * DAY)
    cold = [key for key in keys(store) if "/cold/" in key]
    assert cold == ["alarm/cold/Boat_20_shed/unheated/1", "alarm/cold/Boat_20_shed/unheated/2"]


def test_a_pour_logged_days_afterwards_is_one_line_for_people_and_all_of_it_for_programs(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,), people=(ADA,), mail=MAIL, forecast=QUICK))
    store_readings(desk, nights(NOON - 6 * DAY, NOON, low=6.0, high=21.0))
    log_pour(desk, order(at=NOON - 5 * DAY), NOON)
    look_every(desk, HOUR, NOON, NOON)
    told = [n for n in notices(store) if n.kind == "milestone"]
    assert {n.data["milestone"] for n in told} >= {"touch_dry", "handle"}
    mine = [n for n in told if "mail:Ada" in deliveries(store, n.key)]
    assert [n.data["milestone"] for n in mine] == ["handle"], "how far it is, not what is behind it"
    assert all("webhook" in deliveries(store, n.key) for n in told)
    past = [n for n in notices(store) if n.kind == "alarm" and n.data["past"]]
    assert len(past) <= 1, "five cold nights are one line"
