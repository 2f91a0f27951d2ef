"""The usual days after the outlook, measured: the protocol, and what it finds in a room whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.backtest.outlook import HOURS_AHEAD, daily_scores
from curewatch.studio.air.climate import Hourly
from curewatch.studio.outlook.experts import DAY
from tests.core.test_outlook import room


def test_in_a_room_of_equal_days_the_usual_day_is_what_comes() -> None:
    found = daily_scores("loft", room(27, noise=0.0), 9)
    assert [(one.quantity, one.hours_ahead) for one in found] == [
        (q, k) for q in ("temp_c", "rh_pct") for k in HOURS_AHEAD
    ]
    for one in found:
        assert one.mae < 0.3
        assert one.coverage > 0.9


def test_where_days_wander_it_does_no_worse_than_the_last_day_and_its_band_holds_most() -> None:
    """Days that are off by chance and forget it overnight: the last day says nothing of the fifth from now."""
    record = room(30, noise=0.05)
    off = np.repeat(np.random.default_rng(4).normal(0, 1.5, 30), DAY)
    found = daily_scores("loft", Hourly(0.0, record.temp_c + off, record.rh_pct - 2 * off), 15)
    for one in found:
        assert one.mae < 0.95 * one.last_day
        assert 0.6 < one.coverage <= 1.0


def test_the_errors_are_of_the_day_in_question() -> None:
    """A room that warms by a degree a day: the last day is off by as many degrees as there are days to its middle."""
    record = room(27, noise=0.0)
    days = np.arange(len(record)) / DAY
    found = daily_scores("loft", Hourly(0.0, record.temp_c + days, record.rh_pct), 9)
    for one in found[: len(HOURS_AHEAD)]:
        assert one.last_day == pytest.approx(one.hours_ahead / DAY + 0.5, abs=0.05)
        assert one.last_week == pytest.approx(one.hours_ahead / DAY + 3.5, abs=0.05)


def test_a_short_record_has_none() -> None:
    assert daily_scores("loft", room(22)) == []
