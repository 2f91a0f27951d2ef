"""What runs off: weighed and measured shares close the mass balance, and the next pour is believed between them."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest
from scipy.stats import norm

from curewatch.records import Pour
from curewatch.records.facts import Observation, ObservationKind
from curewatch.records.workshop import Paint
from curewatch.studio.mixing import (
    BETWEEN,
    PRIOR,
    RUN_OFF,
    MeasuredShare,
    Shape,
    expected,
    need,
    run_off_text,
    share_of,
)
from tests.studio_scene import drying

POUR: Pour = drying().pour.model_copy(update={"width_m": 0.3, "height_m": 0.4})


def weighed(grams: float, minutes: float) -> Observation:
    at = POUR.at + timedelta(minutes=minutes)
    return Observation(piece_id=1, at=at, kind=ObservationKind.WEIGHING, grams=grams, resolution_g=1)


def test_by_volume_it_is_what_the_mat_caught() -> None:
    assert share_of(Paint(piece_id=1, poured_m3=190e-6, ran_off_m3=45e-6), POUR, []) == pytest.approx(45 / 190)
    assert share_of(Paint(piece_id=1, poured_m3=190e-6), POUR, []) is None


def test_by_mass_what_stayed_and_what_ran_off_and_what_dried_make_up_the_cup() -> None:
    """Mass balance: 240 g left the cup, the piece gained 168 g within the hour, and 0.12 m2 dried 0.045 kg/m2 of it."""
    share = share_of(Paint(piece_id=1, poured_g=240), POUR, [weighed(400, -5), weighed(568, 60)])
    assert share is not None
    dried = 45 * 0.12
    assert 240 * share + 168 + dried == pytest.approx(240)


@pytest.mark.parametrize(
    "known",
    [
        [weighed(400, -5)],
        [weighed(568, 10)],
        [weighed(400, -5), weighed(568, 200)],  # that late it tells of drying
        [weighed(400, -5), weighed(660, 10)],  # more than the cup held
        [weighed(400, -5), weighed(401, 10)],  # nothing stayed
    ],
)
def test_what_does_not_tell_teaches_nothing(known: list[Observation]) -> None:
    assert share_of(Paint(piece_id=1, poured_g=240), POUR, known) is None


def test_nothing_known_is_a_quarter_from_a_tenth_to_a_half() -> None:
    """Common practice, to the percent."""
    found = expected([], "river blend", 0.12)
    assert (found.share, found.pours) == (pytest.approx(RUN_OFF), 0)
    assert (round(found.low, 2), round(found.high, 2)) == (0.10, 0.50)


def test_the_update_is_bayes_by_the_grid() -> None:
    """Against the posterior integrated on a grid, with no formula of the module's."""
    shares = [0.31, 0.42, 0.35]
    grid = np.linspace(-8, 5, 40_001)
    logits = [math.log(s / (1 - s)) for s in shares]
    prior = norm.pdf(grid, math.log(RUN_OFF / (1 - RUN_OFF)), PRIOR)
    posterior = prior * np.prod([norm.pdf(y, grid, BETWEEN) for y in logits], axis=0)
    posterior /= posterior.sum()
    middle = float(posterior @ grid)
    next_sd = math.sqrt(float(posterior @ (grid - middle) ** 2) + BETWEEN**2)
    found = expected([MeasuredShare("river blend", 0.12, s) for s in shares], "river blend", 0.12)
    assert math.log(found.share / (1 - found.share)) == pytest.approx(middle, abs=1e-4)
    for side, q in ((found.low, 0.1), (found.high, 0.9)):
        assert math.log(side / (1 - side)) == pytest.approx(norm.ppf(q, middle, next_sd), abs=1e-3)


def test_pours_of_that_size_come_first_then_of_any_and_other_recipes_say_nothing() -> None:
    told = [
        MeasuredShare("river blend", 0.12, 0.4),
        MeasuredShare("river blend", 1.0, 0.1),
        MeasuredShare("tide", 0.12, 0.9),
    ]
    assert expected(told, "river blend", 0.10).pours == 1
    assert expected(told, "river blend", 0.10).share > RUN_OFF
    assert expected(told, "river blend", 4.0).pours == 2
    assert expected(told, "foam", 0.1).pours == 0
    assert "learned from 1 pour of this recipe onto about this size" in str(
        run_off_text(expected(told, "river blend", 0.1))
    )
    assert "assumed" in str(run_off_text(expected(told, "foam", 0.1)))


def test_more_pours_narrow_it_down_to_how_pours_differ() -> None:
    widths = []
    for count in (0, 1, 3, 30):
        found = expected([MeasuredShare("river blend", 0.12, 0.3)] * count, "river blend", 0.12)
        widths.append(math.log(found.high / (1 - found.high)) - math.log(found.low / (1 - found.low)))
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] > 2 * 1.28 * BETWEEN


def test_a_mix_by_the_learned_share_leaves_on_the_piece_what_was_aimed_at() -> None:
    """The balance of the whole: poured less what runs off is the film on face and sides."""
    found = expected([MeasuredShare("river blend", 0.12, 0.4)] * 4, "river blend", 0.12)
    needed = need(Shape(0.3, 0.4), 2, 1.2e-3, depth=0.02, run_off=found.share)
    assert needed.whole * (1 - found.share) == pytest.approx(needed.faces + needed.edges)
