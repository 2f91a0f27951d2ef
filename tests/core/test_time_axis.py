"""The axis that all pieces of the board share."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.web.plots.time_axis import BACK_MOST, Axis

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
DAYS = st.floats(0, 300).map(lambda days: timedelta(days=days))


@given(DAYS, DAYS)
def test_the_first_pour_and_the_last_date_are_both_on_it(since: timedelta, until: timedelta) -> None:
    axis = Axis.to_show(NOW, NOW - since, NOW + until)
    assert 0 < axis.x(NOW - since) <= axis.x(NOW) <= axis.x(NOW + until) < 100


@given(DAYS, DAYS, st.lists(st.floats(-300, 300), min_size=2, max_size=8))
def test_what_is_later_stands_further_right(since: timedelta, until: timedelta, days: list[float]) -> None:
    axis = Axis.to_show(NOW, NOW - since, NOW + until)
    places = [axis.x(NOW + timedelta(days=one)) for one in sorted(days)]
    assert places == sorted(places)


@given(DAYS, DAYS)
def test_now_is_always_marked_and_no_two_marks_lie_on_each_other(since: timedelta, until: timedelta) -> None:
    ticks = list(Axis.to_show(NOW, NOW - since, NOW + until).ticks())
    assert [tick.label for tick in ticks].count("now") == 1
    assert all(b.x - a.x > 5 for a, b in itertools.pairwise(ticks))
    assert len(ticks) >= 4


def test_what_was_poured_years_ago_begins_at_the_left_end() -> None:
    axis = Axis.to_show(NOW, NOW - 3 * BACK_MOST, None)
    assert axis.x(NOW - 3 * BACK_MOST) == 0


def test_tomorrow_has_more_room_than_all_of_the_third_month() -> None:
    axis = Axis.to_show(NOW, NOW - timedelta(days=60), NOW + timedelta(days=120))

    def width(start: float, end: float) -> float:
        return axis.x(NOW + timedelta(days=end)) - axis.x(NOW + timedelta(days=start))

    assert width(0, 1) > 3 * width(60, 90)
    assert width(0, 1) == pytest.approx(2 * width(-1, 0))
