"""The desk on a real store: what people log, what comes of it, and what the board says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from curewatch.desk import Desk, PourOrder
from curewatch.desk.commands.notice_care import send_test_notice
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.desk import facts_revision
from curewatch.desk.mixing import put_recipe
from curewatch.desk.reports.board import board_of
from curewatch.desk.reports.piece import piece_report
from curewatch.records import (
    Alarm,
    AlarmKind,
    Forecast,
    MilestoneKind,
    Notice,
    Reading,
    Recipe,
    Stay,
    ThicknessSource,
)
from curewatch.records.errors import InputError
from curewatch.settings import Settings
from curewatch.store import Store
from curewatch.studio import wording
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.derived import drop_forecasts

SHED, LOFT = "Boat shed", "Loft"
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)
TOUCH_DRY, HANDLE = MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE


def settings_of(*, sensors: tuple[str, ...] = (), webhook: bool = True, **tables: Any) -> Settings:
    return Settings.model_validate(
        {
            "zone": "UTC",
            "forecast": {"members": 32},
            "webhook": {"url": "http://127.0.0.1:9/"} if webhook else None,
            "sensors": tuple({"id": room, "room": room, "topic": room} for room in sensors),
            **tables,
        }
    )


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "studio.sqlite") as store:
        yield store


@pytest.fixture
def desk(store: Store) -> Desk:
    return Desk(store, settings_of())


def order(name: str = "Heron", at: datetime = NOON, **values: Any) -> PourOrder:
    return replace(PourOrder(name, SHED, at, 1.2e-3, ThicknessSource.GAUGE), **values)


def reading(at: datetime, temp: float | None = 20.0, rh: float | None = 50.0, **values: Any) -> Reading:
    return Reading(room=values.pop("room", SHED), at=at, received_at=at, temp_c=temp, rh_pct=rh, **values)


def sensed(first: datetime, last: datetime, temp: float = 20.0, rh: float = 50.0, **values: Any) -> list[Reading]:
    """A sensor's readings, every five minutes."""
    count = int((last - first) / (5 * MINUTE)) + 1
    return [reading(first + i * 5 * MINUTE, temp, rh, source="post", **values) for i in range(count)]


def notices(store: Store) -> list[Notice]:
    """All of them, the oldest first."""
    with store.read() as tx:
        return tx.notices(limit=10_000)[::-1]


def keys(store: Store) -> list[str]:
    return [notice.key for notice in notices(store)]


def forecasts(store: Store) -> dict[int, Forecast]:
    with store.read() as tx:
        return tx.forecasts()


def alarm(store: Store, kind: AlarmKind, room: str = SHED) -> Alarm | None:
    with store.read() as tx:
        return next((one for one in tx.alarms() if (one.kind, one.room) == (kind, room)), None)


def look_every(desk: Desk, step: timedelta, first: datetime, last: datetime) -> None:
    when = first
    while when <= last:
        refresh(desk, when)
        when += step


# --- Logging ------------------------------------------------------------------------------------------------------


def test_a_pour_makes_its_room_and_recipe_and_says_what_was_assumed(desk: Desk, store: Store) -> None:
    logged = log_pour(desk, order(recipe="thin mix"), NOON)
    assert [str(one) for one in wording.notes(logged.remarks)] == [
        "room 'Boat shed' is new",
        "recipe 'thin mix' is new: taken as 30 % solids, 3 % glycol by volume",
    ]
    assert log_pour(desk, order("Reed", recipe="thin mix"), NOON).remarks == ()
    near = replace(order("Eel"), room="Boat shet", recipe="thin mixx")
    with pytest.raises(InputError, match="near 'Boat shed': say 'Boat shed'"):
        log_pour(desk, near, NOON)
    with pytest.raises(InputError, match="recipe: got 'thin mixx', which is near 'thin mix'"):
        log_pour(desk, replace(near, room="boat  SHED"), NOON)
    assert [one.name for one in log_pour(desk, replace(near, new=True), NOON).remarks] == ["Boat shet", "thin mixx"]


