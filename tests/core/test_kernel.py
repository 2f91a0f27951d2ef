"""The compiled integration against the plain one of NumPy, over random films, rooms, supports, turns and restarts.

The bound on milestones is that of their statement, a thousandth: seven times less than what either is off by (RTOL).
What differs is rounding: NumPy's diffusivities are in single precision, which now and then accepts another step.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver import kernel
from curewatch.physics.solver.integrator import integrate
from curewatch.physics.solver.monitor import Stalled
from curewatch.physics.solver.state import CheckpointRecorder, State
from tests.thorough import THOROUGH
from tests.ways import by_numpy, must_be_built

DAY, HOUR = 86400.0, 3600.0
GRID = Grid.graded()


@pytest.fixture(autouse=True, scope="module")
def built() -> None:
    must_be_built()


def films(rng: np.random.Generator, n: int) -> Films:
    """Anything that can be poured: 0.1-4 mm, with and without glycol, sealed, raw and canvas, still and fanned."""
    some = rng.random((3, n)) < 0.5
    made = Films.of(
        10 ** rng.uniform(-4, -2.4, n),
        rng.uniform(0.2, 0.5, n),
        np.where(some[0], rng.uniform(0, 0.15, n), 0.0),
        side=rng.uniform(0.05, 1.5, n),
        air_speed=10 ** rng.uniform(-1.3, 0, n),
        h_back=rng.uniform(0, 30, n),
        d0=1.5e-12 * np.exp(0.5 * rng.standard_normal(n)),
        g0=6e-14 * np.exp(0.8 * rng.standard_normal(n)),
        mfft=283.15 + 1.5 * rng.standard_normal(n),
        air_temp_off=0.3 * rng.standard_normal(n),
        air_rh_off=0.02 * rng.standard_normal(n),
        sink_m=np.where(some[1], 3e-4, 0.0),
        sink_rate=np.where(some[1], 2e-8, 0.0),
        back_loss=np.where(some[2], 5e-5, 0.0),
    )
    turns = np.sort(rng.uniform(HOUR, 10 * DAY, (2, n)), axis=0)
    turns = np.where(rng.random((2, n)) < 0.5, np.inf, turns)
    return replace(made, speed_change_s=np.sort(turns, axis=0), changed_speed=10 ** rng.uniform(-1.3, 0, (2, n)))


def rooms(rng: np.random.Generator, days: int) -> AirSeries:
    """One steady, one with nights, one that jumps and freezes."""
    hours = np.arange(days * 24) * HOUR
    wave = np.sin(hours / DAY * 2 * np.pi)
    steps = np.repeat(rng.uniform(-6, 12, days), 24)
    return AirSeries(
        [
            (hours, np.full(len(hours), 294.15), np.full(len(hours), 0.5)),
            (hours + 7.0, 290 + 5 * wave + rng.normal(0, 0.2, len(hours)), np.clip(0.6 - 0.2 * wave, 0, 1)),
            (hours[::3], 273.15 + steps[::3], np.clip(0.5 + 0.04 * steps[::3], 0.02, 1)),
        ]
    )


def by_both(*given: object, **more: object) -> tuple[tuple[State, dict[str, Array]], tuple[State, dict[str, Array]]]:
    compiled = integrate(*given, **more)  # type: ignore[arg-type]
    with pytest.MonkeyPatch.context() as patch:
        by_numpy(patch)
        return compiled, integrate(*given, **more)  # type: ignore[arg-type]


def assert_same(found: State, plain: State, within: float = 1e-3) -> None:
    np.testing.assert_array_equal(np.isfinite(found.reached), np.isfinite(plain.reached))
    there = np.isfinite(plain.reached)
    np.testing.assert_allclose(found.reached[there], plain.reached[there], rtol=within)


SEEDS = st.integers(0, 2**32 - 1)


@given(SEEDS, st.integers(15, 40))
@settings(max_examples=2 * THOROUGH, deadline=None)
def test_milestones_and_what_is_left_are_those_of_numpy(seed: int, n: int) -> None:
    rng = np.random.default_rng(seed)
    some, air, room = films(rng, n), rooms(rng, 12), rng.integers(0, 3, n)
    times = np.sort(rng.uniform(0, 12 * DAY, 30))
    (found, at), (plain, plain_at) = by_both(
        some, air, room, 12 * DAY, sample_at=times, stop_when_ready=bool(seed % 2), sampled=rng.random(n) < 0.7
    )
    assert_same(found, plain)
    same = found.t == plain.t  # one that is ready ends with its own step, which may be another
    assert same.mean() > 0.5 or seed % 2
    np.testing.assert_allclose(found.u[..., same], plain.u[..., same], rtol=3e-3, atol=1e-3)
    for one in ("volatile_fraction", "surface", "bottom"):
        np.testing.assert_array_equal(np.isnan(at[one]), np.isnan(plain_at[one]))
        np.testing.assert_allclose(at[one], plain_at[one], atol=3e-3)
    np.testing.assert_allclose(at["film_temperature"], plain_at["film_temperature"], atol=0.3)  # between two looks


@given(SEEDS)
@settings(max_examples=10, deadline=None)
def test_no_volatile_is_lost_or_made(seed: int) -> None:
    rng = np.random.default_rng(seed)
    some = films(rng, 12)
    end, _ = integrate(some, rooms(rng, 20), rng.integers(0, 3, 12), 20 * DAY, stop_when_ready=False)
    inside = (GRID.share[:, None] * end.u).sum(0)
    np.testing.assert_allclose(inside + end.lost, [some.water, some.glycol], rtol=1e-9, atol=1e-12)


@given(SEEDS)
@settings(max_examples=10, deadline=None)
def test_a_film_does_not_depend_on_its_company_nor_on_where_it_was_kept(seed: int) -> None:
    """Alone, amid others and from a kept state: the same to the last digit."""
    rng = np.random.default_rng(seed)
    n = 11
    some, air, room = films(rng, n), rooms(rng, 30), rng.integers(0, 3, n)
    kept = CheckpointRecorder(
        np.where(rng.random(n) < 0.8, rng.uniform(DAY, 9 * DAY, n), -np.inf), State.poured(some, GRID)
    )
    together, _ = integrate(some, air, room, 30 * DAY, recorder=kept)
    for i in rng.choice(n, 3, replace=False):
        one = np.array([i])
        alone, _ = integrate(
            some.take(one), air, room[one], 30 * DAY,
            recorder=CheckpointRecorder(np.full(1, -np.inf), State.poured(some.take(one), GRID)),
        )  # fmt: skip
        np.testing.assert_array_equal(alone.reached[:, 0], together.reached[:, i])
        np.testing.assert_array_equal(alone.u[..., 0], together.u[..., i])
    recorder = CheckpointRecorder(np.full(n, -np.inf), kept.state)
    resumed, _ = integrate(some, air, room, 30 * DAY, state=kept.state, recorder=recorder)
    np.testing.assert_allclose(resumed.reached, together.reached, rtol=1e-9)


def test_any_number_of_threads_comes_to_the_same_to_the_last_digit(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(11)
    n = 5 * kernel.WORTH_A_THREAD
    some, air, room = films(rng, n), rooms(rng, 8), rng.integers(0, 3, n)
    times, keep_at = np.linspace(0, 8 * DAY, 9), rng.uniform(DAY, 8 * DAY, n)
    ends = []
    for cores in (1, 2, 5):
        monkeypatch.setattr(kernel.library(), "cores", lambda cores=cores: cores)
        recorder = CheckpointRecorder(keep_at, State.poured(some, GRID))
        end, seen = integrate(some, air, room, 8 * DAY, sample_at=times, recorder=recorder)
        ends.append([*vars(end).values(), *seen.values(), *vars(recorder.state).values()])
    for of_many in ends[1:]:
        for found, alone in zip(of_many, ends[0], strict=True):
            np.testing.assert_array_equal(found, alone)


@pytest.mark.parametrize("cores", [1, 3])
def test_of_films_that_are_stuck_the_first_is_named(cores: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    some = films(rng, 4 * kernel.WORTH_A_THREAD)
    some.solids_m[[70, 31, 100]] = np.nan
    monkeypatch.setattr(kernel.library(), "cores", lambda: cores)
    with pytest.raises(Stalled, match=r"film 31 is stuck after \d+ steps at 0 s"):
        integrate(some, rooms(rng, 3), np.zeros(len(some), dtype=int), 3 * DAY)


@given(SEEDS)
@settings(max_examples=THOROUGH, deadline=None)
def test_states_that_numpy_kept_are_gone_on_with(seed: int) -> None:
    """A store moved from a machine without a compiler to one with it."""
    rng = np.random.default_rng(seed)
    some, air, room = films(rng, 24), rooms(rng, 10), rng.integers(0, 3, 24)
    with pytest.MonkeyPatch.context() as patch:
        by_numpy(patch)
        half, _ = integrate(some, air, room, rng.uniform(DAY, 4 * DAY))
        plain, _ = integrate(some, air, room, 10 * DAY, state=half)
    found, _ = integrate(some, air, room, 10 * DAY, state=half)
    assert_same(found, plain)


def test_it_takes_the_films_that_it_knows_all_of() -> None:
    mixed = Films.of(1e-3, 0.3, 0.03, coalescent=[0.0, 0.02, 0.0], front=[False, False, True])
    assert kernel.served(mixed, GRID).tolist() == [0]


@pytest.mark.parametrize("name", ["solids_m", "d0", "packing", "air_speed", "side", "mfft", "back_loss"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -1.0])
def test_what_cannot_be_ends_and_touches_no_other_film(name: str, value: float) -> None:
    """NaN, infinity and negative parameters: it stalls or ends, within its steps, and the film beside it is as ever."""
    rng = np.random.default_rng(5)
    some = films(rng, 3)
    good, _ = integrate(some, rooms(rng, 5), np.arange(3), 5 * DAY)
    getattr(some, name)[1] = value
    rng = np.random.default_rng(5)
    films(rng, 3)
    with contextlib.suppress(Stalled):
        found, _ = integrate(some, rooms(rng, 5), np.arange(3), 5 * DAY)
        for i in (0, 2):
            np.testing.assert_array_equal(found.reached[:, i], good.reached[:, i])
