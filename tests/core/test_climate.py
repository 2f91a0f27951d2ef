"""From readings to a room's history, and along a piece's moves: what is known, what is held, and how old it is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.studio.air.climate import BIN_S, Climate, along, climate_of
from tests.studio_scene import air, at, every

MINUTE = 1 / 60


def epoch(hours: float) -> float:
    return at(hours).timestamp()


def test_half_a_climate_is_none() -> None:
    nan = np.array([np.nan, np.nan])
    some = np.array([20.0, 21.0])
    times = np.array([epoch(0), epoch(1)])
    assert climate_of(times, some, nan) is None
    assert climate_of(times, nan, some) is None
    assert climate_of(np.empty(0), np.empty(0), np.empty(0)) is None


def test_one_reading_holds_for_ever_on_both_sides() -> None:
    one = air((5, 18.0, 60.0))
    assert one.at(np.array([epoch(-900), epoch(5), epoch(900)]))[0].tolist() == [18.0] * 3
    assert (one.newest_s, one.live_s, one.cadence_s) == (epoch(5), epoch(5), 0.0)


def test_readings_within_five_minutes_are_one_and_lie_at_their_mean() -> None:
    """Two sensors of one room, or one that speaks every ten seconds."""
    climate = air((0, 20.0, 50.0), (2 * MINUTE, 22.0, 52.0), (5 * MINUTE, 30.0, 40.0))
    assert climate.time_s.tolist() == pytest.approx([epoch(MINUTE), epoch(5 * MINUTE)], abs=1e-6)
    assert climate.temp_c.tolist() == [21.0, 30.0]
    assert climate.rh_pct.tolist() == [51.0, 40.0]


def test_a_thousand_years_ago_is_a_time_like_any_other() -> None:
    seconds = np.array([-250.0, -10.0, 10.0, 400.0])
    climate = climate_of(seconds, np.array([1.0, 3.0, 5.0, 7.0]), np.full(4, 50.0))
    assert climate is not None
    assert climate.temp_c.tolist() == [2.0, 5.0, 7.0]


def test_a_quantity_that_falls_silent_makes_the_room_old() -> None:
    """Fresh temperatures must not make a humidity of yesterday look like good data."""
    climate = air((0, 20.0, 50.0), *((h, 20.0 + h, None) for h in range(1, 24)))
    assert climate.newest_s == climate.live_s == epoch(0)
    assert climate.moments(epoch(-1), epoch(99)).tolist() == [epoch(0)]
    assert climate.at(epoch(23))[0] == 43.0, "a film dries in some air all the same"


def test_moments_begin_once_both_are_known_and_end_with_the_older() -> None:
    climate = air((0, 20.0, None), (1, None, 50.0), (2, 20.0, 50.0), (3, 20.0, None))
    assert climate.moments(epoch(-9), epoch(9)).tolist() == [epoch(1), epoch(2)]
    assert climate.moments(epoch(1), epoch(9)).tolist() == [epoch(2)], "what was judged is not judged again"
    assert climate.moments(epoch(-9), epoch(1.5)).tolist() == [epoch(1)]
    assert climate.moments(epoch(5), epoch(1)).tolist() == []


def test_a_retained_message_is_air_but_no_sign_of_life() -> None:
    times = np.array([epoch(0), epoch(1)])
    both = np.array([20.0, 21.0])
    climate = climate_of(times, both, both, np.array([True, False]))
    assert climate is not None
    assert (climate.newest_s, climate.live_s) == (epoch(1), epoch(0))
    only_kept = climate_of(times, both, both, np.array([False, False]))
    assert only_kept is not None
    assert only_kept.live_at is None


def test_the_cadence_is_of_pairs_however_they_come() -> None:
    """Temperature and humidity a second apart, every quarter of an hour: a quarter of an hour."""
    second = 1 / 3600
    apart = [pair for i in range(9) for pair in ((i / 4, 20.0, None), (i / 4 + second, None, 50.0))]
    assert air(*apart).cadence_s == pytest.approx(900)
    assert air(*every(15, 2, 20, 50)).cadence_s == pytest.approx(900)
    assert air(*every(1, 2, 20, 50)).cadence_s == pytest.approx(BIN_S)


def test_only_late_readings_change_how_much_has_settled() -> None:
    history = every(10, 6, 20, 50)
    settled = air(*history).settled(epoch(1), epoch(6))
    assert settled == 5 * 6
    assert air(*history, (6.01, 21, 50), (7, 22, 50)).settled(epoch(1), epoch(6)) == settled
    late = sorted([*history, (3.1, 20.0, 50.0)])
    assert air(*late).settled(epoch(1), epoch(6)) == settled + 1
    longer = [(h - 24, 20.0, 50.0) for h in range(20)] + history
    assert air(*longer).settled(epoch(1), epoch(6)) == settled, "what was before the pour does not count"


TIMES = st.lists(st.floats(0, 1e6), min_size=1, max_size=40).map(sorted)
VALUES = st.one_of(st.just(float("nan")), st.floats(-40, 60))


@given(st.data(), TIMES)
def test_whatever_was_read_the_history_is_finite_within_what_was_read_and_in_order(
    data: st.DataObject, times: list[float]
) -> None:
    temp = np.array(data.draw(st.lists(VALUES, min_size=len(times), max_size=len(times))))
    rh = np.array(data.draw(st.lists(VALUES, min_size=len(times), max_size=len(times))))
    climate = climate_of(np.array(times), temp, rh)
    if np.isnan(temp).all() or np.isnan(rh).all():
        assert climate is None
        return
    assert climate is not None
    assert (np.diff(climate.time_s) > 0).all()
    for got, read in ((climate.temp_c, temp), (climate.rh_pct, rh)):
        assert np.isfinite(got).all()
        assert got.min() >= np.nanmin(read) - 1e-9
        assert got.max() <= np.nanmax(read) + 1e-9


# --- Along a piece's way ------------------------------------------------------------------------------------------


def rooms() -> tuple[Climate, Climate]:
    return air(*every(60, 48, 20, 50)), air(*every(60, 48, 10, 70))


def test_a_move_is_a_step_and_moving_back_another() -> None:
    warm, cold = rooms()
    time, temp, rh = along([(epoch(0), warm), (epoch(10), cold), (epoch(20), warm)], epoch(0))
    assert (np.diff(time) > 0).all()
    air_at = {round((t - epoch(0)) / 3600, 3): (c, r) for t, c, r in zip(time, temp, rh, strict=True)}
    assert (air_at[9], air_at[10], air_at[19], air_at[20]) == ((20, 50), (10, 70), (10, 70), (20, 50))
    assert time[np.flatnonzero(np.diff(temp))].tolist() == [epoch(10) - 1, epoch(20) - 1]


def test_only_the_air_since_the_pour_counts() -> None:
    warm, cold = rooms()
    time, temp, _ = along([(epoch(0), warm), (epoch(10), cold)], epoch(15))
    assert time[0] == epoch(15)
    assert set(temp) == {10.0}


def test_a_piece_carried_about_within_a_second_has_its_last_room_s_air() -> None:
    warm, cold = rooms()
    start = epoch(5)
    time, temp, _ = along([(start, warm), (start + 0.3, cold), (start + 0.4, warm), (start + 0.5, cold)], start)
    assert (np.diff(time) > 0).all()
    assert set(temp[time >= start + 0.5]) == {10.0}


def test_a_stay_noted_later_than_the_pour_reaches_back_to_it() -> None:
    warm, cold = rooms()
    time, temp, _ = along([(epoch(2), warm), (epoch(10), cold)], epoch(0))
    assert (time[0], temp[0]) == (epoch(0), 20.0)


@pytest.mark.parametrize(("pour", "expected"), [(-30, 12.0), (60, 24.0), (6, 18.0)])
def test_before_the_first_reading_and_after_the_last_the_nearest_is_held(pour: float, expected: float) -> None:
    sloping = air((0, 12.0, 50.0), (12, 24.0, 50.0))
    _, temp, _ = along([(epoch(pour), sloping)], epoch(pour))
    assert temp[0] == pytest.approx(expected)
