"""The lower side of a film: what a support soaks up and what leaves through its back.

Against SciPy's BDF on the same equations (written out once more here, on top of `plain_model`), against the symmetry of
a slab that dries on both sides (Crank 1975 sec. 4.3.6: it dries like half of it with one side sealed), by mass balance,
at the limits, and in its order: a support that takes water never keeps a film wet for longer.
"""

from __future__ import annotations

from itertools import pairwise
from math import exp

import numpy as np
import pytest
from scipy.integrate import OdeSolution, solve_ivp

from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver.integrator import FINE, integrate
from curewatch.physics.solver.state import State
from curewatch.physics.supports import BACKINGS, Bottom, back_conductance
from tests.core import plain_model
from tests.core.plain_model import DAY, HOUR, M_W, RHO_W, R, transfer

GRID = Grid.graded()
STILL = AirSeries.constant(294.15, 0.5)
RAW = (0.3e-3, 0.3e-3 / (4 * HOUR))
"""Capacity [m] and rate [m/s] of a support that soaks up water within hours."""


def sink_of(support: str) -> tuple[float, float]:
    return BACKINGS[support].sink_m, BACKINGS[support].sink_rate


def marched(films: Films, until: float, state: State | None = None, grid: Grid = GRID) -> State:
    rooms = np.zeros(len(films), dtype=np.intp)
    return integrate(films, STILL, rooms, until, grid=grid, state=state, rtol=FINE[0], atol=FINE[1])[0]


def left(films: Films, state: State, grid: Grid = GRID) -> Array:
    """Water and glycol still in the film (2, films) [m3 per m3 of solids]."""
    return np.asarray((grid.share[:, :, None] * state.u).sum(0))


# Against BDF


class Steps:
    """A dense solution without its last unknown, as `plain_model.Course` wants it."""

    def __init__(self, solution: OdeSolution) -> None:
        self._solution, self.ts = solution, solution.ts

    def __call__(self, time: Array | float) -> Array:
        return np.asarray(self._solution(time)[:-1])


def plainly(wet_m: float, sink: tuple[float, float], back_loss: float, until: float) -> tuple[dict[str, float], float]:
    """When milestones are reached [s], and what the support holds at the end [m], by BDF."""
    film = plain_model.Film(wet_m, 0.3, 0.03, plain_model.Plate(), GRID.share[:, 0].tolist())
    t_air, rh = 294.15, 0.5
    p_air = rh * plain_model.saturation_pressure(t_air)
    capacity, rate = sink
    width = film.shares[0] * wet_m * 0.3

    def change(_: float, y: Array) -> list[float]:
        state = np.maximum(y[:-1], 1e-12).tolist()
        dy = film.change(state, t_air, rh)
        w, g = state[0], state[1]
        p = 1 / (1 + w + g)
        paths = 1 / (1 + exp((p - 0.64) / 0.02))
        soaked = rate * max(1 - y[-1] / capacity, 0.0) * w * p * paths if capacity else 0.0
        t_film, _, _ = film.surface(state[-3], state[-2], t_air, rh)
        a_w = plain_model.activities(w, g)[0]
        vapour = a_w * plain_model.saturation_pressure(t_film) / t_film - p_air / t_air
        dy[0] -= (soaked + back_loss * M_W / R * vapour / RHO_W) / width
        return [*dy, soaked]

    size = len(film.initial) + 1
    near = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) <= 3
    near[-1, :2] = near[:2, -1] = True
    found = solve_ivp(
        change, (0.0, until), [*film.initial, 0.0], "BDF", dense_output=True, rtol=1e-5, atol=1e-7, first_step=1.0,
        jac_sparsity=near,
    )  # fmt: skip
    assert found.success
    course = plain_model.Course(film.shares, Steps(found.sol))  # type: ignore[arg-type]
    return {name: course.reached(name) for name in ("set", "touch_dry", "handle")}, float(found.y[-1, -1])


@pytest.mark.parametrize(
    ("sink", "back_loss"),
    [((0.0, 0.0), 5.5e-5), (RAW, 0.0), (RAW, 5.5e-5), (sink_of("hardboard"), 0.0), (sink_of("paper"), 0.0)],
    ids=["through the back", "into the support", "both", "hardboard", "paper"],
)
def test_an_open_bottom_dries_as_bdf_has_it(sink: tuple[float, float], back_loss: float) -> None:
    """Milestones within the 0.4 % that the march promises where it is fine, what was soaked up within 0.5 %."""
    until = 60 * HOUR
    expected, soaked = plainly(1.5e-3, sink, back_loss, until)
    films = Films.of(1.5e-3, sink_m=sink[0], sink_rate=sink[1], back_loss=back_loss)
    state = marched(films, until)
    for name, at in expected.items():
        assert state.reached[MILESTONES.index(name), 0] == pytest.approx(at, rel=0.004)
    assert float(state.soaked[0] * films.solids_m[0]) == pytest.approx(soaked, rel=0.005, abs=1e-9)


