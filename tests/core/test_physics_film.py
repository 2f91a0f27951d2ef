"""The film's right-hand side against the plain model, its Jacobian against differences, its surface activities."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics import air, film
from curewatch.physics.air import Array
from curewatch.physics.film import CORNER, Films, Grid
from curewatch.physics.solver import kinetics
from curewatch.physics.solver.kinetics import Kinetics
from curewatch.physics.solver.rosenbrock import Bands
from tests.core import plain_model

GRID = Grid.graded()
liquids = st.floats(1e-3, 4.0)


def profile(w: float, g: float, dryness: float) -> Array:
    """A film that has lost `dryness` of its liquid at the surface and less below, (cells, 2, 1)."""
    depth = np.cumsum(GRID.share[:, 0])
    left = 1 - dryness * depth**3
    return np.stack([w * left, g * left], axis=1)[:, :, None]


@settings(deadline=None)
@given(
    liquids, st.floats(1e-3, 0.5), st.floats(0, 0.999), st.floats(-20, 45), st.floats(0.01, 1.0),
    st.floats(20e-6, 10e-3), st.floats(0.05, 5), st.floats(0.02, 5), st.floats(0, 500),
)  # fmt: skip
def test_rates_are_those_of_the_plain_model(
    w: float, g: float, dryness: float, t_c: float, rh: float, wet: float, v: float, side: float, h_back: float
) -> None:
    """Two codes for one equation, the corner of a_w rounded in both: in hot damp air even that warms a film by a fifth
    of a degree. What may differ is where the balance ends its search, 2e-4 of the gross exchange, which acts at the
    surface only; all other cells agree to T_f's 5 mK in D."""
    u, solids = profile(w, g, dryness), 0.3
    plate = plain_model.Plate(v, side, h_back)
    theirs = plain_model.Film(wet, solids, 0.0, plate, GRID.share[:, 0].tolist(), CORNER)
    expected = np.array(theirs.change([*u.ravel(), 0.0], t_c + air.ZERO_C, rh)[:-1]).reshape(u.shape)
    t_air = np.array([t_c + air.ZERO_C])
    ours = Kinetics(Films.of(wet, solids, 0.0, side=side, air_speed=v, h_back=h_back), GRID)
    found = ours.rates(u, t_air, air.vapour_pressure(t_air, rh))
    per_area = wet * solids * GRID.share[:, :, None]
    off, flux = np.abs(found.change - expected) * per_area, np.abs(expected * per_area).cumsum(0)
    gross = float(found.balance.k_m[0] / t_air[0] * air.saturation_pressure(t_air)[0]) * air.M_WATER / air.R_GAS / 998
    assert off[:-1].max() <= 1e-3 * flux[:-1].max() + 1e-18
    assert off[-1, 0, 0] <= 1e-3 * flux[-2, 0, 0] + 4e-4 * 2 * gross
    assert off[-1, 1, 0] <= 1e-3 * (flux[-2, 1, 0] + float(found.loss[1, 0])) + 1e-18


@given(liquids, st.floats(0.0, 0.5))
def test_activities_away_from_the_corner_are_the_plain_ones(w: float, g: float) -> None:
    a_w, a_g, _ = film.activities(np.array([w]), np.array([g]))
    plain_w, plain_g = plain_model.activities(w, g)
    # at the corner itself the rounding takes off half of CORNER; away from it, as a hyperbola does, CORNER² / gap
    assert float(a_w[0]) == pytest.approx(plain_w, abs=0.5 * CORNER)
    gap = abs(_gap(w, g))
    if gap > 0.1:
        assert float(a_w[0]) == pytest.approx(plain_w, abs=CORNER**2 / gap)
        assert float(a_g[0]) == pytest.approx(plain_g, abs=CORNER**2 / gap**2)


def _gap(w: float, g: float) -> float:
    """How far the bound branch of a_w lies above the free one."""
    phi = w / (1 + w + g)
    x_g = g * film.RHO_GLYCOL / film.M_GLYCOL / (g * film.RHO_GLYCOL / film.M_GLYCOL + w * film.RHO_WATER / air.M_WATER)
    return float(phi * np.exp((1 - phi) + film.CHI_WATER * (1 - phi) ** 2) - (1 - x_g))


@given(liquids, st.floats(1e-3, 0.5))
def test_slopes_of_the_activities_are_their_derivatives(w: float, g: float) -> None:
    """Central differences; the corner of a_w is smooth by construction, a_g's own cap is a true corner: left out."""
    step = 1e-6
    w0, g0 = np.array([w, w + step, w - step, w, w]), np.array([g, g, g, g + step, g - step])
    a_w, a_g, slope = film.activities(w0, g0)
    scale = 1 / CORNER
    for i, a in enumerate((a_w, a_g)):
        by_w, by_g = (a[1] - a[2]) / (2 * step), (a[3] - a[4]) / (2 * step)
        if i == 1 and np.ptp(np.sign(slope[1, 0])) != 0:
            continue
        assert slope[i, 0, 0] == pytest.approx(by_w, rel=1e-3, abs=1e-5 * scale)
        assert slope[i, 1, 0] == pytest.approx(by_g, rel=1e-3, abs=1e-5 * scale)


