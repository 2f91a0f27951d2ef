"""An unsure past widens the dates: each member dries in a past of its own where the record has gaps or jitters.

Rooms are recorded ones (their sources: tests/data/rooms).
"""

from __future__ import annotations

import numpy as np
import pytest

from curewatch.desk.snapshot.air import future_of
from curewatch.physics.air import Array
from curewatch.physics.ensemble import Pouring
from curewatch.studio.air.climate import Air, climate_of
from curewatch.studio.forecasting.simulation import DryingProblem, simulate
from curewatch.studio.outlook.gap_uncertainty import DAY_S, conditional_samples, gap_uncertainty_of
from curewatch.studio.outlook.scenarios import DRIFT_TIME_CONSTANT_S, ERROR_TIME_CONSTANT_H
from tests.studio_scene import drying, surely
from tests.whole.rooms import folder

RECORDED = ("house_living_be.csv", "semiwarm_room_fi.csv")
MEMBERS = 160
END_D, POURED_D, GAP_D = 40.0, 31.0, (30.5, 37.5)
"""The record's length, when the piece was poured, and the week that was not read [days]."""
THICK_M = 0.6e-3
"""Thin, so that the record covers its drying: of 1.2 mm the film's own spread over months to come hides the gap."""
LEVELS = (0.1, 0.9)
DAYS = 90


def recorded(name: str) -> Air:
    """A recorded room every ten minutes, its first row at 0 s: °C, %."""
    rows = int(END_D * 144)
    temp, rh = np.loadtxt(folder() / name, delimiter=",", skiprows=1, usecols=(1, 2), max_rows=rows, unpack=True)
    return np.arange(rows) * 600.0, temp, rh


def without_a_week(air: Air) -> Air:
    kept = (air[0] <= GAP_D[0] * DAY_S) | (air[0] >= GAP_D[1] * DAY_S)
    return air[0][kept], air[1][kept], air[2][kept]


def noisy(air: Air) -> Air:
    """A sensor that jitters by 1.5 °C and 6 %."""
    off = np.random.default_rng(2).standard_normal((2, len(air[0])))
    return air[0], air[1] + 1.5 * off[0], np.clip(air[2] + 6 * off[1], 1, 99)


def typed_once(air: Air) -> Air:
    first = int(np.searchsorted(air[0], POURED_D * DAY_S))
    return air[0][first : first + 1], air[1][first : first + 1], air[2][first : first + 1]


def leg_of(readings: Air) -> DryingProblem:
    """A piece of which all is known but its air, as a desk that has read only this would march it."""
    found = climate_of(*readings)
    assert found is not None
    air = (found.time_s, found.temp_c, found.rh_pct)
    ahead = future_of(found, MEMBERS, DAYS)
    return DryingProblem(
        Pouring(THICK_M),
        POURED_D * DAY_S,
        air,
        ahead,
        DAYS * DAY_S,
        posterior=surely(drying()).posterior,
        uncertainty=gap_uncertainty_of(air),
    )


def widths(problem: DryingProblem) -> Array:
    """Of touch-dry and varnish-ready: the logarithm of the 90 % date's time from the pour over the 10 % date's."""
    outcome = simulate([problem], MEMBERS).members(0)
    dates = np.array([outcome.at(kind, LEVELS) for kind in ("touch_dry", "varnish_ready")])
    return np.asarray(np.log(dates[:, 1] / dates[:, 0]))


@pytest.mark.parametrize("name", RECORDED)
def test_a_clean_record_leaves_nothing_to_doubt(name: str) -> None:
    assert leg_of(recorded(name)).uncertainty is None


def test_typed_once_a_noisy_sensor_and_a_week_long_gap_each_widen_the_dates() -> None:
    clean = recorded(RECORDED[0])
    known = widths(leg_of(clean))
    assert known[0] < 1e-6, "touch-dry within a day that was read"
    for poorer in (typed_once, noisy, without_a_week):
        assert (widths(leg_of(poorer(clean))) > 1.2 * known + 0.01).all(), poorer.__name__


def test_members_agree_with_every_reading_and_differ_between_them() -> None:
    air = without_a_week(recorded(RECORDED[0]))
    uncertainty = gap_uncertainty_of(air)
    assert uncertainty is not None
    ((gap),) = uncertainty.gaps
    found = conditional_samples(air, uncertainty, MEMBERS)
    for time, temp, rh in found:
        np.testing.assert_array_equal(np.interp(air[0], time, temp), air[1])
        np.testing.assert_array_equal(np.interp(air[0], time, rh), air[2])
    middle = [np.interp((gap.begin_s + gap.end_s) / 2, time, temp) for time, temp, _ in found]
    assert 0.5 < np.std(middle) < 3.0  # K: less than rooms' days differ at all


def test_what_comes_later_changes_no_past() -> None:
    """While a gap is open it belongs to the future, and a bridge stays as it was once its end was read."""
    whole = noisy(without_a_week(recorded(RECORDED[0])))
    until_s = 38.0 * DAY_S
    early = tuple(column[whole[0] <= until_s + 600.0] for column in whole)
    before, after = gap_uncertainty_of((early[0], early[1], early[2])), gap_uncertainty_of(whole)
    assert before is not None
    assert after is not None
    assert before.facts(POURED_D * DAY_S, until_s) == after.facts(POURED_D * DAY_S, until_s)
    for one, other in zip(
        conditional_samples((early[0], early[1], early[2]), before, 4),
        conditional_samples(whole, after, 4),
        strict=True,
    ):
        same = one[0] <= until_s
        for mine, theirs in zip(one, other, strict=True):
            np.testing.assert_array_equal(mine[same], theirs[: len(mine)][same])


def test_an_open_gap_is_not_bridged() -> None:
    air = recorded(RECORDED[0])
    kept = air[0] <= GAP_D[0] * DAY_S
    assert gap_uncertainty_of((air[0][kept], air[1][kept], air[2][kept])) is None


def test_a_gap_up_to_an_observation_is_pinned_on_one_side_alone() -> None:
    """What was observed lies two days after the last reading, and the room has no future: it has been seen since."""
    read = tuple(column[:145] for column in recorded(RECORDED[0]))
    last_s = float(read[0][-1])
    seen_s = last_s + 2 * DAY_S
    assert gap_uncertainty_of(read, last_s + 3600.0) is None
    uncertainty = gap_uncertainty_of(read, seen_s)
    assert uncertainty is not None
    some = conditional_samples(read, uncertainty, MEMBERS, last_s - DAY_S)
    at_last, at_end = (np.array([np.interp(when, time, temp) for time, temp, _ in some]) for when in (last_s, seen_s))
    assert np.ptp(at_last) == 0
    # as far as days and hours of rooms in general differ, after the two days (Uhlenbeck & Ornstein 1930, eq. 22)
    (gap,) = uncertainty.gaps
    grown = [1 - np.exp(-2 * 2 * DAY_S / lasts) for lasts in (DRIFT_TIME_CONSTANT_S, ERROR_TIME_CONSTANT_H * 3600)]
    expected = np.sqrt(gap.days_sd[0] ** 2 * grown[0] + gap.hours_sd[0] ** 2 * grown[1])
    assert at_end.std() == pytest.approx(expected, rel=0.2), "drawn at the knots, made orthogonal there, not at the end"
