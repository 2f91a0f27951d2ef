"""The march at the corners of what a pour and a room can be: it ends, with numbers, or with a clear error."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver import integrator as marching
from curewatch.physics.solver import monitor
from curewatch.physics.solver.integrator import integrate
from curewatch.physics.solver.monitor import Stalled
from tests.core.plain_model import DAY, HOUR
from tests.ways import way as way

pytestmark = pytest.mark.usefixtures("way")

GRID = Grid.graded()
ROOM = AirSeries.constant(294.15, 0.5)


def room(count: int) -> NDArray[np.intp]:
    return np.zeros(count, dtype=np.intp)


@settings(deadline=None, max_examples=4, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_no_film_in_no_air_hangs_or_loses_its_numbers(seed: int, changing: bool) -> None:
    """The corners of what a pour and a room can be: -20..45 °C, 1..100 %, 20 µm..10 mm, with and without glycol."""
    rng, n = np.random.default_rng(seed), 8

    def spread(low: float, high: float) -> Array:
        return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), n)))

    films = Films.of(
        spread(20e-6, 10e-3), rng.uniform(0.1, 0.6, n), rng.choice([0, 1e-4, 0.03, 0.12], n), side=spread(0.02, 5),
        air_speed=spread(0.05, 5), h_back=rng.choice([0, 5, 20, 500.0], n),
        d0=1.5e-12 * np.exp(rng.normal(size=n)), g0=6e-14 * np.exp(1.5 * rng.normal(size=n)),
    )  # fmt: skip
    time = np.arange(0, 30.0) * HOUR if changing else np.zeros(1)
    series = AirSeries(
        [
            (time, rng.uniform(253.15, 318.15, len(time)), rng.choice([0.01, 0.3, 0.6, 0.97, 1.0], len(time)))
            for _ in range(3)
        ]
    )
    state, _ = integrate(films, series, rng.integers(0, 3, n), 20 * DAY, stop_when_ready=False)
    assert (state.t == 20 * DAY).all()
    for name in ("u", "age", "lost", "t_film", "step"):
        assert np.isfinite(getattr(state, name)).all(), name
    assert (state.u >= 0).all()
    off = (GRID.share[:, None] * state.u).sum(0) + state.lost - np.stack([films.water, films.glycol])
    assert np.abs(off).max() < 1e-6


def test_films_without_water_or_without_glycol() -> None:
    films = Films.of(1e-3, [1.0, 0.9, 0.5], [0.0, 0.1, 0.0])
    state, _ = integrate(films, ROOM, room(3), 60 * DAY, stop_when_ready=False)
    assert np.isfinite(state.u).all()
    assert (state.reached[:3] < 60 * DAY).all()


def test_a_film_in_saturated_air_gains_water() -> None:
    films = Films.of(0.5e-3, 0.5, 0.05)
    state, _ = integrate(films, AirSeries.constant(294.15, 1.0), room(1), 10 * DAY)
    assert (GRID.share * state.u[:, 0]).sum() > films.water[0]


def test_a_film_that_makes_no_progress_is_an_error_not_a_hang(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(monitor, "ATTEMPTS", 5)
    monkeypatch.setattr(monitor, "PROGRESS_S", 1e6)
    with pytest.raises(
        Stalled, match=r"film 1 is stuck after 5 steps at .* in air of 294\.15 K, 0\.500: step .*solids_m"
    ):
        integrate(Films.of([1e-3, 2e-3]).take(np.array([0, 1])), ROOM, room(2), np.array([1.0, 60 * DAY]))


@pytest.mark.parametrize(("tolerance", "days"), [(marching.FINE, 10), ((marching.RTOL, marching.ATOL), 60)])
def test_a_restless_room_takes_many_steps_and_is_no_reason_to_give_up(
    tolerance: tuple[float, float], days: int
) -> None:
    """Ten degrees and 30 %RH from noon to midnight and back, for weeks on end."""
    hours = np.arange(0, days * 24 + 1, 12.0)
    swing = np.where(np.arange(len(hours)) % 2, -1.0, 1.0)
    restless = AirSeries([(hours * 3600, 295 + 5 * swing, 0.65 - 0.15 * swing)])
    films = Films.of([0.77e-3, 3e-3], [0.3531, 0.35], [0.0205, 0.06])
    rtol, atol = tolerance
    state, _ = integrate(films, restless, room(2), days * DAY, rtol=rtol, atol=atol, stop_when_ready=False)
    assert (state.t == days * DAY).all()
    assert np.isfinite(state.u).all()


def test_the_air_far_from_any_room_is_refused() -> None:
    with pytest.raises(ValueError, match=r"temperature must lie in 173\.15\.\.473\.15 K, got 21 K"):
        AirSeries.constant(21.0, 0.5)
    with pytest.raises(ValueError, match=r"humidity must lie in 0\.\.1, got 50"):
        AirSeries.constant(294.15, 50.0)


def test_means_of_a_series_are_its_integrals() -> None:
    """Across knots, outside the record, and room by room, against a fine sum."""
    series = AirSeries(
        [
            ([0.0, 3600, 10_000], [280.0, 300, 290], [0.2, 0.8, 0.5]),
            ([-500.0, 2000], [270.0, 275], [0.9, 0.1]),
        ]
    )
    begin = np.array([-2000.0, 100, 3000, 9000, -1000, 500, 1e5])
    width = np.array([9000.0, 5000, 300, 5000, 400, 8000, 77])
    which = np.array([0, 0, 0, 0, 1, 1, 1])
    temp, humid = series.mean(begin, width, which)
    for i in range(len(begin)):
        moments = begin[i] + (np.arange(20_000) + 0.5) / 20_000 * width[i]
        expected = series.at(moments, np.full(20_000, which[i]))
        assert temp[i] == pytest.approx(expected[0].mean(), rel=1e-6)
        assert humid[i] == pytest.approx(expected[1].mean(), rel=1e-6)
