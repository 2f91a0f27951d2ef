"""The ensemble's exact margins, its quantiles against NumPy, and that pourings do not touch each other."""

from __future__ import annotations

from itertools import combinations
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.physics.air import AirSeries
from curewatch.physics.ensemble import (
    SPREADS,
    THICKNESS_SPREAD,
    Outcome,
    Pouring,
    central_film_temperature,
    design,
    films_at,
    quantiles,
    run,
)
from curewatch.physics.film import Films
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver.integrator import integrate
from tests.core import plain_model
from tests.core.plain_model import DAY, Array

MM = 1e-3
STILL = AirSeries.constant(294.15, 0.5)
ONE = np.zeros(1, dtype=np.intp)
POUR = Pouring(1.5 * MM, THICKNESS_SPREAD["volume"])

finite = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=80).map(np.array)


# The design


@pytest.mark.parametrize("members", [2, 7, 64, 256])
def test_every_quantity_by_itself_is_spread_exactly(members: int) -> None:
    """A Latin hypercube: each column holds the middles of equally likely slices of the normal distribution."""
    z = design(members)
    assert z.shape == (members, len(SPREADS))
    slices = [NormalDist().inv_cdf((i + 0.5) / members) for i in range(members)]
    for column in z.T:
        np.testing.assert_allclose(np.sort(column), slices)


def test_one_member_is_the_centre() -> None:
    """What is believed, unspread."""
    assert not design(1).any()
    one = films_at([POUR], design(1))
    centre = Films.of(POUR.wet_thickness, POUR.solids, POUR.glycol, side=POUR.side, air_speed=POUR.air_speed)
    for name in ("solids_m", "water", "glycol", "side", "air_speed", "h_back", "d0", "g0", "mfft"):
        np.testing.assert_allclose(getattr(one, name), getattr(centre, name), err_msg=name)
    outcome = run([POUR], design(1), STILL, 60 * DAY).outcome(0)
    np.testing.assert_allclose(outcome.reached_s, integrate(centre, STILL, ONE, 60 * DAY)[0].reached, rtol=1e-9)
    assert all(outcome.at(m) == [outcome.at(m)[0]] * 3 for m in MILESTONES)


def test_solids_never_leave_no_room_for_water() -> None:
    films = films_at([Pouring(1 * MM, solids=0.85, glycol=0.09)], design(64))
    assert (films.water > 0).all()


# Quantiles


@settings(deadline=None)
@given(values=finite, q=st.floats(0.0, 1.0))
def test_quantiles_are_hazens(values: Array, q: float) -> None:
    """As numpy.quantile by the same plotting position."""
    scale = 1e-9 * (1 + np.abs(values).max())
    assert quantiles(values, at=(q,))[0] == pytest.approx(np.quantile(values, q, method="hazen"), abs=scale)


@settings(deadline=None)
@given(values=finite, nevers=st.integers(1, 80), q=st.floats(0.0, 1.0))
def test_a_quantile_that_needs_a_never_is_never(values: Array, nevers: int, q: float) -> None:
    """Below the last member that is reached, as if the others were merely very late; above it, never. Not NaN."""
    found = quantiles(np.append(values, np.full(nevers, np.inf)), at=(q,))[0]
    count, n = len(values), len(values) + nevers
    position = q * n - 0.5  # Hazen, from 0
    late = np.append(values, np.full(nevers, 1e30))
    if position < count - 1 - 1e-9:
        scale = 1e-9 * (1 + np.abs(values).max())
        assert found == pytest.approx(np.quantile(late, q, method="hazen"), abs=scale)
    elif position > count - 1 + 1e-9:
        assert found == np.inf
    assert not np.isnan(found)


@settings(deadline=None)
@given(values=finite, seed=st.integers(0, 1000))
def test_weights_count_as_copies(values: Array, seed: int) -> None:
    """Away from the steps between copies: a quantile at the middle of a value's weight is that value."""
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.1, 3.0, len(values))
    order = np.argsort(values, kind="stable")
    share = weights[order] / weights.sum()
    middles = tuple(np.cumsum(share) - 0.5 * share)
    scale = 1e-6 * (1 + np.abs(values).max())
    assert quantiles(values, weights, at=middles) == pytest.approx(values[order].tolist(), abs=scale)


