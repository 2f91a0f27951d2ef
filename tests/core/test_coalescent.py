"""The slow solvent by itself: its activity at a film's surface, and the derivatives that its step goes by."""

from __future__ import annotations

import numpy as np

from curewatch.physics.air import Array
from curewatch.physics.film import CHI_COALESCENT, Films, Grid
from curewatch.physics.solver.coalescent import Coalescent, activity

GRID = Grid.graded()


def test_its_activity_is_that_of_flory_and_huggins_and_never_beyond_the_pure_liquid() -> None:
    """ln a = ln v + (1 - v) + chi (1 - v)^2, v its share by volume; nearly so much of it as v exp(1 + chi) at first."""
    c = np.geomspace(1e-6, 50, 200)
    v = c / (1 + c)
    a, slope = activity(c)
    np.testing.assert_allclose(a, np.minimum(v * np.exp((1 - v) + CHI_COALESCENT * (1 - v) ** 2), 1), rtol=1e-12)
    numeric = (activity(c * (1 + 1e-6))[0] - activity(c * (1 - 1e-6))[0]) / (2e-6 * c)
    np.testing.assert_allclose(slope, numeric, atol=1e-6 * slope.max())


def test_its_step_knows_how_its_flow_changes_with_it() -> None:
    """The bands of its system are what a hundred-thousandth more in a cell changes: to the square of that."""
    films = Films.of([0.3e-3, 1.2e-3], 0.3, 0.03, coalescent=[0.02, 0.1])
    held = np.random.default_rng(5).uniform(0.02, 0.3, (GRID.cells, 2))
    step = Coalescent(films, GRID)

    def change(value: Array) -> Array:
        step.holds(value)
        step.flows(1 / (1.4 + value) ** 2, np.full(2, 294.0), np.full(2, 3e-3))
        return step._change

    def by_cell(k: int) -> Array:
        little = np.zeros_like(held)
        little[k] = 1e-5
        return (change(held + little) - change(held - little)) / 2e-5

    found = np.array([by_cell(k) for k in range(GRID.cells)])  # (by cell, of cell, films)
    change(held)
    bands, at = step._bands(), np.arange(GRID.cells - 1)
    size = np.abs(found).max()
    np.testing.assert_allclose(np.moveaxis(found.diagonal(), 0, 1) / size, bands.diagonal / size, atol=1e-8)
    np.testing.assert_allclose(found[at, at + 1] / size, bands.lower / size, atol=1e-8)
    np.testing.assert_allclose(found[at + 1, at] / size, bands.upper / size, atol=1e-8)
