"""Alarms on a real store: raised, over, asleep; of late readings and late pours; under a clock that jumps."""

from __future__ import annotations

from datetime import timedelta

from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour, log_pours
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.piece import piece_report
from curewatch.records import AlarmKind, AlarmState
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import (
    HOUR,
    LOFT,
    MINUTE,
    SHED,
    alarm,
    forecasts,
    keys,
    look_every,
    notices,
    order,
    reading,
    sensed,
    settings_of,
)
from tests.shell.test_desk import store as store


def test_frost_is_told_to_the_channel_and_stands_on_the_board_until_it_is_over(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON, NOON + HOUR, temp=1))
    look_every(desk, MINUTE, NOON, NOON + HOUR)
    assert [a.kind for a in board_of(desk, NOON + HOUR).alarms] == [AlarmKind.COLD, AlarmKind.FROST]
    assert {a.kind for a in piece_report(desk, "Heron", NOON + HOUR).alarms} == {AlarmKind.COLD, AlarmKind.FROST}
    store_readings(desk, sensed(NOON + HOUR + 5 * MINUTE, NOON + 2 * HOUR, temp=18))
    look_every(desk, MINUTE, NOON + HOUR, NOON + 2 * HOUR)
    assert board_of(desk, NOON + 2 * HOUR).alarms == ()
    frost = [n for n in notices(store) if n.key.startswith("alarm/frost/")]
    assert [(n.kind, n.urgent) for n in frost] == [("alarm", True), ("alarm_over", False)]


def test_a_room_found_too_cold_in_the_evening_is_not_also_foretold_to_become_so(store: Store) -> None:
    """The first look in days raises the alarm: to foretell in the same breath what is so already only confuses."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON - 24 * HOUR, NOON + 8 * HOUR, temp=6))
    refresh(desk, NOON + 8 * HOUR)
    told = {(n.kind, n.data["alarm"]) for n in notices(store) if n.kind in ("alarm", "foreseen")}
    assert ("alarm", "cold") in told
    assert ("foreseen", "cold") not in told


def test_alarms_of_a_room_its_last_piece_has_left_do_not_stay_on_the_board(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON, NOON + HOUR, temp=1))
    refresh(desk, NOON + HOUR)
    with store.write() as tx:
        tx.set_gone(1, NOON + HOUR)
    refresh(desk, NOON + HOUR + MINUTE)
    assert board_of(desk, NOON + HOUR + MINUTE).alarms == ()


def test_a_pour_logged_afterwards_is_warned_of_the_frost_it_has_lain_in(store: Store) -> None:
    """The room had been watched past that frost, and rightly in silence: nothing known to be wet lay in it then."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    store_readings(desk, sensed(NOON - HOUR, NOON + 3 * HOUR, temp=0))
    store_readings(desk, sensed(NOON + 3 * HOUR + 5 * MINUTE, NOON + 9 * HOUR, temp=20))
    log_pour(desk, order("Reed", NOON + 4 * HOUR), NOON + 4 * HOUR)
    look_every(desk, HOUR, NOON + 4 * HOUR, NOON + 9 * HOUR)
    watched = alarm(store, AlarmKind.FROST)
    assert watched is not None
    assert watched.evaluated_at > NOON + 7 * HOUR
    assert [key for key in keys(store) if "frost" in key] == []
    log_pour(desk, order("Heron", NOON), NOON + 9 * HOUR)
    refresh(desk, NOON + 9 * HOUR)
    (frost,) = [n for n in notices(store) if "frost" in n.key]
    assert "Wet there then: Heron." in str(frost.text)
    assert "This is past and cannot be changed now" in str(frost.text)