@pytest.mark.parametrize(("w", "g"), [(0.0, 0.0), (0.0, 0.1), (0.2, 0.0), (1e-12, 1e-12)])
def test_a_surface_without_water_or_glycol_has_finite_activities(w: float, g: float) -> None:
    for a in film.activities(np.array([w]), np.array([g])):
        assert np.isfinite(a).all()


@settings(deadline=None, max_examples=40)
@given(st.floats(0.05, 3.0), st.floats(0.01, 0.4), st.floats(0, 0.99))
def test_bands_are_the_derivatives_of_the_rates(w: float, g: float, dryness: float) -> None:
    """Column by column by differences, each volatile by itself, with T_f held out of the diffusivities, where the
    Jacobian has no entry for it. 1 %: k_m's and the glycol's share in the cooling are left out on purpose."""
    cells = GRID.cells
    base = profile(w, g, dryness)
    for volatile in (0, 1):
        u = np.repeat(base, 2 * cells, axis=2)
        step = 1e-6
        for i in range(cells):
            u[i, volatile, 2 * i] += step
            u[i, volatile, 2 * i + 1] -= step
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(kinetics, "EA", 0.0)
            patch.setattr(kinetics, "EG", 0.0)
            change, bands = _change_and_bands(u, base)
        found = (change[:, volatile, 0::2] - change[:, volatile, 1::2]) / (2 * step)
        for i in range(cells):
            near = found[max(i - 1, 0) : i + 2, i]
            ours = [bands.upper[i - 1, volatile, 0]] if i else []
            ours.append(bands.diagonal[i, volatile, 0])
            ours += [bands.lower[i, volatile, 0]] if i < cells - 1 else []
            assert near == pytest.approx(np.array(ours), rel=0.01, abs=1e-4 * float(np.abs(found).max()))


def _change_and_bands(u: Array, base: Array) -> tuple[Array, Bands]:
    t_air = np.full(u.shape[2], 294.15)
    p_air = air.vapour_pressure(t_air, 0.5)
    one = Kinetics(Films.of(1.2e-3), GRID)
    t_film = one.rates(base, t_air[:1], p_air[:1]).balance.t_film
    here = one.rates(base, t_air[:1], p_air[:1], t_film)
    bands = one.bands(here)
    many = Kinetics(Films.of(np.full(u.shape[2], 1.2e-3)), GRID)
    return many.rates(u, t_air, p_air, np.repeat(t_film, u.shape[2])).change, bands


def test_single_precision_diffusivities_change_the_rates_by_a_millionth() -> None:
    u, t_air = profile(1.5, 0.1, 0.9), np.array([294.15])
    p_air = air.vapour_pressure(t_air, 0.5)
    double, single = (
        Kinetics(Films.of(1.2e-3), GRID, work).rates(u, t_air, p_air) for work in (np.float64, np.float32)
    )
    # single precision has 6e-8; differences of neighbours that are nearly alike multiply it
    assert single.change == pytest.approx(double.change, rel=1e-4, abs=1e-6 * float(np.abs(double.change).max()))
    total = (GRID.share[:, :, None] * single.change).sum(0)[:, 0]
    # the balance is summed in double precision
    assert total == pytest.approx(-single.loss[:, 0] / (1.2e-3 * 0.3), rel=1e-9)


@given(st.floats(0.01, 0.98))
def test_equilibrium_water_inverts_the_law(rh: float) -> None:
    assert float(film.equilibrium_water(rh)) == pytest.approx(plain_model.flory_huggins_inverse(rh))


def test_the_grid_is_fine_at_the_surface_and_its_top_tenth_is_a_tenth() -> None:
    for cells in (8, 20, 80):
        grid = Grid.graded(cells)
        assert grid.share.sum() == pytest.approx(1.0)
        assert grid.share[-1, 0] / grid.share[0, 0] == pytest.approx(0.02)
        assert grid.top_tenth.sum() == pytest.approx(1.0)
        depth = 1 - np.cumsum(grid.share[:, 0]) + grid.share[:, 0] / 2
        # the cell that the tenth ends in counts with its own middle
        assert float(grid.top_tenth[:, 0] @ depth) == pytest.approx(0.05, rel=0.05)


@pytest.mark.parametrize(
    "wrong", [{"wet_thickness": 0.0}, {"solids": 0.0}, {"glycol": -0.1}, {"solids": 0.9, "glycol": 0.2}]
)
def test_impossible_films_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="films need"):
        Films.of(**{"wet_thickness": 1e-3, **wrong})
