"""What is made of bad readings: spikes, stuck and disagreeing sensors, gaps. Nothing is ever lost, only marked."""

from __future__ import annotations

import warnings
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.records import SensorTrust, Trust
from curewatch.studio.air.climate import climate_from, climate_of
from curewatch.studio.air.flaws import Finding, Flaw
from curewatch.studio.air.flaws import text as flaws_text
from curewatch.studio.air.merging import Readings, middle_of
from curewatch.studio.air.quality import examined

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


# --- What is typed beside a sensor, and two sensors ---------------------------------------------------------------


def beside(typed: list[tuple[float, float, float]], until: float = 2 * DAY) -> Readings:
    """A sensor at 18.9 °C every ten minutes until `until` [s], and what somebody typed: (time [s], °C, %)."""
    own = TEN_MINUTES[until > TEN_MINUTES]
    at = np.concatenate([own, [t for t, _, _ in typed]])
    temp = np.concatenate([np.full(len(own), 18.9), [c for _, c, _ in typed]])
    rh = np.concatenate([wave(own, 50, 2), [pct for _, _, pct in typed]])
    source = np.concatenate([np.zeros(len(own), dtype=int), np.ones(len(typed), dtype=int)])
    return readings(at, temp, rh, source, ("post", "typed"))


def said(trust: Trust, at_s: float, *, logged_s: float | None = None, **offsets: float) -> SensorTrust:
    at, logged = (datetime.fromtimestamp(s, UTC) for s in (at_s, at_s if logged_s is None else logged_s))
    return SensorTrust(room="Shed", source="post", at=at, trust=trust, logged_at=logged, **offsets)


CHECKED = DAY + 5 * HOUR + 7 * MIN


def test_a_reading_typed_beside_a_live_sensor_moves_the_air_nowhere_and_asks_which_is_right() -> None:
    """Seen: 18.9 and 6 °C made 12.4, and every piece moved."""
    plain = climate_from(beside([]))
    climate = climate_from(beside([(CHECKED, 6.0, 50.0)]))
    np.testing.assert_array_equal(climate.temp_c, plain.temp_c)
    np.testing.assert_array_equal(climate.time_s, plain.time_s)
    (check,) = climate.findings
    assert (check.flaw, check.source, check.quantity, check.value) == (Flaw.CHECK, "post", "temp_c", 6.0)
    assert str(flaws_text(check)) == (
        "your thermometer said 6.0 °C at Fri 2 Jan 05:07, the sensor post 18.9 °C: which one is right?"
    )


def test_a_check_that_agrees_asks_nothing() -> None:
    assert climate_from(beside([(CHECKED, 18.2, 52.0)])).findings == ()


def test_a_check_typed_just_after_the_sensors_last_reading_is_one_too_whatever_comes_next() -> None:
    """Nine minutes after it: the sensor lives, so the room does not leap to the typed value and back again."""
    last = TEN_MINUTES[TEN_MINUTES < CHECKED][-1]
    for until in (CHECKED, 2 * DAY):
        climate = climate_from(beside([(last + 9 * MIN, 6.0, 50.0)], until))
        assert set(climate.temp_c) == {18.9}, until
        assert not climate.by_hand


def test_what_is_typed_counts_once_the_sensor_is_silent() -> None:
    climate = climate_from(beside([(CHECKED + 3 * HOUR, 6.0, 50.0)], until=CHECKED))
    assert climate.temp_c[-1] == 6.0
    assert climate.by_hand
    assert Flaw.CHECK not in flaws(climate.findings)


