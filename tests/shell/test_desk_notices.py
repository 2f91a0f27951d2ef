"""Milestone notices on a real store: each once, the stronger instead of the weaker, and of what is here."""

from __future__ import annotations

from datetime import timedelta

from curewatch.desk import Desk
from curewatch.desk.commands.pours import log_pour
from curewatch.desk.commands.readings import log_reading, store_readings
from curewatch.desk.reports.board import board_of
from curewatch.records import MilestoneKind
from curewatch.store import Store
from tests.new_store import NOON
from tests.refreshing import refresh
from tests.shell.test_desk import HOUR, MINUTE, forecasts, keys, look_every, order, reading, sensed
from tests.shell.test_desk import desk as desk
from tests.shell.test_desk import store as store

TOUCH_DRY = MilestoneKind.TOUCH_DRY


def test_each_milestone_is_told_once_at_even_odds_and_once_when_safe(desk: Desk, store: Store) -> None:
    log_pour(desk, order(wet_thickness_m=0.5e-3), NOON)
    store_readings(desk, [reading(NOON, source="post")])
    look_every(desk, 2 * HOUR, NOON, NOON + timedelta(days=2))
    look_every(desk, 24 * HOUR, NOON + timedelta(days=2), NOON + timedelta(days=40))
    told = [key for key in keys(store) if key.startswith("piece-")]
    for kind in ("touch_dry", "handle", "varnish_ready"):  # a thin film's handle is worth checking before touch is safe
        assert [key for key in told if f"/{kind}/" in key] == [f"piece-1/{kind}/worth_checking", f"piece-1/{kind}/safe"]
    assert len(told) == 6
    with store.read() as tx:
        assert len(tx.deliveries()) == len(keys(store)), "one delivery a notice: there is one channel"


def test_a_pour_logged_long_afterwards_is_told_what_is_safe_and_no_more(desk: Desk, store: Store) -> None:
    late = NOON + timedelta(days=5)
    log_reading(desk, reading(NOON))
    log_pour(desk, order(), late)
    refresh(desk, late)
    assert [key for key in keys(store) if key.startswith("piece-")] == ["piece-1/touch_dry/safe", "piece-1/handle/safe"]


def test_after_the_stronger_the_weaker_is_not_told_even_if_the_dates_move_out(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    store_readings(desk, sensed(NOON - HOUR, NOON, temp=24, rh=40))
    refresh(desk, NOON)
    safe = next(m.safe_at for m in forecasts(store)[1].milestones if m.kind is TOUCH_DRY)
    assert safe is not None
    refresh(desk, safe)
    assert "piece-1/touch_dry/safe" in keys(store)
    damp = sensed(NOON + 5 * MINUTE, safe, temp=10, rh=85)
    store_readings(desk, damp)
    refresh(desk, safe + MINUTE)
    moved = next(m for m in forecasts(store)[1].milestones if m.kind is TOUCH_DRY)
    assert moved.safe_at is None or moved.safe_at > safe + MINUTE
    look_every(desk, 6 * HOUR, safe, safe + timedelta(days=8))
    assert "piece-1/touch_dry/worth_checking" not in keys(store)


def test_a_piece_that_is_gone_is_told_of_no_more(desk: Desk, store: Store) -> None:
    log_pour(desk, order(), NOON)
    store_readings(desk, [reading(NOON)])
    refresh(desk, NOON)
    with store.write() as tx:
        tx.set_gone(1, NOON + HOUR)
    refresh(desk, NOON + timedelta(days=5))
    assert keys(store) == []
    assert board_of(desk, NOON + timedelta(days=5)).pieces == ()


def test_air_that_comes_in_late_still_changes_what_was_only_assumed(desk: Desk, store: Store) -> None:
    """A sensor was away: the first look has one reading of the past, and every date has passed by the clock."""
    now = NOON + timedelta(days=400)
    log_pour(desk, order(), NOON)
    store_readings(desk, [reading(NOON, source="post")])
    refresh(desk, now)
    assumed = forecasts(store)[1]
    store_readings(desk, sensed(NOON, NOON + timedelta(days=60), temp=14, rh=70))
    refresh(desk, now + MINUTE)
    assert forecasts(store)[1].fingerprint != assumed.fingerprint
    assert forecasts(store)[1].data_until == NOON + timedelta(days=60)