def test_equal_weights_are_no_weights() -> None:
    values = np.array([3.0, 1.0, np.inf, 2.0])
    assert quantiles(values, np.full(4, 7.0)) == quantiles(values)


# Outcomes


def test_the_same_input_gives_the_same_answer() -> None:
    """To the bit, and samples too."""
    times = np.array([1.0, 5.0]) * DAY
    first, second = (run([POUR], design(16), STILL, 20 * DAY, sample_at=times) for _ in range(2))
    np.testing.assert_array_equal(first.reached_s, second.reached_s)
    for name, values in first.samples.items():
        assert values.shape == (2, 1, 16)
        np.testing.assert_array_equal(values, second.samples[name])


def test_pourings_together_are_pourings_by_themselves() -> None:
    """Each in its own room and to its own end."""
    pourings = [Pouring(0.5 * MM), Pouring(1.0 * MM, solids=0.4), Pouring(2.0 * MM, glycol=0.0)]
    rooms = AirSeries([([0.0], [294.15], [0.5]), ([0.0], [288.15], [0.6])])
    room, until = np.array([0, 1, 0]), np.array([5, 10, 3]) * DAY
    together = run(pourings, design(8), rooms, until, room=room)
    for i, pouring in enumerate(pourings):
        alone = run([pouring], design(8), rooms, until[i], room=room[i : i + 1]).outcome(0)
        np.testing.assert_allclose(together.outcome(i).reached_s, alone.reached_s, rtol=1e-6)
        np.testing.assert_array_equal(together.outcome(i).hindrance, alone.hindrance)


def test_less_is_known_of_a_layer_than_of_a_gauge() -> None:
    widths = []
    for source in ("gauge", "volume", "layer"):
        runs = run([Pouring(1 * MM, THICKNESS_SPREAD[source])], design(64), STILL, 20 * DAY)
        low, _, high = runs.outcome(0).at("touch_dry")
        widths.append(high / low)
    assert widths == sorted(widths)


@pytest.mark.parametrize(
    ("t_c", "rh", "days", "names"),
    [
        (21.0, 0.50, 200, ["", "", "", ""]),
        (5.0, 0.50, 60, ["", "", "too_cold", "too_cold"]),
        (21.0, 0.92, 60, ["", "", "", "too_damp"]),
        (21.0, 0.50, 5, ["", "", "", "not_yet"]),
    ],
)
def test_what_keeps_a_film_from_its_milestones(t_c: float, rh: float, days: float, names: list[str]) -> None:
    """A thin film with little glycol, of which every member goes the same way."""
    room = AirSeries.constant(t_c + 273.15, rh)
    outcome = run([Pouring(0.3 * MM, glycol=0.005)], design(16), room, days * DAY).outcome(0)
    assert [outcome.hindrance_of(m) for m in MILESTONES] == names
    np.testing.assert_array_equal(outcome.hindrance == "", np.isfinite(outcome.reached_s))
    for milestone, name in zip(MILESTONES, names, strict=True):
        assert np.isinf(outcome.at(milestone)[1]) == bool(name)


@pytest.mark.parametrize("pair", list(combinations(("not_yet", "too_cold", "too_damp"), 2)), ids=" and ".join)
def test_of_two_hindrances_as_frequent_the_same_is_told_in_every_process(pair: tuple[str, str]) -> None:
    """By name, and not by the order of a set, which Python draws anew for each process."""
    hindrance = np.tile(np.array([*pair, *reversed(pair)]), (4, 1))
    outcome = Outcome(np.full((4, 4), np.inf), hindrance, None)
    assert {outcome.hindrance_of(one) for one in MILESTONES} == {pair[0]}


def test_film_temperature_of_a_fresh_pour() -> None:
    """0.05 K, as the energy balance promises."""
    plain = plain_model.Film(1.5 * MM, 0.30, 0.03, plain_model.Plate(), [1.0])
    water, glycol, *_ = plain.initial
    expected = plain.surface(water, glycol, 283.15, 0.5)[0]
    assert central_film_temperature(Pouring(1.5 * MM), 283.15, 0.5) == pytest.approx(expected, abs=0.05)
    assert expected < 283.15 - 1
