"""The time step itself: exact solutions of diffusion, its order, its balance, and the factorised Jacobian."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.optimize import brentq

from curewatch.physics import air
from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver import rosenbrock
from curewatch.physics.solver.integrator import integrate
from curewatch.physics.solver.kinetics import Kinetics
from curewatch.physics.solver.rosenbrock import Bands, RightSide, Shifted, attempt, error, next_step
from tests.core.data import table


@dataclass
class Slab:
    """Constant D = 1 through a depth of 1, sealed below; the surface loses `biot` times its cell's value.

    `biot` holds one value a film. Both volatiles are the same unknown.
    """

    grid: Grid
    biot: Array

    def __post_init__(self) -> None:
        share = self.grid.share[:, 0]
        self.conduct = (2 / (share[:-1] + share[1:]))[:, None, None]
        # the surface lies half a cell above the middle of the top one
        self.exchange = 1 / (1 / self.biot + share[-1] / 2) * np.ones((2, 1))

    def rates(self, u: Array) -> Rates:
        flux = self.conduct * (u[:-1] - u[1:])
        loss = self.exchange * u[-1]
        inflow = np.concatenate([np.zeros_like(loss)[None], flux])
        change = (inflow - np.concatenate([flux, loss[None]])) / self.grid.share[:, :, None]
        slope = np.zeros((2, *loss.shape))
        slope[[0, 1], [0, 1]] = self.exchange
        return Rates(change, loss, slope)

    def bands(self) -> Bands:
        width, films = self.grid.share[:, :, None], np.ones((2, len(self.biot)))
        out = np.concatenate([self.conduct * films, self.exchange[None]])
        back = self.conduct * films
        diagonal = -out
        diagonal[1:] -= back
        return Bands(diagonal / width, out[:-1] / width[1:], back / width[:-1], np.zeros_like(films))


@dataclass
class Rates:
    change: Array
    loss: Array
    loss_slope: Array


def remaining(slab: Slab, until: float, rtol: float = 1e-4) -> tuple[Array, Array]:
    """Mean of what is left at `until`, and what was lost, with the marcher's own step control."""
    grid, n = slab.grid, len(slab.biot)
    weight = np.full((grid.cells, 1, 1), 1 / grid.cells)
    u, lost, tau, t = np.ones((grid.cells, 2, n)), np.zeros((2, n)), np.full(n, 1e-6), np.zeros(n)
    failed = np.zeros(n, dtype=bool)
    while (t < until).any():
        step = np.minimum(tau, until - t)
        to = attempt(u, slab.rates(u), slab.bands(), step, slab.rates)
        found = error(u, to.correction, weight, rtol, rtol)
        ok = found <= 1
        tau, failed = next_step(np.maximum(step, 1e-9), found, ok, failed), ~ok
        u, lost, t = np.where(ok, to.u, u), lost + np.where(ok, to.lost, 0), np.where(ok, t + step, t)
        t[until - t < 1e-12] = until
    return (grid.share[:, :, None] * u).sum(0)[0], lost[0]


@pytest.mark.parametrize(
    ("grid", "tolerance", "at_the_end"),
    [
        (Grid.graded(20, ratio=1.0), 0.01, 0.01),
        (Grid.graded(20), 0.01, 0.02),  # coarse cells at the bottom: of the tenth that is left at Fo 1
        (Grid.graded(80), 0.005, 0.005),
    ],
)
@pytest.mark.parametrize("fourier", [0.1, 0.2, 0.5, 1.0])
def test_drying_of_a_slab_as_crank_and_newman_have_it(
    fourier: float, grid: Grid, tolerance: float, at_the_end: float
) -> None:
    cases = [row for row in table("crank_slab") if row["fo"] == fourier]
    left, _ = remaining(Slab(grid, np.array([row["l"] for row in cases])), fourier)
    expected = np.array([row["left"] for row in cases])
    # what so few cells leave, most of all where only a tenth is left; the table has four digits
    assert left == pytest.approx(expected, rel=tolerance if fourier < 1 else at_the_end)


def test_half_time_of_a_slab_sealed_on_one_side() -> None:
    """0.196731 l^2/D (Crank 1975)."""
    left, _ = remaining(Slab(Grid.graded(80), np.array([1e9])), 0.196731)
    assert float(left[0]) == pytest.approx(0.5, rel=0.005)


