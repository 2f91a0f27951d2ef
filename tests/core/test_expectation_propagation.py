"""The joint belief: exact where all is Gaussian, near the truth where it is not, and a piece can be taken out again."""

from __future__ import annotations

from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.studio.inference import posterior as joining
from curewatch.studio.inference.factors import Comparison, Factor, Gaussian, likelihood, linearize
from curewatch.studio.inference.posterior import JointPosterior, Key, PieceFactors, propagate

OWN, SOLIDS, SPEED = "own", "solids", "speed"


def factor(
    gradient: tuple[float, ...],
    observed: float,
    *,
    noise: float = 0.3,
    sense: Comparison = Comparison.EQUAL,
    **more: Any,
) -> Factor:
    return Factor(
        **{"observed_s": 0.0, "intercept": 0.0, "residual": 0.0, **more},
        gradient=gradient,
        sense=sense,
        observed=observed,
        noise=noise,
    )


def piece(number: int, *factors: Factor) -> tuple[list[tuple[Factor, list[Key]]], frozenset[Key]]:
    """Its factors are about how thick it is itself, the solids of its recipe, and the air at its place."""
    own = ("piece", number)
    return [(one, [own, SOLIDS, SPEED]) for one in factors], frozenset([own])


def joint(*pieces: tuple[list[tuple[Factor, list[Key]]], frozenset[Key]]) -> JointPosterior:
    return JointPosterior(propagate([told for told, _ in pieces], [own for _, own in pieces]))


def regression(rows: np.ndarray, observed: np.ndarray, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Bayes' linear regression with standard normal priors (Bishop 2006, eqs. 3.50 and 3.51)."""
    cov = np.linalg.inv(np.eye(rows.shape[1]) + rows.T @ rows / noise**2)
    return cov @ rows.T @ observed / noise**2, cov


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 4))
def test_straight_bells_are_bayes_linear_regression(seed: int, pieces: int) -> None:
    draw = np.random.default_rng(seed)
    pulls, shared, own_z = draw.normal(0, 1, (pieces, 2, 3)), draw.normal(0, 1, 2), draw.normal(0, 1, pieces)
    observed = np.array([pulls[i] @ [own_z[i], *shared] for i in range(pieces)]) + draw.uniform(-0.5, 0.5, (pieces, 2))
    with patch("curewatch.studio.inference.factors.SLIP_EQUAL", 1e-12):  # a bell with its share of slips is no bell
        found = joint(
            *(
                piece(i, *(factor(tuple(pulls[i, j]), observed[i, j], noise=1.0) for j in range(2)))
                for i in range(pieces)
            )
        )
    rows = np.zeros((2 * pieces, 2 + pieces))
    for i in range(pieces):
        rows[2 * i : 2 * i + 2, [2 + i, 0, 1]] = pulls[i]
    mean, cov = regression(rows, observed.ravel(), 1.0)
    belief = found.belief([SOLIDS, SPEED])
    assert belief is not None
    # rounds end when nothing moved by 0.001, and each may leave part of what the one before left
    assert belief.mean == pytest.approx(mean[:2], abs=5e-3)
    assert belief.cov == pytest.approx(cov[:2, :2], abs=5e-3)
    own = found.belief([("piece", 0), SOLIDS, SPEED], 0)
    assert own is not None
    assert own.mean == pytest.approx(mean[[2, 0, 1]], abs=5e-3)
    assert own.cov == pytest.approx(cov[np.ix_([2, 0, 1], [2, 0, 1])], abs=5e-3)


def test_without_a_piece_the_belief_is_that_of_the_others() -> None:
    one, other = piece(1, factor((0.5, 1.0, 0.2), 0.8)), piece(2, factor((0.5, 0.3, -1.0), -0.4))
    less = joint(one, other).belief([SOLIDS, SPEED], 1, without=True)
    alone = joint(one).belief([SOLIDS, SPEED])
    assert less is not None
    assert alone is not None
    # both are settled to some 0.005, as above
    assert less.mean == pytest.approx(alone.mean, abs=0.01)
    assert less.cov == pytest.approx(alone.cov, abs=0.01)
    assert joint(one).belief(["another recipe"]) is None


