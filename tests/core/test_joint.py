"""The joint belief: exact where all is Gaussian, near the truth where it is not, and a piece can be taken out again."""

from __future__ import annotations

from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from curewatch.studio.belief import Clue, Sense, likelihood
from curewatch.studio.joint import Joint, Key

OWN, SOLIDS, SPEED = "own", "solids", "speed"


def clue(pull: tuple[float, ...], seen: float, *, noise: float = 0.3, sense: Sense = Sense.EQUAL, **more: Any) -> Clue:
    return Clue(**{"observed_s": 0.0, "at": 0.0, "rest": 0.0, **more}, pull=pull, sense=sense, seen=seen, noise=noise)


def piece(number: int, *clues: Clue) -> tuple[list[tuple[Clue, list[Key]]], frozenset[Key]]:
    """Its clues are about how thick it is itself, the solids of its recipe, and the air at its place."""
    own = ("piece", number)
    return [(one, [own, SOLIDS, SPEED]) for one in clues], frozenset([own])


def joint(*pieces: tuple[list[tuple[Clue, list[Key]]], frozenset[Key]]) -> Joint:
    return Joint([told for told, _ in pieces], [own for _, own in pieces])


def regression(rows: np.ndarray, seen: np.ndarray, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Bayes' linear regression with standard normal priors (Bishop 2006, eqs. 3.50 and 3.51)."""
    cov = np.linalg.inv(np.eye(rows.shape[1]) + rows.T @ rows / noise**2)
    return cov @ rows.T @ seen / noise**2, cov


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 4))
def test_straight_bells_are_bayes_linear_regression(seed: int, pieces: int) -> None:
    draw = np.random.default_rng(seed)
    pulls, shared, own_z = draw.normal(0, 1, (pieces, 2, 3)), draw.normal(0, 1, 2), draw.normal(0, 1, pieces)
    seen = np.array([pulls[i] @ [own_z[i], *shared] for i in range(pieces)]) + draw.uniform(-0.5, 0.5, (pieces, 2))
    with patch("curewatch.studio.belief.SLIP_EQUAL", 1e-12):  # a bell with its share of slips is no bell
        found = joint(
            *(piece(i, *(clue(tuple(pulls[i, j]), seen[i, j], noise=1.0) for j in range(2))) for i in range(pieces))
        )
    rows = np.zeros((2 * pieces, 2 + pieces))
    for i in range(pieces):
        rows[2 * i : 2 * i + 2, [2 + i, 0, 1]] = pulls[i]
    mean, cov = regression(rows, seen.ravel(), 1.0)
    belief = found.belief([SOLIDS, SPEED])
    assert belief is not None
    assert belief.mean == pytest.approx(mean[:2], abs=5e-3)
    assert belief.cov == pytest.approx(cov[:2, :2], abs=5e-3)
    own = found.belief([("piece", 0), SOLIDS, SPEED], 0)
    assert own is not None
    assert own.mean == pytest.approx(mean[[2, 0, 1]], abs=5e-3)
    assert own.cov == pytest.approx(cov[np.ix_([2, 0, 1], [2, 0, 1])], abs=5e-3)


def test_without_a_piece_the_belief_is_that_of_the_others() -> None:
    one, other = piece(1, clue((0.5, 1.0, 0.2), 0.8)), piece(2, clue((0.5, 0.3, -1.0), -0.4))
    less = joint(one, other).belief([SOLIDS, SPEED], 1, without=True)
    alone = joint(one).belief([SOLIDS, SPEED])
    assert less is not None
    assert alone is not None
    assert less.mean == pytest.approx(alone.mean, abs=0.01)
    assert less.cov == pytest.approx(alone.cov, abs=0.01)
    assert joint(one).belief(["another recipe"]) is None


def test_a_step_and_a_curve_come_near_what_counting_says() -> None:
    """An edge still tacky, of a date that bends with the solids: against the integral, by weighing 400,000 draws."""
    told = piece(1, clue((0.1, 0.3, 0.2), 0.4, noise=0.1, sense=Sense.ABOVE, bend=(0.0, 0.0, 0.0, 0.06, 0.0, 0.0)))
    z = np.random.default_rng(3).standard_normal((400_000, 3))
    weight = likelihood(Sense.ABOVE, 0.4, 0.1, z @ [0.1, 0.3, 0.2] + 0.06 * z[:, 1] ** 2)
    weight /= weight.sum()
    mean = weight @ z
    found = joint(told).belief([("piece", 1), SOLIDS, SPEED], 0)
    assert found is not None
    # a Gaussian about a bent line: a tenth of a standard deviation
    assert found.mean == pytest.approx(mean, abs=0.1)
    assert np.sqrt(np.diag(found.cov)) == pytest.approx(np.sqrt(weight @ (z - mean) ** 2), abs=0.1)


def test_a_curve_is_straight_about_a_belief_as_its_moments_say() -> None:
    bent = clue((0.3, -0.2), 0.0, noise=0.0, at=1.0, bend=(0.2, -0.3, 0.1))
    mean, cov = np.array([0.4, -1.0]), np.array([[0.5, 0.1], [0.1, 0.3]])
    z = np.random.default_rng(1).multivariate_normal(mean, cov, 400_000)
    y = 1.0 + z @ [0.3, -0.2] + 0.2 * z[:, 0] ** 2 - 0.3 * z[:, 0] * z[:, 1] + 0.1 * z[:, 1] ** 2
    line = bent.straight(mean, cov)
    fit = np.linalg.lstsq(np.column_stack([np.ones(len(z)), z]), y)[0]
    assert [line.at, *line.pull] == pytest.approx(fit, abs=0.01)
    assert line.noise == pytest.approx((y - fit[0] - z @ fit[1:]).std(), rel=0.01)


def test_tests_of_one_date_share_what_its_fit_misses() -> None:
    """However many they are, they cannot tell the quantities more sharply than the fit of the date holds."""

    def told(kin: str) -> float:
        own = ("piece", 1)
        one = clue((1.0, *([0.5] if kin else [])), 0.0, noise=0.2, rest=0.0 if kin else 0.5, kin=kin)
        keys: list[Key] = [SOLIDS, *([("piece", 1, kin)] if kin else [])]
        found = Joint([[(one, keys)] * 40], [frozenset([own, ("piece", 1, kin)])]).belief([SOLIDS])
        assert found is not None
        return float(np.sqrt(found.cov[0, 0]))

    assert told("handle") == pytest.approx(0.5 / np.hypot(1, 0.5), abs=0.02)
    assert told("") < 0.1


def test_the_order_of_pieces_makes_no_difference() -> None:
    pieces = [piece(i, clue((0.3, 1.0, 0.5), 0.2 * i, sense=sense)) for i, sense in enumerate(Sense)]
    one, other = joint(*pieces).belief([SOLIDS, SPEED]), joint(*pieces[::-1]).belief([SOLIDS, SPEED])
    assert one is not None
    assert other is not None
    assert one.mean == pytest.approx(other.mean, abs=2e-3)
    assert one.cov == pytest.approx(other.cov, abs=2e-3)
