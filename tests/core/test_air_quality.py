"""What is made of bad readings: spikes, stuck and disagreeing sensors, gaps. Nothing is ever lost, only marked."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.studio.air.climate import climate_from, climate_of
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.air.quality import Readings, examined, middle_of

MIN, HOUR, DAY = 60.0, 3600.0, 86400.0
Row = tuple[int, int, float | None, float | None]
"""Minute, source, temperature, humidity."""


def readings(epoch_s, temp_c, rh_pct=None, source=None, sources=("shelf",)) -> Readings:
    epoch_s = np.asarray(epoch_s, dtype=float)
    n = len(epoch_s)
    return Readings(
        epoch_s,
        np.broadcast_to(np.asarray(temp_c, dtype=float), n).copy(),
        wave(epoch_s, 50, 2) if rh_pct is None else np.broadcast_to(np.asarray(rh_pct, dtype=float), n).copy(),
        np.zeros(n, dtype=np.int64) if source is None else np.asarray(source),
        sources,
        np.ones(n, dtype=bool),
    )


def wave(epoch_s, mean: float, swing: float):
    return mean + swing * np.sin(2 * np.pi * np.asarray(epoch_s) / DAY)


def flaws(findings: tuple[Finding, ...]) -> list[Flaw]:
    return [finding.flaw for finding in findings]


TEN_MINUTES = np.arange(0, 2 * DAY, 10 * MIN)


def test_a_clean_record_is_used_as_it_is_and_nothing_is_found() -> None:
    given_ = readings(TEN_MINUTES, wave(TEN_MINUTES, 20, 3))
    used, findings = examined(given_)
    assert findings == ()
    np.testing.assert_array_equal(used.temp_c, given_.temp_c)


def test_a_single_spike_is_marked_with_its_size_and_not_used() -> None:
    temp = wave(TEN_MINUTES, 20, 3)
    temp[100] += 9
    used, findings = examined(readings(TEN_MINUTES, temp))
    (spike,) = findings
    assert (spike.flaw, spike.since_s, spike.source, spike.quantity) == (
        Flaw.SPIKE, TEN_MINUTES[100], "shelf", "temp_c",
    )  # fmt: skip
    # the wave itself moves by up to 0.13 °C between readings, half of it here
    assert spike.size == pytest.approx(9, abs=0.1)
    assert np.isnan(used.temp_c[100])
    assert np.isfinite(used.rh_pct[100])  # the humidity of that moment was all right


def test_an_opened_window_is_no_spike() -> None:
    """Two readings or more on the way tell of something real, and so does a step that stays."""
    temp = wave(TEN_MINUTES, 20, 3)
    temp[100:103] -= 8
    temp[200:] -= 6
    assert examined(readings(TEN_MINUTES, temp))[1] == ()


def test_two_typed_readings_a_day_are_never_spikes() -> None:
    at = np.arange(0, 10 * DAY, 12 * HOUR)
    assert examined(readings(at, np.where(np.arange(20) % 2, 12.0, 24.0), 50.0, sources=("typed",)))[1] == ()


def test_readings_of_any_order_and_doubled_come_to_the_same() -> None:
    temp = wave(TEN_MINUTES, 20, 3)
    plain, _ = examined(readings(TEN_MINUTES, temp))
    shuffled = np.random.default_rng(1).permutation(np.repeat(np.arange(len(temp)), 2))
    mixed, _ = examined(readings(TEN_MINUTES[shuffled], temp[shuffled], wave(TEN_MINUTES, 50, 2)[shuffled]))
    a, b = (climate_of(r.epoch_s, r.temp_c, r.rh_pct) for r in (plain, mixed))
    np.testing.assert_allclose(a.temp_c, b.temp_c)
    np.testing.assert_allclose(a.time_s, b.time_s)


def test_three_sensors_are_merged_by_their_median_and_the_odd_one_is_named() -> None:
    at, source = np.repeat(TEN_MINUTES, 3), np.tile([0, 1, 2], len(TEN_MINUTES))
    temp = wave(at, 20, 3) + np.array([0.0, 0.1, 6.0])[source]
    climate = climate_from(readings(at, temp, source=source, sources=("door", "shelf", "window")))
    assert climate is not None
    # half of what lies between the two that agree
    np.testing.assert_allclose(climate.temp_c, wave(climate.time_s, 20.1, 3), atol=0.05)
    (finding,) = climate.findings
    assert (finding.flaw, finding.source, finding.quantity) == (Flaw.DISAGREE, "window", "temp_c")
    assert finding.size == pytest.approx(5.9, abs=0.1)  # the two that agree are 0.1 °C apart


def test_of_two_sensors_that_disagree_both_are_named_with_the_whole_difference() -> None:
    at, source = np.repeat(TEN_MINUTES, 2), np.tile([0, 1], len(TEN_MINUTES))
    _, findings = examined(readings(at, wave(at, 20, 3) + 4.0 * source, source=source, sources=("a", "b")))
    assert [(f.source, round(f.size)) for f in findings] == [("a", -4), ("b", 4)]


def test_sensors_that_send_at_different_moments_do_not_make_a_zigzag() -> None:
    """Two sensors 1 K apart, read in turn: the room is between them, not now here and now there."""
    at, source = np.arange(0, DAY, 5 * MIN), np.arange(288) % 2
    climate = climate_from(readings(at, 20.0 + source, source=source, sources=("a", "b")))
    inner = climate.temp_c[2:-2]
    assert np.abs(inner - 20.5).max() < 0.01


def test_two_sensors_that_move_apart_are_one_finding_for_nobody_knows_which_it_is() -> None:
    at, source = np.repeat(np.arange(0, 21 * DAY, HOUR), 2), np.tile([0, 1], 21 * 24)
    temp = wave(at, 20, 3) + np.where(source == 1, 0.25 * np.maximum(at / DAY - 5, 0), 0.0)
    found = climate_from(readings(at, temp, source=source, sources=("old", "new")))
    assert [(f.flaw, f.quantity, f.others) for f in found.findings] == [(Flaw.DRIFT, "temp_c", 1)]


def test_a_sensor_that_stopped_does_not_hold_back_the_other() -> None:
    at = np.concatenate([np.arange(0, DAY, 10 * MIN), np.arange(0, 3 * DAY, 10 * MIN)])
    source = np.concatenate([np.zeros(144, dtype=int), np.ones(432, dtype=int)])
    temp = np.where(source == 0, 30.0, 20.0) + wave(at, 0, 1)
    climate = climate_from(readings(at, temp, source=source, sources=("a", "b")))
    late = climate.time_s > DAY + HOUR
    # a thousandth of the 10 °C that the stopped one is off
    np.testing.assert_allclose(climate.temp_c[late], wave(climate.time_s[late], 20, 1), atol=0.01)


def test_a_stuck_sensor_is_left_out_while_another_lives_and_only_named_while_alone() -> None:
    at, source = np.repeat(TEN_MINUTES, 2), np.tile([0, 1], len(TEN_MINUTES))
    temp, rh = np.where(source == 0, 5.0, wave(at, 20, 3)), np.where(source == 0, 99.0, wave(at, 50, 2))
    both = climate_from(readings(at, temp, rh, source, ("old", "new")))
    assert [(f.flaw, f.source) for f in both.findings] == [(Flaw.STUCK, "old")]
    # 0.3 % of the 15 °C that the stuck one is off
    np.testing.assert_allclose(both.temp_c, wave(both.time_s, 20, 3), atol=0.05)
    alone = climate_from(readings(TEN_MINUTES, 5.0, 99.0))
    assert flaws(alone.findings) == [Flaw.STUCK]
    assert alone.temp_c[-1] == 5.0


def test_a_gap_is_marked_with_its_length() -> None:
    at = np.concatenate([TEN_MINUTES, TEN_MINUTES + 9 * DAY])
    _, findings = examined(readings(at, wave(at, 20, 3)))
    assert [(f.flaw, round((f.until_s - f.since_s) / HOUR)) for f in findings] == [(Flaw.GAP, 7 * 24)]


def test_two_typed_readings_a_day_have_no_gaps_and_a_lost_week_is_one() -> None:
    at = np.concatenate([np.arange(0, 5 * DAY, 12 * HOUR), np.arange(12 * DAY, 15 * DAY, 12 * HOUR)])
    _, findings = examined(readings(at, 20.0, 50.0, sources=("typed",)))
    assert flaws(findings) == [Flaw.GAP]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 4000), st.integers(0, 2), st.none() | st.floats(-30, 50), st.none() | st.floats(0, 100)
        ),
        max_size=60,
    )
)
def test_whatever_comes_the_air_stays_within_what_was_read(rows: list[Row]) -> None:
    """No reading is invented: the merged values lie within those read, at moments of readings, in time order."""
    at = np.array([row[0] * 60.0 for row in rows])
    temp, rh = (np.array([np.nan if row[i] is None else row[i] for row in rows], dtype=float) for i in (2, 3))
    source = np.array([row[1] for row in rows], dtype=np.int64)
    used, findings = examined(Readings(at, temp, rh, source, ("a", "b", "typed"), np.ones(len(rows), dtype=bool)))
    assert (np.diff(used.epoch_s) >= 0).all()
    assert set(used.epoch_s) <= set(at)
    for merged, read in ((used.temp_c, temp), (used.rh_pct, rh)):
        if np.isfinite(merged).any():
            assert np.nanmin(read) - 1e-9 <= np.nanmin(merged) <= np.nanmax(merged) <= np.nanmax(read) + 1e-9
    assert all(finding.since_s <= finding.until_s for finding in findings)


@given(st.integers(1, 286), st.floats(3.5, 40), st.sampled_from([-1, 1]))
def test_one_wild_reading_changes_the_air_nowhere(i: int, size: float, sign: int) -> None:
    temp = wave(TEN_MINUTES, 20, 3)
    temp[i] += sign * size
    climate = climate_from(readings(TEN_MINUTES, temp))
    # a straight line over the two spans leaves the wave by 0.003 °C
    np.testing.assert_allclose(climate.temp_c, wave(climate.time_s, 20, 3), atol=0.01)


@given(
    st.integers(1, 6).flatmap(
        lambda rows: st.lists(
            st.lists(st.floats(-60, 90) | st.just(np.nan), min_size=rows, max_size=rows), min_size=1, max_size=9
        )
    )
)
def test_the_middle_of_what_sensors_say_is_the_median_of_those_that_say_something(columns: list[list[float]]) -> None:
    """Against numpy's nanmedian; the two mean alike but for the last digit."""
    table = np.array(columns).T
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # columns where nobody says anything
        expected = np.nanmedian(table, axis=0)
    np.testing.assert_allclose(middle_of(table), expected, rtol=1e-15, atol=1e-15)