@pytest.mark.parametrize("row", table("crank_roots"))
def test_the_slowest_decay_is_the_first_root(row: dict[str, float]) -> None:
    """Late on, what is left falls as exp(-beta^2 Fo) with beta tan beta = L."""
    beta = brentq(lambda b: b * np.tan(b) - row["l"], 1e-6, np.pi / 2 - 1e-9, xtol=1e-12)
    assert beta == pytest.approx(row["beta"], abs=1e-6)
    slab, begin = Slab(Grid.graded(80), np.array([row["l"]])), 0.5
    early, late = (float(remaining(slab, at)[0][0]) for at in (begin, begin + 1 / beta**2))
    assert np.log(early / late) == pytest.approx(1.0, rel=0.005)


def test_the_balance_of_a_slab_closes() -> None:
    left, lost = remaining(Slab(Grid.graded(), np.array([0.1, 1.0, 10.0, 1e9])), 0.5)
    assert left + lost == pytest.approx(1.0, abs=1e-12)  # rounding of some hundred steps


def after(u: Array, kinetics: Kinetics, t_air: Array, p_air: Array, step: float, steps: int) -> Array:
    """`steps` fixed steps, none judged. The balance is solved to the end: the marcher's lags by up to 0.1 K."""

    def settled(v: Array) -> RightSide:
        t_film = t_air - 1.0
        for _ in range(4):
            here = kinetics.rates(v, t_air, p_air, t_film)
            t_film = here.balance.t_film
        return here

    for _ in range(steps):
        here = settled(u)
        u = attempt(u, here, kinetics.bands(here), np.full(1, step), settled).u
    return u


@pytest.mark.parametrize("hours", [2.0, 10.0, 100.0])
def test_half_the_step_leaves_a_quarter_of_the_error(hours: float) -> None:
    """Order two on the film itself over one hour: wet, near packing, and drying through its skin. The Jacobian leaves
    the coupling of the volatiles out, so this shows as well that the order does not need it. (From the forming of the
    skin on that coupling is stiff in the top cell: the observed order sinks to 1.6 at 16 h, and to 1.2 at 30 h, where
    the error is 2e-8.)"""
    films, grid = Films.of(1.2e-3), Grid.graded()
    state, _ = integrate(films, AirSeries.constant(294.15, 0.5), np.zeros(1, int), hours * 3600, rtol=1e-5, atol=1e-6)
    kinetics, t_air = Kinetics(films, grid), np.array([294.15])
    p_air = air.vapour_pressure(t_air, 0.5)
    exact = after(state.u, kinetics, t_air, p_air, 3600 / 1024, 1024)
    error_at = [float(np.abs(after(state.u, kinetics, t_air, p_air, 3600 / n, n) - exact).max()) for n in (8, 16, 32)]
    ratios = np.array(error_at[:-1]) / np.array(error_at[1:])
    assert ((ratios > 3.2) & (ratios < 5.0)).all(), error_at


def test_the_factorised_system_solves_the_full_one() -> None:
    """Against a dense solver, with water and glycol crossed in the surface cell."""
    rng, cells, n = np.random.default_rng(3), 7, 5
    diagonal, lower, upper = -rng.uniform(2, 3, (cells, 2, n)), *rng.uniform(0, 1, (2, cells - 1, 2, n))
    cross, shift, right = rng.uniform(-1, 1, (2, n)), rng.uniform(0, 10, n), rng.normal(size=(cells, 2, n))
    found = Shifted(Bands(diagonal.copy(), lower.copy(), upper.copy(), cross.copy()), shift).solve(right.copy())
    for film in range(n):
        dense = np.zeros((2 * cells, 2 * cells))
        for k in (0, 1):
            rows = np.arange(cells) * 2 + k
            dense[rows, rows] = diagonal[:, k, film]
            dense[rows[1:], rows[:-1]], dense[rows[:-1], rows[1:]] = lower[:, k, film], upper[:, k, film]
            dense[rows[-1], 2 * cells - 1 - k] = cross[k, film]
        exact = np.linalg.solve(np.eye(2 * cells) - shift[film] * dense, right[:, :, film].ravel())
        assert found[:, :, film].ravel() == pytest.approx(exact, rel=1e-9)


def test_an_error_that_is_no_number_is_infinite_and_shrinks_the_step() -> None:
    u = np.ones((3, 2, 1))
    weight = np.full((3, 1, 1), 1 / 3)
    found = error(u, np.full_like(u, np.nan), weight, 1e-3, 1e-3)
    assert np.isinf(found).all()
    step = next_step(np.ones(1), found, np.zeros(1, bool), np.zeros(1, bool))
    assert float(step[0]) == rosenbrock.SHRINK_MOST
