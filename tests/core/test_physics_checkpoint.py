"""States kept on the way of a march: going on from them is going on with the march, whatever the air is afterwards."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver.integrator import integrate
from curewatch.physics.solver.state import CheckpointRecorder, State, pack, unpack
from tests.ways import way as way

pytestmark = pytest.mark.usefixtures("way")

GRID = Grid.graded()
HOUR = 3600.0
FILMS = Films.of(np.geomspace(2e-4, 3e-3, 12), np.linspace(0.2, 0.4, 12), 0.03, d0=np.geomspace(6e-13, 4e-12, 12))
ROOM = np.zeros(len(FILMS), dtype=np.intp)


def restless(hours: float, after: float = np.inf, warmer: float = 0.0) -> AirSeries:
    """A room read every ten minutes for so many hours, warmer by so much from `after` on."""
    time = np.arange(0.0, hours * HOUR + 1, 600.0)
    swing = np.sin(time / HOUR / 24 * 2 * np.pi) + 0.4 * np.sin(time / HOUR * 1.9)
    return AirSeries([(time, 294 + 2 * swing + warmer * (time / HOUR > after), 0.5 - 0.06 * swing)])


def go(series: AirSeries, hours: float, keep_h: float, state: State | None = None) -> tuple[State, State]:
    """The state at the end, and what was kept."""
    begin = State.poured(FILMS, GRID) if state is None else state
    recorder = CheckpointRecorder(np.full(len(FILMS), keep_h * HOUR), begin)
    end, _ = integrate(FILMS, series, ROOM, np.maximum(hours * HOUR, begin.t), state=begin, recorder=recorder)
    return end, recorder.state


def stored(state: State) -> State:
    return unpack(pack(state), len(state.t), GRID.cells)


@pytest.mark.parametrize("keep_h", [1.0, 17.0])
def test_what_is_kept_does_not_hang_on_the_air_that_comes_after(keep_h: float) -> None:
    kept = [go(restless(24, keep_h + 0.2, warmer), 24, keep_h)[1] for warmer in (0.0, 8.0, -9.0)]
    assert all((one.t <= keep_h * HOUR).all() for one in kept)
    for other in kept[1:]:
        for f in fields(State):
            np.testing.assert_array_equal(getattr(kept[0], f.name), getattr(other, f.name), f.name)


def test_going_on_from_what_was_kept_is_the_march_itself() -> None:
    """To what single precision holds: rounding is the same on both ways, and only the batch's width may differ."""
    whole, kept_late = go(restless(90), 90, 80)
    state: State | None = None
    for hours, keep_h in ((6, 5), (20, 19), (21, 19), (48, 47), (90, 80)):
        end, kept = go(restless(hours), hours, keep_h, state)
        state = stored(kept)
    np.testing.assert_allclose(end.reached, whole.reached, rtol=1e-6)
    np.testing.assert_allclose(end.u, whole.u, atol=1e-5)
    np.testing.assert_allclose(stored(kept_late).u, kept_late.u, rtol=1e-7)


def test_keeping_moves_no_milestone_by_more_than_the_march_is_good_for() -> None:
    """Rounding to single precision after each step, against none at all."""
    plain, _ = integrate(FILMS, restless(90), ROOM, 90 * HOUR)
    rounded, _ = go(restless(90), 90, 80)
    both = np.isfinite(plain.reached)
    assert (both == np.isfinite(rounded.reached)).all()
    assert float(np.abs(rounded.reached[both] / plain.reached[both] - 1).max()) < 1e-3


def test_a_film_that_is_done_before_its_moment_is_kept_as_it_ended() -> None:
    thin = Films.of(np.full(2, 3e-5), g0=6e-12)
    begin = State.poured(thin, GRID)
    recorder = CheckpointRecorder(np.array([2000 * HOUR, -np.inf]), begin)
    warm = AirSeries.constant(303, 0.4)
    end, _ = integrate(thin, warm, ROOM[:2], 3000 * HOUR, state=begin, recorder=recorder)
    assert np.isfinite(end.reached[:, 0]).all()
    assert recorder.state.t[0] == end.t[0] < 2000 * HOUR
    assert recorder.state.t[1] == 0.0, "nothing was to be kept of this one"


def test_packed_states_come_back_and_others_are_refused() -> None:
    _, kept = go(restless(9), 9, 8)
    again = stored(kept)
    for f in fields(State):
        column: Array = getattr(kept, f.name)
        exact = f.name in ("t", "stride", "since", "reached", "failed")
        np.testing.assert_array_equal(getattr(again, f.name), column if exact else column.astype(np.float32))
    packed = pack(kept)
    assert len(packed) < 300 * len(FILMS)
    with pytest.raises(ValueError, match="kept states of 11 films on 20 cells are "):
        unpack(packed, 11, GRID.cells)
    with pytest.raises(ValueError, match="cannot be read"):
        unpack(packed[:-9], len(FILMS), GRID.cells)
    assert pack(replace(kept, age=kept.age + 1)) != packed
