"""The outlook's backtest: its protocol, and the baselines beside it."""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.backtest.outlook import HORIZONS, LEAD_H, Score, baselines, origins_of, scores, summary
from curewatch.studio.air.climate import Hourly
from curewatch.studio.outlook.experts import DAY
from tests.core.test_outlook import room


@pytest.mark.parametrize(("hours", "origins"), [(3290, 586), (3561, 640), (14113, 724)])
def test_origins_are_as_many_as_the_protocol_has(hours: int, origins: int) -> None:
    """Published with the records this is measured on; the stride is prime to 24 whatever the length."""
    found = origins_of(hours)
    assert len(found) == origins
    assert found[0] == LEAD_H
    assert {int(h) % DAY for h in found} == set(range(DAY))


@pytest.mark.parametrize("every", [2, 8, 20])
def test_one_in_so_many_origins_still_takes_every_hour_of_the_day(every: int) -> None:
    whole, few = origins_of(14113), origins_of(14113, every)
    assert len(few) == pytest.approx(len(whole) / every, rel=0.1)  # the stride is shortened until it is prime to 24
    assert len({int(h) % DAY for h in few}) == min(len(few), DAY)


def test_the_baselines_are_what_their_names_say() -> None:
    x = np.random.default_rng(1).normal(20, 3, 30 * DAY)
    at = 20 * DAY + 7
    for k in HORIZONS:
        said = baselines(x, k)
        last = at + k - DAY * -(-k // DAY)
        assert said["persist"][at] == x[at]
        assert said["last24"][at] == x[last]
        assert said["clim7"][at] == pytest.approx(np.mean([x[last - DAY * i] for i in range(7)]))


def test_the_tuned_baseline_finds_what_lasts() -> None:
    """In a room whose departures from the mean day stay for ever, all of the departure is kept; in white noise none."""
    draw = np.random.default_rng(3)
    steps, noise = np.cumsum(draw.normal(0, 0.1, 40 * DAY)), draw.normal(0, 1, 40 * DAY)
    at = 35 * DAY
    week = baselines(steps, 1)["clim7"][at]
    assert baselines(steps, 1)["damptuned"][at] == pytest.approx(steps[at], abs=0.1 * abs(steps[at] - week) + 0.05)
    assert abs(baselines(noise, 6)["damptuned"][at] - baselines(noise, 6)["clim7"][at]) < 0.3


def test_a_record_is_scored_for_both_quantities_at_every_horizon() -> None:
    record = room(19)
    found = scores("loft", record, {"zero": lambda seen, quantity: np.zeros(HORIZONS[-1])})
    assert [(s.quantity, s.hours_ahead) for s in found] == [(q, k) for q in ("temp_c", "rh_pct") for k in HORIZONS]
    for score in found:
        assert set(score.baselines) == {"persist", "last24", "clim7", "damptuned", "zero"}
        assert score.pairs > 0
        assert 0 <= score.coverage <= 1
    (first, *_) = found
    # the room swings by 2 °C about its mean of 19, and wanders
    assert first.baselines["zero"] == pytest.approx(19, abs=3)


def test_hours_without_readings_are_no_pairs() -> None:
    record = room(19)
    whole = scores("loft", record)
    record.temp_c[16 * DAY : 17 * DAY] = np.nan
    torn = scores("loft", record)
    assert torn[0].pairs < whole[0].pairs


def test_a_record_with_nothing_to_score_against_says_so() -> None:
    record = room(19)
    record.rh_pct[15 * DAY + 1 :] = np.nan
    with pytest.raises(ValueError, match="no reading of rh_pct 1 h after any of 2 moments"):
        scores("loft", record, every=12)


def test_a_record_that_is_too_short_says_so() -> None:
    with pytest.raises(ValueError, match="expected more than 408 h"):
        scores("loft", Hourly(0.0, np.zeros(400), np.zeros(400)))


def test_the_summary_averages_over_cells() -> None:
    cells = [
        Score("a", "temp_c", 1, 9, 1.0, {"persist": 2.0, "clim7": 1.0}, 0.8),
        Score("a", "rh_pct", 1, 9, 1.5, {"persist": 1.0, "clim7": 3.0}, 0.6),
    ]
    found = summary(cells)
    assert found.ratio_to_best == pytest.approx((1.0 + 1.5) / 2)
    assert found.worst_ratio_to_best == 1.5
    assert found.ratio_to_each == pytest.approx({"persist": (0.5 + 1.5) / 2, "clim7": (1.0 + 0.5) / 2})
    assert found.coverage == pytest.approx(0.7)
