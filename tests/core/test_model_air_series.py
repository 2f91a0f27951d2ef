"""Rooms over time: the straight lines between knots, and how far a step may go."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics.air import UNIT_RH, UNIT_T, AirSeries
from tests.core.plain_model import Array

Room = tuple[Array, Array, Array]


@st.composite
def room_series(draw: st.DrawFn) -> list[Room]:
    """One to four rooms of unlike lengths and beginnings."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    rooms = []
    for _ in range(draw(st.integers(1, 4))):
        n = draw(st.integers(1, 12))
        time = rng.uniform(-1e6, 1e6) + np.cumsum(rng.uniform(1, 40_000, n))
        rooms.append((time, rng.uniform(255, 315, n), rng.uniform(0, 1, n)))
    return rooms


def moments(rooms: list[Room], count: int = 40) -> tuple[Array, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Times before, in and after the records, knots among them, and the room of each."""
    times, which = [], []
    for i, (time, _, _) in enumerate(rooms):
        spread = np.linspace(time[0] - 50_000, time[-1] + 50_000, count)
        times += [spread, time]
        which += [np.full(count + len(time), i)]
    return np.concatenate(times), np.concatenate(which)


@settings(deadline=None)
@given(rooms=room_series())
def test_a_room_is_straight_between_its_knots_and_flat_beyond(rooms: list[Room]) -> None:
    """As numpy.interp, to 1e-6 of a kelvin: times are shifted by up to a few years, in double precision."""
    series = AirSeries(rooms)
    assert series.rooms == len(rooms)
    time, room = moments(rooms)
    temp, rh = series.at(time, room)
    for i, (knots, temperatures, humidities) in enumerate(rooms):
        here = room == i
        np.testing.assert_allclose(temp[here], np.interp(time[here], knots, temperatures), atol=1e-6)
        np.testing.assert_allclose(rh[here], np.interp(time[here], knots, humidities), atol=1e-8)


@settings(deadline=None)
@given(rooms=room_series())
def test_no_step_passes_over_more_than_one_unit_of_change(rooms: list[Room]) -> None:
    """Travelled distance, not difference: a night between two like noons counts. Slack 1e-6 for rounding."""
    series = AirSeries(rooms)
    time, room = moments(rooms)
    end = series.next_change(time, room)
    assert (end > time).all()
    for now, then, i in zip(time, end, room, strict=True):
        knots, temperatures, humidities = rooms[i]
        inside = knots[(knots > now) & (knots < then)]
        path = np.concatenate([[now], inside, [min(then, knots[-1] + 1e6)]])
        moved = sum(
            np.abs(np.diff(np.interp(path, knots, values))).sum() / unit
            for values, unit in ((temperatures, UNIT_T), (humidities, UNIT_RH))
        )
        assert moved <= 1 + 1e-6


@settings(deadline=None)
@given(rooms=room_series())
def test_a_record_is_gone_through_in_few_steps(rooms: list[Room]) -> None:
    """No more steps than units of change, and one for each knot at most; after the last knot nothing changes."""
    series = AirSeries(rooms)
    for i, (knots, temperatures, humidities) in enumerate(rooms):
        units = np.abs(np.diff(temperatures)).sum() / UNIT_T + np.abs(np.diff(humidities)).sum() / UNIT_RH
        now, steps = knots[:1], 0
        while now[0] < knots[-1]:
            now = series.next_change(now, np.array([i]))
            steps += 1
        assert steps <= units + len(knots)
        assert np.isinf(series.next_change(np.array([knots[-1] + 10.0]), np.array([i])))[0]


def test_a_steady_room_never_changes() -> None:
    room = AirSeries.constant(294.15, 0.5)
    time, first = np.array([-1e9, 0.0, 1e9]), np.zeros(3, dtype=np.intp)
    np.testing.assert_array_equal(room.at(time, first)[0], 294.15)
    np.testing.assert_array_equal(room.at(time, first)[1], 0.5)
    assert np.isinf(room.next_change(time, first)).all()


def test_a_night_is_not_stepped_over() -> None:
    """From noon to noon nothing has changed, but 12 K and 0.4 lie between: at least 12 steps."""
    hours = np.arange(0, 25, 6) * 3600.0
    room = AirSeries([(hours, np.array([296.0, 293, 290, 293, 296]), np.array([0.4, 0.5, 0.6, 0.5, 0.4]))])
    now, steps = np.zeros(1), 0
    while now[0] < hours[-1]:
        now, steps = room.next_change(now, np.zeros(1, dtype=np.intp)), steps + 1
    assert steps >= 12


@pytest.mark.parametrize(
    ("temp_k", "rh", "steady"),
    [([294, 294], [0.5, 0.5], True), ([294, 294], [0.5, 0.8], False), ([294, 280], [0.5, 0.5], False)],
)
def test_air_is_steady_where_neither_of_its_quantities_ever_changes(
    temp_k: list[float], rh: list[float], steady: bool
) -> None:
    """What lies in steady air is integrated without another look at it."""
    flat = ([0.0, 9e4], [294.0, 294.0], [0.4, 0.4])
    assert AirSeries([flat, ([0.0, 9e4], temp_k, rh)]).steady is steady


@pytest.mark.parametrize(
    ("series", "says"),
    [
        ([], "at least one room"),
        ([([], [], [])], "equal lengths"),
        ([([0, 1], [294.0], [0.5, 0.5])], "equal lengths"),
        ([([0, 0], [294.0, 294.0], [0.5, 0.5])], "strictly increasing"),
        ([([1, 0], [294.0, 294.0], [0.5, 0.5])], "strictly increasing"),
        ([([0, 1], [294.0, np.nan], [0.5, 0.5])], "finite"),
        ([([0, np.inf], [294.0, 294.0], [0.5, 0.5])], "finite"),
        ([([0, 1], [294.15, 294.15], [-0.1, 0.5])], r"0\.\.1, got -0\.1"),
    ],
)
def test_a_series_that_is_none_is_refused(series: list[Room], says: str) -> None:
    with pytest.raises(ValueError, match=says):
        AirSeries(series)
