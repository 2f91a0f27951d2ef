"""What would help is one thing wherever it is read: the alarm, the piece, its promise, its page and the plan agree."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest

from curewatch.desk import Desk
from curewatch.desk.commands import observing, pours
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import store_readings
from curewatch.desk.reports import planning
from curewatch.desk.reports.piece import piece_report
from curewatch.desk.snapshot.pieces import learned_so_far
from curewatch.records import AlarmKind, MilestoneKind
from curewatch.records.facts import Finger
from curewatch.records.workshop import Promise
from curewatch.settings import RoomSettings
from curewatch.store import Store
from curewatch.studio.forecasting.batch import MOVES
from curewatch.studio.learning import texts
from curewatch.studio.planning import advice as advising
from curewatch.studio.planning import promises
from curewatch.views.plan import PlanOut
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, SHED, alarm, forecasts, notices, order, sensed, settings_of
from tests.shell.test_desk import store as store

HANDLE = MilestoneKind.HANDLE
DUE = NOON + timedelta(days=8)


def cold_shed(store: Store, temp_c: float = 4.5, *, heated: bool = True) -> Desk:
    """A pour of an hour in a cold shed, promised, its alarm raised and its promise at risk."""
    rooms = {} if heated else {SHED: RoomSettings(heated=False)}
    desk = Desk(store, settings_of(sensors=(SHED,)).model_copy(update={"rooms": rooms}))
    log_pour(desk, order(), NOON)
    pours.promise(desk, "Heron", Promise(piece_id=0, due_at=DUE, ready=HANDLE, occasion="fair", logged_at=NOON), NOON)
    for minutes in range(10, 61, 10):
        now = NOON + minutes * MINUTE
        store_readings(desk, sensed(now - 10 * MINUTE, now, temp=temp_c, rh=60))
        refresh(desk, now)
    return desk


def effects(said: str) -> set[str]:
    """What a sentence says of touch-dry and dry to handle."""
    return set(
        re.findall(r"(?:touch-dry|dry to handle) (?:[\d.]+ [hd] \w+|in \d+ of 10 such films, \d+ as it is)", said)
    )


def test_too_cold_every_one_of_them_names_the_alarms_change_with_the_same_figures(store: Store) -> None:
    desk = cold_shed(store)
    raised = alarm(store, AlarmKind.COLD)
    assert raised is not None
    by_alarm = re.search(r"warmed to (\d+) °C from [^:]+:\d\d on: ([^.]*)", str(raised.text))
    assert by_alarm is not None
    began = next(one.created_at for one in notices(store) if one.key.startswith("alarm/cold/"))
    report = piece_report(desk, "Heron", began)
    first, *others = planning.advice(desk, report, began)
    named = f"warmed to {by_alarm[1]} °C"
    assert str(first.change.name) == named
    assert effects(str(advising.advised(first))) == effects(by_alarm[2]) != set()
    assert "warmer" not in " ".join(str(one.change.name) for one in others), "nor a second warmth beside it"

    (told,) = [str(one.text) for one in notices(store) if one.kind == "promise"]
    assert f"What would help: {named}, in time in " in told
    now = NOON + HOUR
    again = planning.advice(desk, piece_report(desk, "Heron", now), now)
    page = str(promises.help_in_words(promises.helped(report.drying, forecasts(store)[1], again)))
    assert f"What would help: {named}, in time in " in page
    plan = planning.plan(desk, order(), DUE, 1, HANDLE, now)
    assert [str(one.change.name) for one in plan.latest] == [
        "as it usually is",
        *(str(one.change.name) for one in again),
    ]
    usual, warmed, *_ = plan.latest
    assert warmed.odds_now > usual.odds_now + 0.3


def test_dates_of_the_changed_room_are_those_that_the_hours_say(store: Store) -> None:
    desk = cold_shed(store, 9.5)
    now = NOON + HOUR
    (one, *_) = planning.advice(desk, piece_report(desk, "Heron", now), now)
    shown = forecasts(store)[1].milestone(MilestoneKind.TOUCH_DRY)
    so, hours = one.milestone(MilestoneKind.TOUCH_DRY), one.hours[MilestoneKind.TOUCH_DRY]
    assert shown is not None
    assert shown.worth_checking_at is not None
    assert so.worth_checking_at is not None
    assert hours is not None
    off = so.worth_checking_at - shown.worth_checking_at - timedelta(hours=hours)
    assert abs(off) < MOVES * (shown.worth_checking_at - NOON), "a forecast stands until its dates move by more"


def test_where_it_cannot_be_heated_nobody_is_told_to_warm_it(store: Store) -> None:
    desk = cold_shed(store, heated=False)
    now = NOON + HOUR
    found = planning.advice(desk, piece_report(desk, "Heron", now), now)
    plan = PlanOut.of(planning.plan(desk, order(), DUE, 1, HANDLE, now), (), desk.settings.tz)
    (told,) = [str(one.text) for one in notices(store) if one.kind == "promise"]
    for said in (*(str(one.change.name) for one in found), *(one.room_is for one in plan.latest), told):
        assert "warme" not in said
    assert "heater" not in plan.cautions + told
    assert str(found[0].change.name) == "carried to 13 °C", "as its alarm says"
    assert "What would help: carried to 13 °C, in time in " in told


def test_a_change_is_told_with_its_own_risk_and_with_no_others(store: Store) -> None:
    """In the cold a fan cools what is too cold already; in the warm it cools nothing below its limit."""
    cold = PlanOut.of(planning.plan(cold_shed(store), order(), DUE, 1, HANDLE, NOON + HOUR), (), settings_of().tz)
    risks = {one.room_is: one.risks for one in cold.latest}
    (warmed,) = [name for name in risks if name.startswith("warmed to ")]
    assert risks[warmed] == []
    assert [risk for risk in risks["with a fan on it"] if "too cold as it is, and this cools it to " in risk]
    later = NOON + timedelta(days=3)
    desk = Desk(store, settings_of())
    store_readings(desk, sensed(NOON + 2 * HOUR, later, temp=21, rh=50))
    refresh(desk, later)
    warm = PlanOut.of(planning.plan(desk, order(), DUE, 1, HANDLE, later), (), settings_of().tz)
    risks = {one.room_is: one.risks for one in warm.latest}
    assert set(risks) == {"as it usually is", "3 °C warmer", "10 %RH drier", "with a fan on it"}
    (fan,) = risks["with a fan on it"]
    assert re.fullmatch(r"Risk: water leaves [\d.]+ times as fast, a skin over a soft core; it may craze", fan)


@pytest.mark.parametrize("temp_c", [9.5, 21.0])
def test_what_teaches_nothing_is_not_told_as_slower(store: Store, temp_c: float) -> None:
    """Every film is tacky after an hour: whoever says so has told nothing of the recipe."""
    desk = Desk(store, settings_of())
    store_readings(desk, sensed(NOON - HOUR, NOON + HOUR, temp=temp_c))
    log_pour(desk, order(), NOON)
    observing.feel(desk, "Heron", Finger.TACKY, NOON + HOUR, NOON + HOUR)
    refresh(desk, NOON + HOUR)
    with store.read() as tx:
        seen = {one.id: one for one in tx.observations([1])}
        beliefs = texts.beliefs(learned_so_far(tx), seen, {one.name: one for one in tx.recipes()})
    (of_recipe,) = [str(one.sentence) for one in beliefs if "recipe" in str(one.sentence)]
    assert "this recipe dries no faster or slower than assumed" in of_recipe