def test_a_step_and_a_curve_come_near_what_counting_says() -> None:
    """An edge still tacky, of a date that bends with the solids: against the integral, by weighing 400,000 draws."""
    told = piece(
        1, factor((0.1, 0.3, 0.2), 0.4, noise=0.1, sense=Comparison.ABOVE, quadratic=(0.0, 0.0, 0.0, 0.06, 0.0, 0.0))
    )
    z = np.random.default_rng(3).standard_normal((400_000, 3))
    weight = likelihood(Comparison.ABOVE, 0.4, 0.1, z @ [0.1, 0.3, 0.2] + 0.06 * z[:, 1] ** 2)
    weight /= weight.sum()
    mean = weight @ z
    found = joint(told).belief([("piece", 1), SOLIDS, SPEED], 0)
    assert found is not None
    # a Gaussian about a bent line: a tenth of a standard deviation
    assert found.mean == pytest.approx(mean, abs=0.1)
    assert np.sqrt(np.diag(found.cov)) == pytest.approx(np.sqrt(weight @ (z - mean) ** 2), abs=0.1)


def test_a_curve_is_straight_about_a_belief_as_its_moments_say() -> None:
    bent = factor((0.3, -0.2), 0.0, noise=0.0, intercept=1.0, quadratic=(0.2, -0.3, 0.1))
    mean, cov = np.array([0.4, -1.0]), np.array([[0.5, 0.1], [0.1, 0.3]])
    z = np.random.default_rng(1).multivariate_normal(mean, cov, 400_000)
    y = 1.0 + z @ [0.3, -0.2] + 0.2 * z[:, 0] ** 2 - 0.3 * z[:, 0] * z[:, 1] + 0.1 * z[:, 1] ** 2
    begins, along, noise = linearize(
        np.array(bent.intercept), np.array(bent.gradient), bent.curvature, np.array(0.0), mean, cov
    )
    fit = np.linalg.lstsq(np.column_stack([np.ones(len(z)), z]), y)[0]
    # 400,000 draws tell a coefficient to some 0.002, and a spread to 0.1 %
    assert [float(begins), *along] == pytest.approx(fit, abs=0.01)
    assert float(noise) == pytest.approx((y - fit[0] - z @ fit[1:]).std(), rel=0.01)


def test_tests_of_one_date_share_what_its_fit_misses() -> None:
    """However many they are, they cannot tell the quantities more sharply than the fit of the date holds."""

    def told(residual_group: str) -> float:
        own = ("piece", 1)
        one = factor(
            (1.0, *([0.5] if residual_group else [])),
            0.0,
            noise=0.2,
            residual=0.0 if residual_group else 0.5,
            residual_group=residual_group,
        )
        keys: list[Key] = [SOLIDS, *([("piece", 1, residual_group)] if residual_group else [])]
        messages = propagate([[(one, keys)] * 40], [frozenset([own, ("piece", 1, residual_group)])])
        found = JointPosterior(messages).belief([SOLIDS])
        assert found is not None
        return float(np.sqrt(found.cov[0, 0]))

    assert told("handle") == pytest.approx(0.5 / np.hypot(1, 0.5), abs=0.02)
    assert told("") < 0.1


def test_the_order_of_pieces_makes_no_difference() -> None:
    pieces = [piece(i, factor((0.3, 1.0, 0.5), 0.2 * i, sense=sense)) for i, sense in enumerate(Comparison)]
    one, other = joint(*pieces).belief([SOLIDS, SPEED]), joint(*pieces[::-1]).belief([SOLIDS, SPEED])
    assert one is not None
    assert other is not None
    # each is settled to 0.001: a round in which nothing moved by more is the last
    assert one.mean == pytest.approx(other.mean, abs=2e-3)
    assert one.cov == pytest.approx(other.cov, abs=2e-3)


def plainly(told: list[PieceFactors]) -> tuple[dict[Key, int], Gaussian]:
    """Expectation propagation with nothing in it but Minka 2001, section 3: one clue after the other, each about one
    belief of all quantities of all pieces, own ones and shared ones alike, until nothing moves."""
    some = [one for piece_told in told for one in piece_told]
    place = {key: i for i, key in enumerate(dict.fromkeys(key for _, keys in some for key in keys))}
    along, tau, nu = np.zeros((len(some), len(place))), np.zeros(len(some)), np.zeros(len(some))
    grid = np.linspace(-8, 8, 4001)
    for _ in range(150):
        for k, (one, keys) in enumerate(some):
            cov = np.linalg.inv(np.eye(len(place)) + (along.T * tau) @ along)
            mean, at = cov @ (along.T @ nu), [place[key] for key in keys]
            own, spread, curved = mean[at], cov[np.ix_(at, at)], one.curvature
            line = np.array(one.gradient) + 2 * curved @ own
            begins = (
                one.intercept
                + np.array(one.gradient) @ own
                + own @ curved @ own
                + np.trace(curved @ spread)
                - line @ own
            )
            noise = np.sqrt(one.noise**2 + one.residual**2 + 2 * np.trace(curved @ spread @ curved @ spread))
            tau[k], nu[k] = 0.0, 0.0
            cov = np.linalg.inv(np.eye(len(place)) + (along.T * tau) @ along)
            mean = cov @ (along.T @ nu)
            along[k] = 0.0
            along[k, at] = line
            middle, variance = along[k] @ mean, along[k] @ cov @ along[k]
            x = middle + grid * np.sqrt(variance)
            weight = np.exp(-0.5 * grid**2) * likelihood(one.sense, one.observed, float(noise), begins + x, one.slip)
            tilted = weight @ x / weight.sum()
            tau[k] = max(weight.sum() / (weight @ (x - tilted) ** 2) - 1 / variance, 0.0)
            nu[k] = tilted * (1 / variance + tau[k]) - middle / variance
    cov = np.linalg.inv(np.eye(len(place)) + (along.T * tau) @ along)
    return place, Gaussian(cov @ (along.T @ nu), cov)