# Mass


def test_what_left_the_film_was_soaked_up_or_evaporated_and_no_more_than_there_was() -> None:
    """The books close to rounding, far within the 1e-6 asked of them; the support is never overfull."""
    rng = np.random.default_rng(5)
    n = 60
    films = Films.of(
        rng.uniform(0.2e-3, 4e-3, n), rng.uniform(0.2, 0.5, n), rng.uniform(0, 0.08, n),
        sink_m=rng.choice([0.0, 1e-5, 3e-4, 5e-3], n), sink_rate=10 ** rng.uniform(-9, -6, n),
        back_loss=rng.choice([0.0, 5e-5, 1e-2], n),
    )  # fmt: skip
    for until in (2 * HOUR, 20 * HOUR, 40 * DAY):
        state = marched(films, until)
        initial = np.stack([films.water, films.glycol])
        np.testing.assert_allclose(left(films, state) + state.lost, initial, atol=1e-9 * initial.max())
        assert (state.soaked * films.solids_m <= films.sink_m * (1 + 1e-3)).all()
        dry_behind = films.back_loss == 0
        assert (state.soaked <= state.lost[0] + 1e-9)[dry_behind].all()


def test_the_surface_accounts_for_what_the_support_did_not_take() -> None:
    """The sampled rate of evaporation, summed up, plus what was soaked up, plus what is left: all the water. At 1 %,
    for the rate is read off straight lines between the steps."""
    films = Films.of(1.5e-3, sink_m=RAW[0], sink_rate=RAW[1])
    times = np.linspace(0, 10 * HOUR, 600)
    state, samples = integrate(
        films, STILL, np.zeros(1, dtype=np.intp), times[-1], sample_at=times, rtol=1e-3, atol=1e-4
    )
    evaporated = np.trapezoid(samples["rate"][:, 0], times) / RHO_W / films.solids_m[0]
    water = left(films, state)[0, 0] + evaporated + state.soaked[0]
    assert water == pytest.approx(float(films.water[0]), rel=0.01)


# Limits


def test_a_back_that_breathes_or_soaks_is_open_and_every_other_sealed() -> None:
    backs = [(0.0, 0.0, 0.0), (0.0, 0.0, 5.5e-5), (*RAW, 0.0), (RAW[0], 0.0, 0.0)]
    films = [Films.of(1e-3, 0.3, 0.03, sink_m=sink, sink_rate=rate, back_loss=loss) for sink, rate, loss in backs]
    assert [Bottom.under(one) is not None for one in films] == [False, True, True, False]


def test_a_support_of_no_capacity_is_sealed_to_the_last_bit() -> None:
    sealed, none = Films.of([1e-3, 2e-3]), Films.of([1e-3, 2e-3], sink_m=0.0, sink_rate=1e-6)
    one, other = marched(sealed, 10 * DAY), marched(none, 10 * DAY)
    np.testing.assert_array_equal(one.reached, other.reached)
    np.testing.assert_array_equal(one.u, other.u)


def test_a_sealed_film_does_not_mind_an_open_one_beside_it() -> None:
    """Films of a batch share no step: the same to rounding."""
    alone = marched(Films.of(1.2e-3), 10 * DAY)
    beside = marched(Films.of(1.2e-3, sink_m=[0.0, 3e-4], sink_rate=[0.0, 2e-8], back_loss=[0.0, 1e-4]), 10 * DAY)
    np.testing.assert_allclose(beside.reached[:, 0], alone.reached[:, 0], rtol=1e-9)


def test_a_tiny_store_is_as_good_as_none() -> None:
    one = marched(Films.of(1.2e-3), 10 * DAY)
    other = marched(Films.of(1.2e-3, sink_m=1e-9, sink_rate=1e-8), 10 * DAY)
    # the march at FINE keeps times to 0.25 %
    np.testing.assert_allclose(other.reached[:3], one.reached[:3], rtol=0.003)
    # it fills up as an exponential does, and is not quite full
    assert float(other.soaked[0]) * 0.3 * 1.2e-3 == pytest.approx(1e-9, rel=0.01)