def test_a_pour_is_refused_whole_when_its_name_is_taken_or_it_is_yet_to_come(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    with store.read() as tx:
        before = tx.counts()
    taken = replace(order(), room="Another", recipe="another")
    with pytest.raises(InputError, match="name: got 'Heron', this name is taken: say another name"):
        log_pour(desk, taken, NOON)
    with pytest.raises(InputError, match=r"at: got '20 Nov 2026 12:00', expected a moment that has passed"):
        log_pour(desk, order("Reed", NOON + timedelta(seconds=1)), NOON)
    with store.read() as tx:
        assert tx.counts() == before


def test_a_reading_of_a_moment_stands_as_it_was_first_logged(desk: Desk, store: Store) -> None:
    log_reading(desk, reading(NOON))
    revision = facts_revision(desk.store)
    again = log_reading(desk, reading(NOON, temp=30.0)).remarks
    (note,) = wording.notes(again)
    assert str(note).startswith("a reading of that moment is stored already (20.0 °C, 50 %); it stands as it was.")
    assert facts_revision(desk.store) == revision, "nothing has changed"
    assert store_readings(desk, [reading(NOON, source="post"), reading(NOON, source="post")]) == 1
    assert store_readings(desk, [reading(NOON, source="post")]) == 0
    with store.read() as tx:
        assert tx.counts()["readings"] == 2


def test_the_revision_changes_with_every_fact_from_any_desk(desk: Desk, store: Store) -> None:
    other = Desk(store, desk.settings)
    seen = [facts_revision(desk.store)]
    for log in (
        lambda: log_pour(other, order(), NOON),
        lambda: log_reading(other, reading(NOON)),
        lambda: store_readings(other, [reading(NOON, source="post")]),
        lambda: put_recipe(other, Recipe(name="thin mix"), NOON),
    ):
        log()
        seen.append(facts_revision(desk.store))
    assert len(set(seen)) == 5
    refresh(desk, NOON)
    assert facts_revision(desk.store) == seen[-1], "decisions are no facts"


# --- Forecasts ----------------------------------------------------------------------------------------------------


def test_without_readings_there_is_a_reason_and_the_first_reading_brings_dates(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    assert refresh(desk, NOON).forecasts == 1
    assert str(forecasts(store)[1].reason) == "no temperature and humidity of Boat shed yet"
    assert refresh(desk, NOON + MINUTE).forecasts == 0
    assert str(board_of(desk, NOON + MINUTE).pieces[0].stage_in_words) == "not known"
    log_reading(desk, reading(NOON + MINUTE, rh=None))
    assert refresh(desk, NOON + 2 * MINUTE).forecasts == 0, "half a climate dries nothing"
    log_reading(desk, reading(NOON + 2 * MINUTE, source="post", temp=None))
    assert refresh(desk, NOON + 2 * MINUTE).forecasts == 1
    assert len(forecasts(store)[1].milestones) == 4


def test_a_look_with_nothing_new_makes_and_writes_nothing(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON - HOUR, NOON + HOUR))
    refresh(desk, NOON + HOUR)

    with store.read() as tx:
        before = tx._connection.exec_driver_sql("PRAGMA data_version").scalar_one()
        for seconds in range(5, 60, 5):
            found = refresh(desk, NOON + HOUR + timedelta(seconds=seconds))
            assert (found.forecasts, found.notices) == (0, 0)
    with store.read() as tx:
        assert tx._connection.exec_driver_sql("PRAGMA data_version").scalar_one() == before


def test_readings_that_come_late_bring_a_new_forecast(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    store_readings(desk, [reading(NOON), reading(NOON + 6 * HOUR)])
    refresh(desk, NOON + 6 * HOUR)
    old = forecasts(store)[1]
    store_readings(desk, sensed(NOON + 2 * HOUR, NOON + 4 * HOUR, temp=10, rh=60))
    assert refresh(desk, NOON + 6 * HOUR + MINUTE).forecasts == 1
    assert date(forecasts(store)[1], HANDLE) > date(old, HANDLE)


def date(forecast: Forecast, kind: MilestoneKind) -> datetime:
    (found,) = [m.worth_checking_at for m in forecast.milestones if m.kind is kind]
    assert found is not None
    return found


def test_a_piece_that_moves_to_a_colder_room_is_ready_later(desk: Desk, store: Store) -> None:
    piece = log_pour(desk, order(), NOON).piece
    assert piece is not None
    store_readings(desk, sensed(NOON - HOUR, NOON + 2 * HOUR))
    store_readings(desk, sensed(NOON - HOUR, NOON + 2 * HOUR, temp=12, rh=60, room=LOFT))
    refresh(desk, NOON + 2 * HOUR)
    stays = date(forecasts(store)[1], HANDLE)
    with store.write() as tx:
        tx.add_stay(Stay(piece_id=piece.id, room=LOFT, since=NOON + HOUR))
    assert refresh(desk, NOON + 2 * HOUR).forecasts == 1
    assert date(forecasts(store)[1], HANDLE) > stays
    assert board_of(desk, NOON + 2 * HOUR).pieces[0].room == LOFT


def test_correcting_a_recipe_brings_new_forecasts_even_of_what_had_settled(desk: Desk, store: Store) -> None:
    log_pour(desk, order(recipe="thin mix"), NOON)
    late = NOON + timedelta(days=100)
    store_readings(desk, [reading(NOON, temp=22, rh=40), reading(late, temp=22, rh=40)])
    refresh(desk, late)
    assert board_of(desk, late).pieces[0].next is None, "settled"
    for days in (101, 150, 400):
        assert refresh(desk, NOON + timedelta(days=days)).forecasts == 0, "and left alone"
    put_recipe(desk, Recipe(name="thin mix", solids=0.2), NOON)
    assert refresh(desk, NOON + timedelta(days=400)).forecasts == 1


def dates(found: dict[int, Forecast]) -> list[datetime | None]:
    return [at for one in found.values() for m in one.milestones for at in (m.early_at, m.worth_checking_at, m.safe_at)]


def same(one: dict[int, Forecast], other: dict[int, Forecast]) -> None:
    """Within two seconds, since dates are whole ones; or a ten-thousandth of the way: the solver is off by more.

    Clocks that count from another moment round otherwise: a step on the edge of its tolerance is then taken by one and
    not by the other.
    """
    for mine, theirs in zip(dates(one), dates(other), strict=True):
        assert (mine is None) == (theirs is None)
        if mine is not None and theirs is not None:
            assert abs(mine - theirs) <= max(timedelta(seconds=2), (mine - NOON) / 10_000)


def test_forecasts_that_are_dropped_are_rebuilt_as_they_were(desk: Desk, store: Store) -> None:
    """They are derived; and neither the company they are made in nor a desk that remembers makes a difference."""
    store_readings(desk, sensed(NOON - 30 * HOUR, NOON + 40 * HOUR, temp=17))
    store_readings(desk, [reading(NOON - 70 * HOUR, 12, 65, room=LOFT), reading(NOON + 3 * HOUR, 18, 55, room=LOFT)])
    now = NOON
    for hours, room in enumerate((SHED, LOFT, SHED, LOFT)):
        now = NOON + 5 * hours * HOUR
        log_pour(desk, order(f"piece {hours}", now, room=room), now)
        refresh(desk, now)
    now = NOON + 40 * HOUR
    refresh(desk, now)
    was = forecasts(store)
    assert {made.made_at for made in was.values()} == {now}
    told = keys(store)
    with store.write() as tx:
        drop_forecasts(tx)
    assert refresh(Desk(store, desk.settings), now).forecasts == 4
    same(forecasts(store), was)
    assert keys(store) == told


# --- Views --------------------------------------------------------------------------------------------------------


def test_the_board_shows_every_room_with_the_age_of_its_air(desk: Desk) -> None:
    log_reading(desk, reading(NOON, 18.0, 60.0))
    second = timedelta(seconds=1)
    store_readings(desk, [reading(NOON, 12.0, None, room=LOFT, source="post")])
    store_readings(desk, [reading(NOON + second, None, 70.0, room=LOFT, source="post")])
    store_readings(desk, [reading(NOON, 12.0, None, room="Half", source="post")])
    log_pour(desk, order("Heron", room="Never read"), NOON)
    found = {room.name: room for room in board_of(desk, NOON + HOUR).rooms}
    assert list(found) == ["Boat shed", "Half", "Loft", "Never read"]
    assert [(r.temp_c, r.rh_pct, r.data_at, r.pieces) for r in found.values()] == [
        (18.0, 60.0, NOON, 0),
        (12.0, None, NOON, 0),
        (12.0, 70.0, NOON, 0),
        (None, None, None, 1),
    ]


def test_a_piece_nobody_knows_is_answered_with_near_names(desk: Desk) -> None:
    with pytest.raises(InputError, match=r"none is logged yet"):
        piece_report(desk, "Heron", NOON)
    log_pour(desk, order(), NOON)
    with pytest.raises(InputError, match=r"piece: got 'Herron', expected a piece here; did you mean 'Heron'"):
        piece_report(desk, "Herron", NOON)
    report = piece_report(desk, "Heron", NOON)
    assert (report.drying.piece.name, report.forecast, report.data_at) == ("Heron", None, None)


def test_a_test_notice_goes_to_every_channel_each_time(desk: Desk, store: Store) -> None:
    send_test_notice(desk, NOON)
    send_test_notice(desk, NOON + timedelta(microseconds=1))
    with store.read() as tx:
        assert [d.channel for d in tx.deliveries()] == ["webhook", "webhook"]


def test_the_next_look_is_due_within_a_minute_while_anything_is_wet_else_within_the_hour(desk: Desk) -> None:
    assert refresh(desk, NOON).next_due == NOON + HOUR
    log_pour(desk, order(), NOON)
    log_reading(desk, reading(NOON))
    assert refresh(desk, NOON).next_due == NOON + MINUTE
    settled = NOON + timedelta(days=110)
    log_reading(desk, reading(settled))
    refresh(desk, settled)
    assert refresh(desk, settled + MINUTE).next_due == settled + MINUTE + HOUR
