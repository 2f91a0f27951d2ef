"""The simulated studios: honest before, narrower and nearer after. A few studios only; the command runs hundreds."""

from __future__ import annotations

import json

import numpy as np
import pytest

from curewatch.backtest import learning as bt
from curewatch.cli import main
from curewatch.cli.output import Page
from curewatch.cli.texts import backtest_text as pages
from curewatch.records import ThicknessSource

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
    plan = bt.Plan(4, ThicknessSource.VOLUME, 1.0, weighed=True, outside=True)
    one, other = bt.run([ROOM], plan), bt.run([ROOM], plan)
    assert (one.late == other.late).all()
    assert (one.truth == other.truth).all()


def test_who_heeds_the_dates_learns_more_of_handle_from_tests_that_begin_later() -> None:
    """Of more studios than elsewhere: it is a twentieth, and among 24 the luck of the tests is as large."""
    now_and_then, heeding = (bt.run([ROOM], bt.Plan(72, ThicknessSource.GAUGE, heeds=heeds)) for heeds in (False, True))
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


def test_the_command_simulates_six_groups_in_steady_rooms(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["backtest", "learning", "--studios", "4", "--json"]) == 0
    said = capsys.readouterr()
    assert said.err == ""
    groups = json.loads(said.out)["groups"]
    assert [one["studios"] for one in groups.values()] == [4, 2, 2, 2, 1, 1]
    assert all(0 <= m["coverage_after"] <= 1 for one in groups.values() for m in one["milestones"].values())
