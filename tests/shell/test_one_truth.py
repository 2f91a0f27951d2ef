"""A reading typed beside a sensor, from the command to what every reader sees: one room, one truth."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from curewatch.cli import main
from curewatch.clock import SystemClock
from curewatch.desk import Desk
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings, trust_sensor
from curewatch.desk.commands.undo import undo_last
from curewatch.desk.reports.board import board_of
from curewatch.desk.snapshot.air import past_of
from curewatch.desk.snapshot.snapshot import latest_air
from curewatch.records import Trust
from curewatch.records.errors import InputError
from curewatch.store import Store
from curewatch.studio import wording
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, SHED, forecasts, keys, notices, order, reading, sensed, settings_of
from tests.shell.test_desk import store as store
from tests.shell.web_parts import Studio, words_of

NOW = NOON + 4 * HOUR + 4 * MINUTE


def shed(store: Store) -> Desk:
    """A piece in a shed whose sensor says 18.9 °C, and a thermometer that said 6 °C."""
    desk = Desk(store, settings_of(sensors=(SHED,)))
    store_readings(desk, sensed(NOON - HOUR, NOW, temp=18.9))
    log_pour(desk, order(), NOON)
    refresh(desk, NOW)
    return desk


def dates(store: Store) -> list[Any]:
    return [one.worth_checking_at for one in forecasts(store)[1].milestones]


def test_a_typed_reading_beside_a_live_sensor_moves_no_piece_and_is_asked_back(store: Store) -> None:
    """Seen: the two were averaged to 12.4 °C, and every piece moved."""
    desk = shed(store)
    before = dates(store)
    logged = log_reading(desk, reading(NOW, 6.0, 50.0))
    assert [str(one) for one in wording.notes(logged.remarks)] == [
        "kept as a check of the sensor post, which said 18.9 °C, 50 %: which one is right? Dates go by the sensor "
        "until you say otherwise",
    ]
    refresh(desk, NOW)
    assert dates(store) == before
    assert [key for key in keys(store) if "cold" in key] == []
    (room,) = board_of(desk, NOW).rooms
    assert room.temp_c == 18.9
    with store.read() as tx:
        assert 6.0 in {one.temp_c for one in tx.readings(SHED)}, "it is kept"


def test_what_is_typed_again_minutes_later_is_the_air_now_and_the_one_before_stays_its_time(store: Store) -> None:
    """Seen: 21 and 12 °C typed minutes apart made 16.5 for every piece, unremarked."""
    desk = Desk(store, settings_of())
    log_pour(desk, order(), NOON)
    for minutes, temp in ((0, 21.0), (2, 12.0), (4, 12.5)):
        logged = log_reading(desk, reading(NOW + minutes * MINUTE, temp, 50.0))
        (room,) = board_of(desk, NOW + minutes * MINUTE).rooms
        assert room.temp_c == temp
        notes = [str(one) for one in wording.notes(logged.remarks)]
        if minutes == 2:
            assert notes[0].startswith("21.0 °C, 50 % was typed minutes before and counts until then;")
            assert notes[0].endswith("A slip? Then take this one back"), "by a button or a command: who asks knows"
    assert notes == [], "half a degree is no news"
    with store.read() as tx:
        climate = latest_air(tx, {SHED: reading(NOW)}, NOW + 5 * MINUTE)[SHED]
    assert climate.temp_c.tolist() == [21.0, 12.0, 12.5]
    assert past_of(climate).temp_c[-1] == 12.5, "nor is what is to come made of their mean"
    undo_last(desk, SHED, NOW + 5 * MINUTE, [LogKind.READING])
    assert board_of(desk, NOW + 5 * MINUTE).rooms[0].temp_c == 12.0


def test_a_check_that_agrees_says_so(store: Store) -> None:
    logged = log_reading(shed(store), reading(NOW, 18.4, 52.0))
    assert [str(one) for one in wording.notes(logged.remarks)] == [
        "kept as a check of the sensor post, which said 18.9 °C, 50 %: they agree, and dates go by the sensor",
    ]


def test_what_a_person_says_of_it_is_followed_everywhere_and_can_be_taken_back(store: Store) -> None:
    desk = shed(store)
    before = dates(store)
    log_reading(desk, reading(NOW, 6.0, 50.0))
    said = trust_sensor(desk, SHED, Trust.THERMOMETER, NOW + MINUTE)
    assert (said.at, said.source) == (NOW, "post")
    store_readings(desk, sensed(NOW + 6 * MINUTE, NOW + 3 * HOUR, temp=18.9))
    later = NOW + 3 * HOUR
    for minutes in range(1, 181, 20):
        refresh(desk, NOW + timedelta(minutes=minutes))
    refresh(desk, later)
    (room,) = board_of(desk, later).rooms
    assert room.temp_c == 6.0, "although the sensor goes on to say 18.9"
    assert dates(store) != before
    assert {n.data["alarm"] for n in notices(store) if n.kind == "alarm"} == {"cold"}, "nor is the room silent"
    undo_last(desk, SHED, later, [LogKind.TRUST])
    refresh(desk, later)
    (room,) = board_of(desk, later).rooms
    assert room.temp_c == 18.9


def test_an_offset_goes_on_with_the_sensor(store: Store) -> None:
    desk = shed(store)
    log_reading(desk, reading(NOW, 17.4, 53.0))
    said = trust_sensor(desk, SHED, Trust.OFFSET, NOW + MINUTE)
    assert (said.temp_offset_c, said.rh_offset_pct) == (-1.5, 3.0)
    store_readings(desk, sensed(NOW + 6 * MINUTE, NOW + HOUR, temp=19.0))
    (room,) = board_of(desk, NOW + HOUR).rooms
    assert (room.temp_c, room.rh_pct) == (pytest.approx(17.5), pytest.approx(53.0))


def test_of_a_room_without_a_check_nothing_can_be_said(store: Store) -> None:
    desk = shed(store)
    with pytest.raises(InputError, match="typed beside its sensor in the last 7 days"):
        trust_sensor(desk, SHED, Trust.SENSOR, NOW)
    log_reading(desk, reading(NOW, 6.0, 50.0))
    with pytest.raises(InputError, match=r"a sensor that was checked.*'post'"):
        trust_sensor(desk, SHED, Trust.SENSOR, NOW, source="poste")


def test_the_page_asks_and_takes_the_answer(studio: Studio) -> None:
    desk = studio.desk
    now = studio.clock.now()
    log_reading(desk, reading(now, 6.0, 50.0, room="Shed"))
    said = words_of(studio.page("/room/Shed"))
    assert "your thermometer said 6.0 °C" in said
    assert "which one is right?" in said
    form = {"room": "Shed", "source": "window"}
    refused = studio.post("/trust", form | {"trust": "me"}, on="/room/Shed")
    assert refused.status_code == 422
    assert "sensor, thermometer, offset" in words_of(refused.text)
    assert "Shed" in words_of(studio.post("/trust", form | {"trust": "sensor"}, on="/room/Shed").text)
    assert "which one is right?" not in words_of(studio.page("/room/Shed"))
    studio.clock.move(MINUTE)
    answer = studio.browser.post(studio.url + "/api/v1/rooms/Shed/trust", json={"trust": "offset"}, timeout=60)
    assert answer.status_code == 201
    assert answer.json()["temp_offset_c"] == pytest.approx(-15)


def test_a_check_that_agrees_stands_on_the_rooms_page_and_in_the_api(studio: Studio) -> None:
    now = studio.clock.now()
    log_reading(studio.desk, reading(now, 20.6, 52.0, room="Shed"))
    said = words_of(studio.page("/room/Shed"))
    assert (
        "Sensor checks Fri 20 Nov 09:00: your thermometer said 20.6 °C, 52 %, the sensor window 21.0 °C, 50 %: they "
        "agree" in said
    )
    assert "which one is right?" not in said
    (check,) = studio.get("/api/v1/rooms/Shed").json()["checks"]
    assert (check["agrees"], check["sensor_temp_c"], check["temp_c"]) == (True, 21.0, 20.6)


def test_the_command_says_what_now_counts(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    now = SystemClock().now()
    desk = Desk(store, settings_of(sensors=(SHED,)))
    store_readings(desk, sensed(now - 3 * HOUR, now, temp=18.9))
    at = ["--store", str(store.location)]
    assert main([*at, "reading", "--room", SHED, "--temperature", "6C", "--humidity", "50%"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Note: kept as a check of the sensor post, which said 18.9 °C, 50 %: which one is right?" in said
    assert main([*at, "trust", SHED, "me"]) == 2
    assert "WHICH: got 'me', expected sensor, thermometer, offset" in capsys.readouterr().err
    assert main([*at, "trust", SHED, "thermometer"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("Boat shed: post is set aside, the thermometer is right, from ")
    assert "type a reading at least once a day" in said
    assert main([*at, "undo", "--room", SHED]) == 0
    assert "Taken back: Boat shed: post is set aside" in capsys.readouterr().out
