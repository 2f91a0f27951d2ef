"""What the desk makes of sensors' troubles, on a store: one notice for a battery, and a line of the morning."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.room import room_record
from curewatch.records import Notice, Reading, ThicknessSource
from curewatch.settings import ForecastSettings, MailSettings, PersonSettings, SensorSettings, Settings
from curewatch.store import Store
from curewatch.studio.air.flaws import Flaw
from tests.new_store import NOON
from tests.refreshing import refresh

SHED = "Boat shed"
MORNING = NOON.replace(hour=8, minute=0, second=0, microsecond=0)
HOUR = timedelta(hours=1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as opened:
        yield opened


def desk_of(store: Store, *sensors: str) -> Desk:
    settings = Settings(
        zone="UTC",
        sensors=tuple(SensorSettings(id=one, room=SHED, topic=f"shed/{one}") for one in sensors),
        mail=MailSettings(host="127.0.0.1", sender="shed@shed.example"),
        people=(PersonSettings(name="Ada", mail="ada@shed.example", morning_hour=7),),
        forecast=ForecastSettings(members=1, days=30),
    )
    desk = Desk(store, settings)
    now = MORNING - 3 * HOUR
    log_pour(desk, PourOrder("Heron", SHED, now, 1.2e-3, ThicknessSource.GAUGE), now)
    return desk


def heard(source: str, hours_ago: float, **values: float) -> Reading:
    at = MORNING - hours_ago * HOUR
    measured = {"temp_c": 20 + hours_ago % 1.3, "rh_pct": 50 + hours_ago % 1.7} | values
    return Reading(room=SHED, at=at, source=source, received_at=at, **measured)


def told(store: Store, kind: str) -> list[Notice]:
    with store.read() as tx:
        return [one for one in tx.notices(limit=100) if one.kind == kind]


def test_a_low_battery_is_told_once_over_looks_and_desks_and_stands_on_board_and_room_page(store: Store) -> None:
    desk = desk_of(store, "loft")
    for quarter in range(13):
        store_readings(desk, [heard("loft", 3 - quarter / 4, battery_pct=14.0 + 2 * (quarter % 2))])
        refresh(desk, MORNING - (3 - quarter / 4) * HOUR)
    refresh(Desk(store, desk.settings), MORNING)  # started again
    (notice,) = told(store, "battery")
    assert "The battery of loft stands at 14 %" in str(notice.text)
    with store.read() as tx:
        assert {one.channel for one in tx.deliveries(keys=[notice.key])} == {"mail:Ada"}
    (room,) = board_of(desk, MORNING).rooms
    assert [one.flaw for one in room.quality] == [Flaw.BATTERY]
    record = room_record(desk, SHED, MORNING - 24 * HOUR, MORNING)
    assert [one.flaw for one in record.findings] == [Flaw.BATTERY]


def test_a_sensor_silent_beside_another_is_a_line_of_the_morning_and_no_alarm(store: Store) -> None:
    desk = desk_of(store, "loft", "door")
    store_readings(desk, [heard(one, ago / 6) for one in ("loft", "door") for ago in range(12 * 6, 24, -1)])
    store_readings(desk, [heard("door", ago / 6) for ago in range(24, -1, -1)])
    refresh(desk, MORNING)
    (notice,) = told(store, "morning")
    assert "loft is silent since" in str(notice.text)
    assert told(store, "alarm") == []


def test_the_only_sensor_at_zero_percent_leaves_the_room_unread_and_says_why(store: Store) -> None:
    desk = desk_of(store, "loft")
    store_readings(desk, [heard("loft", ago / 6) for ago in range(12 * 6, 18, -1)])
    store_readings(desk, [heard("loft", ago / 6, rh_pct=0.0) for ago in range(18, -1, -1)])
    for minutes in (0, 15):
        refresh(desk, MORNING + timedelta(minutes=minutes))
    (alarm,) = told(store, "alarm")
    assert alarm.data["alarm"] == "no_fresh_data"
    assert "said a humidity no room has 19 times, last 0 %RH" in str(alarm.text)
    (room,) = board_of(desk, MORNING).rooms
    assert room.rh_pct > 40