def test_what_is_typed_counts_once_somebody_says_that_the_thermometer_is_right() -> None:
    right = said(Trust.THERMOMETER, CHECKED)
    climate = climate_from(beside([(CHECKED, 6.0, 50.0), (CHECKED + 8 * HOUR, 7.0, 50.0)]), [right])
    assert set(climate.temp_c[climate.time_s < CHECKED]) == {18.9}
    assert list(climate.temp_c[climate.time_s >= CHECKED]) == [6.0, 7.0]
    assert Flaw.SET_ASIDE in flaws(climate.findings)
    assert Flaw.CHECK not in flaws(climate.findings)
    again = climate_from(beside([(CHECKED, 6.0, 50.0)]), [right, said(Trust.SENSOR, CHECKED, logged_s=CHECKED + HOUR)])
    assert set(again.temp_c) == {18.9}, "of one moment the last word counts"
    assert again.findings == ()


def test_an_offset_puts_the_sensor_right_from_the_check_on() -> None:
    offset = said(Trust.OFFSET, CHECKED, temp_offset_c=-12.9, rh_offset_pct=3.0)
    climate = climate_from(beside([(CHECKED, 6.0, 53.0)]), [offset])
    late = climate.time_s >= CHECKED
    np.testing.assert_allclose(climate.temp_c[late], 6.0, atol=1e-9)  # rounding
    np.testing.assert_allclose(climate.rh_pct[late], wave(climate.time_s[late], 53, 2), atol=1e-9)
    assert set(climate.temp_c[~late]) == {18.9}
    assert climate.findings == ()


def two(apart: float, *, jitter: float = 0.0, typed: float | None = None, until: float = 2 * DAY) -> Readings:
    """Two sensors, `b` above `a` by `apart`, and shaken; a check of the room on the first noon, if there was one."""
    own = TEN_MINUTES[until > TEN_MINUTES]
    shaken = jitter * np.random.default_rng(5).standard_normal(len(own))
    temp = [wave(own, 20, 1), wave(own, 20 + apart, 1) + shaken]
    at, source = np.concatenate([own, own]), np.repeat([0, 1], len(own))
    values = np.concatenate(temp)
    if typed is not None:
        at, values, source = np.append(at, DAY / 2), np.append(values, typed), np.append(source, 2)
    return readings(at, values, wave(at, 50, 2), source, ("a", "b", "typed"))


def middle(given: Readings, at_s: float) -> float:
    """How far the room is above `a`."""
    return float(climate_from(given).at(at_s)[0]) - float(wave(at_s, 20, 1))


def test_two_sensors_are_weighed_by_their_record_of_the_day_before() -> None:
    assert middle(two(1.0), 1.5 * DAY) == pytest.approx(0.5, abs=0.01)  # equally steady
    assert middle(two(1.0, jitter=0.8), 1.5 * DAY) < 0.25, "the one that jitters counts for less"
    assert middle(two(4.0, typed=20.0), 1.2 * DAY) < 0.4, "and so does the one that a thermometer spoke against"
    assert middle(two(4.0, typed=24.0), 1.2 * DAY) > 3.6


def test_what_is_made_of_two_sensors_does_not_change_as_later_readings_come() -> None:
    """Else every piece would be dried anew from its pour with each reading."""
    now, later = climate_from(two(1.0, jitter=0.5, until=1.5 * DAY)), climate_from(two(1.0, jitter=0.5))
    same = now.time_s < now.time_s[-1] - HOUR  # the last moment is a line's end, and then lies within one
    np.testing.assert_array_equal(now.temp_c[same], later.temp_c[: len(now.temp_c)][same])


def test_two_sensors_that_part_are_told_within_hours_and_not_after_half_the_record() -> None:
    at, source = np.repeat(TEN_MINUTES, 2), np.tile([0, 1], len(TEN_MINUTES))
    parted = 5.0 * ((at > 2 * DAY - 4 * HOUR) & (source == 1))
    _, findings = examined(readings(at, wave(at, 20, 3) + parted, source=source, sources=("a", "b")))
    assert [(f.flaw, f.source, round(f.size)) for f in findings] == [
        (Flaw.DISAGREE, "a", -5), (Flaw.DISAGREE, "b", 5),
    ]  # fmt: skip
    assert min(f.since_s for f in findings) >= 2 * DAY - 4 * HOUR
