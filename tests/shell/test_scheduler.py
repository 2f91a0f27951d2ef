"""When the daemon looks: dates on time, the first of a burst within a second, a flood at a hundredth of a core."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from curewatch.daemon.scheduler import GATHER_S, LONGEST, PAUSE_S, RETRY_S, SHARE, TICK_S, RefreshTiming

NOON = datetime(2026, 11, 20, 12, tzinfo=UTC)


def looked(cost_s: float = 0.01, next_due: timedelta = LONGEST) -> RefreshTiming:
    """A pace whose last look ended at noon, at monotonic 100."""
    pace = RefreshTiming()
    pace.begins()
    pace.succeeded(NOON + next_due, NOON, 100.0, cost_s)
    return pace


def test_the_first_look_is_due_at_once() -> None:
    assert RefreshTiming().is_due(NOON, 0.0)


def test_without_anything_new_a_look_waits_for_its_date_and_a_wait_is_never_longer_than_a_tick() -> None:
    pace = looked(next_due=timedelta(seconds=20))
    assert pace.wait_s(NOON, 100.0) == TICK_S
    assert pace.wait_s(NOON + timedelta(seconds=18), 118.0) == 2.0
    assert pace.is_due(NOON + timedelta(seconds=20), 120.0)


def test_a_look_is_due_after_an_hour_whatever_the_last_one_said() -> None:
    pace = looked(next_due=timedelta(days=3))
    assert pace.is_due(NOON + LONGEST, 3700.0)


def test_after_a_quiet_spell_a_fact_is_looked_at_within_a_second() -> None:
    pace = looked()
    pace.facts_are_new(160.0)
    assert pace.wait_s(NOON, 160.0) == GATHER_S < 1
    assert pace.is_due(NOON, 160.0 + GATHER_S)


@pytest.mark.parametrize(
    ("cost_s", "pause_s"), [(0.001, PAUSE_S[0]), (0.05, 0.05 / SHARE), (2.0, PAUSE_S[1]), (50.0, 50.0)]
)
def test_looks_of_a_flood_lie_as_far_apart_as_they_cost(cost_s: float, pause_s: float) -> None:
    pace = looked(cost_s)
    pace.facts_are_new(100.0)
    assert not pace.is_due(NOON, 100.0 + pause_s - 0.1)
    assert pace.is_due(NOON, 100.0 + pause_s)


def test_a_date_is_kept_in_a_flood() -> None:
    pace = looked(next_due=timedelta(seconds=1))
    pace.facts_are_new(100.0)
    assert pace.is_due(NOON + timedelta(seconds=1), 101.0)


def test_facts_that_come_while_a_look_is_under_way_are_looked_at_later() -> None:
    pace = RefreshTiming()
    pace.begins()
    pace.facts_are_new(100.0)
    pace.succeeded(NOON + LONGEST, NOON, 101.0, 1.0)
    assert pace.is_due(NOON, 101.0 + PAUSE_S[1])


def test_failures_are_tried_again_ever_later_and_success_forgets_them() -> None:
    pace = looked()
    waits = [pace.failed(100.0) for _ in range(8)]
    assert waits == [1, 2, 4, 8, 16, 32, RETRY_S[1], RETRY_S[1]]
    assert not pace.is_due(NOON, 100.0 + RETRY_S[1] - 1)
    assert pace.is_due(NOON, 100.0 + RETRY_S[1])
    pace.succeeded(NOON + LONGEST, NOON, 200.0, 0.01)
    assert pace.failed(300.0) == RETRY_S[0]


def test_after_a_step_of_the_clock_no_date_holds() -> None:
    pace = looked(next_due=timedelta(minutes=30))
    pace.at_once()
    assert pace.is_due(NOON - timedelta(days=1), 101.0)
