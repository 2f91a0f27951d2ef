"""The model against what others measured or what trade and makers say; measured.py names the sources."""

from __future__ import annotations

import numpy as np
import pytest

from tests.core.measured import CHECKS, DROPS, Check, departures, free_rates, slope, weighings


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_the_model_lies_where_measurements_do(check: Check) -> None:
    assert check.low <= check.found() <= check.high, check.source


def test_the_order_of_the_drops_is_kept() -> None:
    measured = [slope(weighings(*room)) for room in DROPS]
    assert np.argsort(free_rates(cooled=True)).tolist() == np.argsort(measured).tolist()


def test_a_balance_that_cools_the_film_explains_the_drops_better_than_one_that_does_not() -> None:
    with_cooling, without = ((departures(cooled=cooled) ** 2).mean() for cooled in (True, False))
    assert with_cooling < without