def studio(seed: int, pieces: int, recipes: int = 2) -> tuple[list[PieceFactors], list[frozenset[Key]]]:
    """Pieces of some recipes in two places, with few factors or many, bent and straight, of one date or of several.

    All are true of quantities drawn at random. Of one piece its recipe was forgotten: its quantities are its own.
    """
    draw, truth = np.random.default_rng(seed), dict[Key, float]()
    told: list[PieceFactors] = []
    owned = []
    for i in range(pieces):
        own, residual_group = ("piece", i), ("piece", i, "handle")
        solids: Key = ("piece", i, "solids") if i == 1 else ("recipe", int(draw.integers(recipes)))
        keys: list[Key] = [own, solids, ("place", int(draw.integers(2)))]
        some = []
        for k in range(int(draw.integers(1, 5))):
            of_kin = k > 0
            gradient = (*draw.normal(0.3, 0.15, 3), *([0.1] if of_kin else []))
            quadratic = tuple(draw.normal(0, 0.02, 6)) if draw.uniform() < 0.7 else ()
            kind = {"residual_group": "handle"} if of_kin else {"residual": 0.05}
            names = [*keys, *([residual_group] if of_kin else [])]
            one = factor(
                gradient, 0.0, noise=0.1, sense=list(Comparison)[int(draw.integers(3))], quadratic=quadratic, **kind
            )
            z = np.array([truth.setdefault(key, float(draw.standard_normal())) for key in names])
            y = float(np.array(gradient) @ z + z @ one.curvature @ z)
            off = {Comparison.ABOVE: -0.2, Comparison.BELOW: 0.2, Comparison.EQUAL: 0.0}[
                one.sense
            ] + 0.1 * draw.standard_normal()
            some.append((replace(one, observed=y + float(off)), names))
        told.append(some)
        owned.append(frozenset({own, residual_group, ("piece", i, "solids")}))
    return told, owned


@pytest.mark.parametrize(("seed", "pieces"), [(1, 2), (2, 9), (3, 24), (7, 24)])
def test_block_by_block_comes_to_what_one_clue_after_the_other_comes_to(seed: int, pieces: int) -> None:
    """Within 0.03 of a standard deviation: a round in which nothing moved by 0.001 is the last, and in what is slowest
    to settle each round may leave nine tenths of what the one before left."""
    told, owned = studio(seed, pieces)
    place, exact = plainly(told)
    found = JointPosterior(propagate(told, owned))
    sd = np.sqrt(np.diag(exact.cov))
    for i in range(pieces):
        keys = list(dict.fromkeys(key for _, names in told[i] for key in names))
        belief, at = found.belief(keys, i), [place[key] for key in keys]
        assert belief is not None
        np.testing.assert_allclose((belief.mean - exact.mean[at]) / sd[at], 0.0, atol=0.03)
        off = (belief.cov - exact.of(np.array(at)).cov) / np.outer(sd[at], sd[at])
        np.testing.assert_allclose(off, 0.0, atol=0.03)


def test_many_pieces_in_few_blocks_or_in_many_come_to_the_same_belief() -> None:
    told, owned = studio(5, 400, recipes=3)
    found = []
    for blocks in (4, 50):
        with patch.object(joining, "BLOCKS", blocks):
            found.append(
                JointPosterior(propagate(told, owned)).belief([*(("recipe", k) for k in range(3)), ("place", 0)])
            )
    one, other = found
    assert one is not None
    assert other is not None
    sd = np.sqrt(np.diag(one.cov))
    # 0.03 of a standard deviation, as where it is held against what is exact
    np.testing.assert_allclose(one.mean / sd, other.mean / sd, atol=0.03)
    np.testing.assert_allclose(np.sqrt(np.diag(other.cov)) / sd, 1.0, atol=0.03)