def test_frost_that_a_late_reading_tells_of_is_told_as_past(store: Store) -> None:
    """One sensor lost its radio; the other, by the stove, went on."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, [reading(NOON + i * 10 * MINUTE, 18.0, source="stove") for i in range(37)])
    look_every(desk, 10 * MINUTE, NOON, NOON + 6 * HOUR)
    assert keys(store) == []
    store_readings(desk, [reading(NOON + 2 * HOUR + i * 5 * MINUTE + MINUTE, -20.0, source="door") for i in range(12)])
    refresh(desk, NOON + 6 * HOUR)
    (frost,) = [n for n in notices(store) if "frost" in n.key]
    assert "past" in str(frost.title)


def test_readings_of_the_future_are_not_known_yet(store: Store) -> None:
    """A clock that once ran ahead must neither make a silent room look fresh nor decide how a piece dries."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, [*sensed(NOON - HOUR, NOON), reading(NOON + timedelta(days=5000), 1.0, 99.0, source="post")])
    look_every(desk, 10 * MINUTE, NOON, NOON + 2 * HOUR)
    assert forecasts(store)[1].data_until == NOON
    assert [key.split("/")[1] for key in keys(store)] == ["no_fresh_data"]
    (shed,) = board_of(desk, NOON + 2 * HOUR).rooms
    assert (shed.temp_c, shed.data_at) == (20.0, NOON)


def test_after_the_clock_ran_ahead_for_years_the_studio_goes_on(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON - HOUR, NOON))
    refresh(desk, NOON)
    ahead = NOON + timedelta(days=3)
    refresh(desk, ahead)
    refresh(desk, ahead + 20 * MINUTE)
    store_readings(desk, sensed(NOON + 5 * MINUTE, NOON + 2 * HOUR, temp=0))
    look_every(desk, 5 * MINUTE, NOON + 5 * MINUTE, NOON + 2 * HOUR)
    assert any(key.startswith("alarm/frost/") for key in keys(store))
    assert forecasts(store)[1].made_at >= NOON + HOUR


def test_every_room_silent_or_not_is_told_apart_by_its_sensor(store: Store) -> None:
    desk = Desk(store, settings_of(sensors=(SHED,)))
    log_pour(desk, order(), NOON)
    log_pour(desk, order("Reed", room=LOFT), NOON)
    store_readings(desk, sensed(NOON, NOON))
    log_reading(desk, reading(NOON, room=LOFT))
    look_every(desk, 10 * MINUTE, NOON, NOON + 3 * HOUR)
    silent = {room: alarm(store, AlarmKind.NO_FRESH_DATA, room) for room in (SHED, LOFT)}
    assert silent[SHED] is not None
    assert silent[SHED].is_active
    assert silent[LOFT] is None or silent[LOFT].state is AlarmState.NORMAL


def test_a_cold_hall_tells_of_each_pour_into_it_and_opens_the_morning(store: Store) -> None:
    """Seen: the alarm was told once, and 28 pours into the hall raised nothing for weeks."""
    ada = {"name": "Ada", "mail": "ada@shed.example", "morning_hour": 8}
    mail = {"host": "mail.shed.example", "sender": "curewatch@shed.example"}
    quick = {"members": 2, "days": 10}
    desk = Desk(store, settings_of(sensors=(SHED,), people=(ada,), mail=mail, forecast=quick))
    store_readings(desk, sensed(NOON - HOUR, NOON + 46 * HOUR, temp=7))
    log_pour(desk, order(), NOON)
    look_every(desk, 10 * MINUTE, NOON, NOON + HOUR)
    tiles = [order(f"Tile {k}", NOON + 3 * HOUR) for k in range(1, 7)]
    log_pours(desk, tiles, NOON + 3 * HOUR)
    look_every(desk, HOUR, NOON + 3 * HOUR, NOON + 46 * HOUR)
    cold = [one for one in notices(store) if one.room is not None]
    assert [(one.kind, one.data["effect"]) for one in cold[:2]] == [("alarm", "raised"), ("alarm", "joined")]
    assert str(cold[1].title) == f"{SHED}: too cold for wet paint, now for Tile 1, Tile 2, Tile 3 and 3 more too"
    assert [one.kind for one in cold[2:]] == ["reminder"], "of that day; nothing else of the room"
    *_, morning = (one for one in notices(store) if one.kind == "morning")
    assert str(morning.title).startswith(f"Today: look at {SHED} first")
    first, *_ = str(morning.text).splitlines()
    assert first.startswith(f"{SHED}: too cold for wet paint since ")
    assert "with Heron, Tile 1, Tile 2 and 4 more in it; not yet acknowledged." in first