def test_a_film_open_on_both_sides_dries_like_half_of_it_on_a_sealed_support() -> None:
    """Film and air at one temperature (a heat bath behind it), so that both sides are alike; even cells, so that
    neither is resolved better. At 1 %: the tolerance of a model's exact solutions at few cells."""
    even = Grid.graded(40, 1.0)
    bath = {"h_back": 5000.0, "d0": 1e-11}
    whole = Films.of(2e-3, back_loss=transfer(294.15, 0.1, 0.25)[0], glycol=0.0, **bath)
    half = Films.of(1e-3, glycol=0.0, **bath)
    for until in (2 * HOUR, 5 * HOUR, 8 * HOUR):
        a, b = marched(whole, until, grid=even), marched(half, until, grid=even)
        share_whole, share_half = (left(f, s, even)[0, 0] / f.water[0] for f, s in ((whole, a), (half, b)))
        assert share_whole == pytest.approx(share_half, rel=0.01)
        np.testing.assert_allclose(a.u[:, 0, 0], a.u[::-1, 0, 0], rtol=0.02)


def test_a_march_in_two_legs_fills_the_support_as_one_does() -> None:
    films = Films.of(1.5e-3, sink_m=RAW[0], sink_rate=RAW[1], back_loss=5e-5)
    whole = marched(films, 30 * HOUR)
    legs = marched(films, 30 * HOUR, state=marched(films, 5 * HOUR))
    # the stop costs steps of another length, each to FINE's tolerance of 1e-3
    assert float(legs.soaked[0]) == pytest.approx(float(whole.soaked[0]), rel=1e-3)
    np.testing.assert_allclose(left(films, legs), left(films, whole), rtol=2e-3)


# Order


def reached_by(glycol: Array, **opened: float) -> Array:
    rng = np.random.default_rng(11)
    n = len(glycol)
    films = Films.of(rng.uniform(0.2e-3, 3e-3, n), rng.uniform(0.2, 0.45, n), glycol, **opened)
    return marched(films, 300 * DAY).reached


def test_a_support_that_soaks_never_keeps_a_film_wet_for_longer() -> None:
    """Packed, touch-dry and dry to handle, at the march's 0.25 % where it is fine. Varnish-ready hangs on the glycol,
    which leaves a film that packed sooner a little later: at most 2 %."""
    glycol = np.random.default_rng(12).uniform(0, 0.06, 50)
    reached = [reached_by(glycol, sink_m=6e-4 * much, sink_rate=4e-8 * much) for much in (0.0, 0.3, 1.0)]
    for less, more in pairwise(reached):
        assert (more[:3] <= less[:3] * 1.0025).all()
        assert (more[3] <= less[3] * 1.02).all()
    assert np.median(reached[2][0] / reached[0][0]) < 0.95


def test_a_back_that_breathes_dries_water_sooner_and_glycol_no_sooner() -> None:
    """Without slow solvent every milestone is sooner. With it packing still is; but a bottom that has lost its water
    lets the glycol through more slowly, and a film rich in it may wait longer until it is dry to handle."""
    none, some = np.zeros(50), np.random.default_rng(12).uniform(0, 0.06, 50)
    for glycol, rows in ((none, 4), (some, 1)):
        reached = [reached_by(glycol, back_loss=2e-4 * much) for much in (0.0, 0.3, 1.0)]
        for less, more in pairwise(reached):
            assert (more[:rows] <= less[:rows] * 1.0025).all()
        assert np.median(reached[2][0] / reached[0][0]) < 0.95


def test_bad_numbers_are_refused() -> None:
    with pytest.raises(ValueError, match="bottom"):
        Films.of(1e-3, back_loss=-1e-5)


# The supports


def test_a_canvas_with_no_resistance_of_its_own_has_that_of_the_air() -> None:
    assert back_conductance(0.0, 2e-3) == pytest.approx(2e-3)
    assert back_conductance(1e6, 2e-3) == pytest.approx(2.475e-5 / 1e6, rel=0.04)  # D as tabulated, 4 %


def test_supports_come_in_their_order() -> None:
    """What soaks up water dries sooner, the quicker it does; then what the table warms, then what stands clear of it,
    last what the air shut in under a cradle keeps from the table's warmth."""
    for names in (("paper", "hardboard", "canvas-panel", "panel", "cradled-panel"), ("raw-panel", "canvas", "panel")):
        films = [Films.of(1.5e-3, **vars(BACKINGS[name])) for name in names]
        packed = [float(marched(one, 3 * DAY).reached[0, 0]) for one in films]
        assert packed == sorted(packed)
    assert packed[1] / packed[2] == pytest.approx(0.97, abs=0.02)  # a primed canvas breathes a little
    assert 0.5 < float(marched(films[0], 3 * DAY).soaked[0] * films[0].solids_m[0]) / 0.3e-3 <= 1.001
