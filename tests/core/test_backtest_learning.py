"""The simulated studios: honest before, narrower and nearer after. A few studios only; the command runs hundreds."""

from __future__ import annotations

import json

import numpy as np
import pytest

from curewatch.backtest import learning as bt
from curewatch.backtest.truths import EDGES, Truth, drawn, dried, edges_of
from curewatch.cli import main
from curewatch.cli.output import Page
from curewatch.cli.texts import backtest_text as pages
from curewatch.physics import ensemble
from curewatch.physics.air import AirSeries
from curewatch.records import ThicknessSource
from curewatch.studio.inference.observation_model import EDGE_HABIT
from curewatch.studio.learning import learning

TIMES = np.arange(0.0, 300 * 86400.0, 86400.0)
ROOM = (TIMES, np.full(len(TIMES), 21.0), np.full(len(TIMES), 50.0))


@pytest.fixture(scope="module")
def scores() -> bt.Scores:
    return bt.run([ROOM], bt.Plan(24, ThicknessSource.GAUGE, 2.0))


def test_learning_narrows_handle_and_brings_it_nearer_and_stays_honest(scores: bt.Scores) -> None:
    m = bt.JUDGED.index("handle")
    assert scores.width_ratio(m) < 0.75
    assert scores.error(1, m) < 0.75 * scores.error(0, m)
    assert scores.coverage(0, m) > 0.6
    assert scores.coverage(1, m) > 0.6


def test_every_truth_falls_in_some_tenth(scores: bt.Scores) -> None:
    assert sum(scores.reliability(0, 0)) == sum(scores.reliability(1, 0)) == 24


def test_the_same_plan_gives_the_same_scores() -> None:
    plan = bt.Plan(4, ThicknessSource.VOLUME, 1.0, weighed=True, truth=Truth.WIDE)
    one, other = bt.run([ROOM], plan), bt.run([ROOM], plan)
    assert (one.late == other.late).all()
    assert (one.truth == other.truth).all()


def test_who_heeds_the_dates_learns_more_of_handle_from_tests_that_begin_later() -> None:
    """Of more studios than elsewhere: it is a twentieth, and among 24 the luck of the tests is as large."""
    plans = (bt.Plan(72, ThicknessSource.GAUGE, heeds=heeds, lesson_members=64) for heeds in (False, True))
    now_and_then, heeding = (bt.run([ROOM], plan) for plan in plans)
    m = bt.JUDGED.index("handle")
    assert heeding.width_ratio(m) < now_and_then.width_ratio(m)
    assert heeding.coverage(1, m) > 0.6
    assert bt.Plan(1, ThicknessSource.GAUGE, weighed=True, heeds=True).weighed_h == bt.WEEKLY_H
    assert bt.Plan(1, ThicknessSource.GAUGE).weighed_h == ()


def test_the_page_shows_each_group_and_the_histogram(scores: bt.Scores) -> None:
    text = pages.text({"thickness by gauge": scores}, Page(unicode=False))
    assert "thickness by gauge: 24 studios" in text
    assert text.count("before") == 12
    assert max(len(line) for line in text.splitlines()) <= 80
    assert pages.values({"a": scores})["groups"]["a"]["studios"] == 24


def test_each_truth_breaks_the_model_as_it_says() -> None:
    """Thin edges dry sooner than ours, thick ones later; another law and a front move the piece itself."""
    pouring, z = ensemble.Pouring(1.5e-3), np.zeros((1, 1, learning.QUANTITIES))
    films = {
        truth: dried(truth, [pouring], z, AirSeries.constant(294.15, 0.5), 100 * 86400.0, np.random.default_rng(1))
        for truth in Truth
    }
    piece = {truth: float(one.pieces.reached_s[2, 0, 0]) for truth, one in films.items()}
    edge = {truth: float(one.edges_s[2, 0]) for truth, one in films.items()}
    assert edge[Truth.EDGE] < 0.7 * edge[Truth.OWN] < edge[Truth.CENTRE]
    assert piece[Truth.EDGE] == piece[Truth.OWN] == piece[Truth.CENTRE]
    assert abs(np.log(piece[Truth.LAW] / piece[Truth.OWN])) > 0.05
    assert piece[Truth.FRONT] != piece[Truth.OWN]
    draws = {truth: drawn(truth, 500, 4, np.random.default_rng(2)) for truth in Truth}
    damp, d0 = (ensemble.SPREADS.index(name) for name in ("air_rh", "d0"))
    assert draws[Truth.WIDE][:, 0, d0].std() == pytest.approx(2 * draws[Truth.OWN][:, 0, d0].std())
    assert (np.abs(draws[Truth.SENSOR][:, :, damp]) * ensemble.AIR_RH_SD == 0.04).all()
    assert (np.ptp(draws[Truth.SENSOR][:, :, damp], axis=1) == 0).all(), "one sensor reads all of a studio's pieces"


def test_edges_of_a_studio_are_alike_as_is_believed_of_a_recipe() -> None:
    """But where a truth says how they are."""
    like = {}
    for truth in Truth:
        found = np.log(edges_of(truth, (4000, 4), np.random.default_rng(3)).reshape(-1, 4))
        like[truth] = np.cov(found[:, 0], found[:, 1])[0, 1] ** 0.5 if truth not in EDGES else found.mean()
    assert like.pop(Truth.EDGE) == pytest.approx(np.log(0.5), abs=0.01)
    assert like.pop(Truth.CENTRE) == pytest.approx(np.log(1.2), abs=0.01)
    assert list(like.values()) == pytest.approx([EDGE_HABIT] * len(like), abs=0.01)


def test_an_edge_half_as_thick_is_learned_from_with_a_band_that_mostly_holds() -> None:
    """Without doubt about the habits of edges the 10-90 % band held the next piece's dates in half of such studios."""
    found = bt.run([ROOM], bt.Plan(72, ThicknessSource.GAUGE, truth=Truth.EDGE))
    assert found.coverage(1, bt.JUDGED.index("touch_dry")) > 0.62


def test_the_command_simulates_eleven_groups_in_steady_rooms(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["trial", "learning", "--studios", "4", "--json"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    groups = json.loads(said.out)["groups"]
    assert [one["studios"] for one in groups.values()] == [4] * 7 + [2, 2, 2, 1]
    assert all(0 <= m["coverage_after"] <= 1 for one in groups.values() for m in one["milestones"].values())
