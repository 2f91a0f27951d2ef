"""The right-hand side of a whole batch against the plain model, and the laws that test_physics_film.py leaves."""

from __future__ import annotations

from math import exp

import numpy as np
import pytest

from curewatch.physics import air, film
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver.kinetics import Kinetics
from tests.core import plain_model
from tests.core.plain_model import Array

GRID = Grid.graded()
SHARES = GRID.share[:, 0].tolist()
N = 48


class Scene:
    """Random films in random states and rooms, none with its surface near the corner of its activity."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        wet, solids, glycol = rng.uniform(5e-5, 5e-3, N), rng.uniform(0.1, 0.6, N), rng.uniform(0, 0.12, N)
        speed, side = 10 ** rng.uniform(-1.3, 0.7, N), 10 ** rng.uniform(-1.7, 0.7, N)
        h_back = rng.uniform(0, 500, N)
        self.films = Films.of(wet, solids, glycol, side=side, air_speed=speed, h_back=h_back)
        self.plain = [
            plain_model.Film(w, s, g, plain_model.Plate(v, length, h), SHARES)
            for w, s, g, v, length, h in zip(wet, solids, glycol, speed, side, h_back, strict=True)
        ]
        self.t_air, self.rh = rng.uniform(275, 312, N), rng.uniform(0.05, 0.99, N)
        self.u = np.empty((GRID.cells, 2, N))
        self.u[:, 0] = 10 ** rng.uniform(-2.5, 0.5, (GRID.cells, N))
        self.u[:, 1] = 10 ** rng.uniform(-2.5, -0.3, (GRID.cells, N))
        for i in range(N):
            while abs(corner_gap(*self.u[-1, :, i])) < 0.1:
                self.u[-1, :, i] = 10 ** rng.uniform(-2.5, 0.5), 10 ** rng.uniform(-2.5, -0.3)

    @property
    def p_air(self) -> Array:
        return air.vapour_pressure(self.t_air, self.rh)

    def plain_temperature(self, i: int) -> float:
        w, g = self.u[-1, :, i].tolist()
        return self.plain[i].surface(w, g, self.t_air[i], self.rh[i])[0]

    def plain_change(self, i: int) -> Array:
        """(cells, 2)"""
        dy = self.plain[i].change([*self.u[:, :, i].ravel().tolist(), 0.0], self.t_air[i], self.rh[i])
        return np.reshape(dy[:-1], (-1, 2))


def corner_gap(w: float, g: float) -> float:
    """Flory-Huggins water activity over that of the free liquid: which branch holds, and by how much."""
    phi_w = w / (1 + w + g)
    moles_w, moles_g = w * 998 / 0.01801528, g * 1036 / 0.076095
    return phi_w * exp((1 - phi_w) + 2.6 * (1 - phi_w) ** 2) - moles_w / (moles_w + moles_g)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return Scene(seed=11)


def test_right_hand_side_is_the_printed_one(scene: Scene) -> None:
    """0.02 %: both start from the same film temperature, and so far from its corner a_w is rounded by 1e-5 at most."""
    guess = np.array([scene.plain_temperature(i) for i in range(N)])
    found = Kinetics(scene.films, GRID).rates(scene.u, scene.t_air, scene.p_air, guess)
    np.testing.assert_allclose(found.balance.t_film, guess, atol=2e-3)
    for i in range(N):
        np.testing.assert_allclose(found.change[..., i], scene.plain_change(i), rtol=2e-4, atol=1e-16)


def test_what_leaves_the_surface_is_what_the_film_loses(scene: Scene) -> None:
    found = Kinetics(scene.films, GRID).rates(scene.u, scene.t_air, scene.p_air)
    inside = (GRID.share[:, None] * found.change).sum(0) * scene.films.solids_m
    scale = np.abs(GRID.share[:, None] * found.change).sum(0) * scene.films.solids_m
    assert np.abs((inside + found.loss) / scale).max() < 1e-12


def test_slope_of_water_leaving_is_a_finite_difference(scene: Scene) -> None:
    """5 % of the larger of the two slopes: as in the energy balance, transfer coefficients are held."""
    slope = Kinetics(scene.films, GRID).rates(scene.u, scene.t_air, scene.p_air).loss_slope
    for i in range(N):
        w, g = scene.u[-1, :, i].tolist()

        def loss(w: float, g: float, i: int = i) -> float:
            return scene.plain[i].surface(w, g, scene.t_air[i], scene.rh[i])[1]

        by_w = (loss(w * 1.001, g) - loss(w * 0.999, g)) / (0.002 * w)
        by_g = (loss(w, g * 1.001) - loss(w, g * 0.999)) / (0.002 * g)
        allowed = 0.05 * max(abs(by_w), abs(by_g)) + 1e-3 * slope[0, :, i].max()
        assert slope[0, 0, i] == pytest.approx(by_w, abs=allowed)
        assert slope[0, 1, i] == pytest.approx(by_g, abs=allowed)


def test_water_activity_switches_branch_as_the_liquid_goes() -> None:
    """Fresh paint has free liquid (Raoult); a film of 2 % water follows Flory-Huggins, far below one."""
    fresh_w, fresh_g = 2.23, 0.1
    moles_w, moles_g = fresh_w * 998 / 0.01801528, fresh_g * 1036 / 0.076095
    a_w, a_g, _ = film.activities(np.array([fresh_w, 0.02]), np.array([fresh_g, 0.0]))
    x_g = moles_g / (moles_w + moles_g)
    assert a_w[0] == pytest.approx(1 - x_g, abs=1e-5)
    assert a_g[0] == pytest.approx(x_g, abs=1.2e-4)
    phi = 0.02 / 1.02
    assert a_w[1] == pytest.approx(phi * np.exp((1 - phi) + 2.6 * (1 - phi) ** 2), abs=1e-5)
    assert a_g[1] == 0


def test_equilibrium_water_rises_and_saturated_air_keeps_a_film_wet() -> None:
    kept = film.equilibrium_water(np.linspace(0.01, 0.99, 50))
    assert (np.diff(kept) > 0).all()
    assert film.equilibrium_water(1.0) == 1.0


def test_glycol_pressure() -> None:
    """13 Pa at 20 °C; 65 kJ/mol by the slope of ln p in 1/T."""
    t = np.array([283.15, 293.15, 303.15])
    p = film.glycol_pressure(t)
    assert p[1] == pytest.approx(13.0)
    assert -8.314462618 * np.log(p[2] / p[0]) / (1 / t[2] - 1 / t[0]) == pytest.approx(65e3)


def test_films_of_a_wet_pour() -> None:
    """1 mm of 30 % solids and 3 % glycol is 0.3 mm of solids with 0.67/0.3 water and 0.1 glycol on each part."""
    one = Films.of(1e-3, 0.30, 0.03)
    assert len(one) == 1
    assert (one.solids_m[0], one.water[0], one.glycol[0]) == pytest.approx((3e-4, 0.67 / 0.3, 0.1))
    many = Films.of([1e-3, 2e-3], 0.3, [0.0, 0.03])
    np.testing.assert_allclose(many.take(np.array([1])).solids_m, [6e-4])
    np.testing.assert_allclose(many.initial(3)[:, 1], [[0.0, 0.1]] * 3)
