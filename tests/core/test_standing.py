"""What a finger found bounds the dates: by hand, and over random sequences of tests and forecasts."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from curewatch.physics.ensemble import Outcome
from curewatch.records import Forecast, Milestone, MilestoneKind
from curewatch.records.facts import Finger, Observation, ObservationKind
from curewatch.studio import milestones as milestoning
from curewatch.studio.board import PieceLine, piece_line
from curewatch.studio.care import aftercare
from curewatch.studio.care.aftercare import Care
from curewatch.studio.inference.observation_model import BY_THICKNESS, EDGE_THICKNESS
from curewatch.studio.planning import planner
from curewatch.studio.standing import (
    HELD,
    Standing,
    bounded,
    conditioned,
    contradicted,
    held,
    odds_of,
    reached_by,
    standing,
)
from tests.studio_scene import SHED, at, dates, drying

SET, TOUCH_DRY, HANDLE, VARNISH = MilestoneKind
TACKY, TOUCHED, THROUGH = Finger
FULL = dates(
    even={"set": 10, "touch_dry": 16, "handle": 24, "varnish_ready": 480},
    safe={"set": 14, "touch_dry": 22, "handle": 40, "varnish_ready": 900},
)


def finger_test(finger: Finger, hours: float, number: int = 1) -> Observation:
    return Observation(id=number, piece_id=1, at=at(hours), kind=ObservationKind.FINGER, finger=finger)


def found(*tests: tuple[Finger, float], now: float = 1e4) -> Standing:
    return standing([finger_test(f, h, i + 1) for i, (f, h) in enumerate(tests)], at(0), at(now))


def line(forecast: Forecast | None, now: float, *tests: tuple[Finger, float]) -> PieceLine:
    piece = replace(drying(), findings=tuple(finger_test(f, h, i + 1) for i, (f, h) in enumerate(tests)))
    held = None if forecast is None else bounded(forecast, piece.standing(at(now)))
    return piece_line(piece, held, at(now))


# --- What stands --------------------------------------------------------------------------------------------------


def test_tacky_rules_out_touch_dry_and_what_comes_after_it_and_says_nothing_of_packing() -> None:
    now = found((TACKY, 20))
    assert now.after == dict.fromkeys((TOUCH_DRY, HANDLE, VARNISH), at(20))
    assert (now.by, now.is_tacky, now.found) == ({}, True, None)


def test_touch_dry_is_reached_by_then_and_the_next_is_not() -> None:
    now = found((TOUCHED, 20))
    assert now.by == dict.fromkeys((SET, TOUCH_DRY), at(20))
    assert now.after == dict.fromkeys((HANDLE, VARNISH), at(20))
    assert (now.is_tacky, now.found) == (False, TOUCH_DRY)


def test_dry_through_says_nothing_against_varnish_which_no_finger_can_tell() -> None:
    now = found((THROUGH, 20))
    assert now.by == dict.fromkeys((SET, TOUCH_DRY, HANDLE), at(20))
    assert now.after == {}


def test_findings_that_agree_narrow_each_other() -> None:
    now = found((TACKY, 12), (TACKY, 14), (TOUCHED, 18), (TOUCHED, 30), (THROUGH, 40))
    assert (now.after[TOUCH_DRY], now.by[TOUCH_DRY]) == (at(14), at(18))
    assert (now.after[HANDLE], now.by[HANDLE]) == (at(30), at(40))


def test_what_a_later_test_contradicts_does_not_stand() -> None:
    now = found((THROUGH, 18), (TACKY, 20))
    assert (now.by, now.is_tacky) == ({}, True)
    tests = [finger_test(THROUGH, 18, 1), finger_test(TACKY, 20, 2), finger_test(TOUCHED, 30, 3)]
    assert contradicted(tests, at(0), at(100)) == {1}
    assert contradicted(tests, at(0), at(19)) == set()


def test_a_test_counts_by_its_time_not_by_when_it_was_logged_and_the_later_logged_of_one_moment() -> None:
    assert standing([finger_test(TOUCHED, 30, 1), finger_test(TACKY, 20, 2)], at(0), at(40)).found is TOUCH_DRY
    assert standing([finger_test(TOUCHED, 30, 1), finger_test(TACKY, 30, 2)], at(0), at(40)).is_tacky


def test_what_is_yet_to_come_or_was_before_the_pour_says_nothing() -> None:
    assert not found((TACKY, 20), now=19)
    assert not standing([finger_test(TACKY, -1)], at(0), at(40))


# --- The dates and the stage by hand --------------------------------------------------------------------------------


def test_a_finger_that_finds_it_tacky_outweighs_every_date_before_that() -> None:
    told = line(FULL, 50, (TACKY, 50))
    assert (str(told.stage_in_words), told.stage, told.stage_is_safe, told.stage_found_at) == (
        "tacky",
        SET,
        True,
        at(50),
    )
    assert told.next is not None
    assert (told.next.kind, told.next.worth_checking_at, told.next.safe_at) == (TOUCH_DRY, None, None)
    assert told.next.reason == HELD
    varnish = told.forecast.milestones[3] if told.forecast else None
    assert varnish is not None
    assert (varnish.worth_checking_at, varnish.safe_at, varnish.reason) == (at(480), None, HELD)
    late = line(FULL, 1000, (TACKY, 50)).forecast
    assert late is not None
    assert (late.milestones[3].worth_checking_at, late.milestones[3].safe_at) == (at(480), None)


def test_tacky_stays_until_a_finger_finds_otherwise_however_long_that_is() -> None:
    assert str(line(FULL, 5000, (TACKY, 50)).stage_in_words) == "tacky"
    assert str(line(FULL, 5000, (TACKY, 50), (TOUCHED, 4000)).stage_in_words) == "touch-dry"


def test_what_was_found_is_the_stage_with_its_time_and_the_next_lies_ahead() -> None:
    told = line(FULL, 12, (TOUCHED, 12))
    assert (told.stage, told.stage_is_safe, told.stage_found_at) == (TOUCH_DRY, True, at(12))
    assert told.forecast is not None
    packed, touch, handle, _ = told.forecast.milestones
    assert (packed.worth_checking_at, packed.safe_at, packed.found_at) == (at(10), at(12), at(12))
    assert (touch.worth_checking_at, touch.safe_at, touch.found_at) == (at(12), at(12), at(12))
    assert (handle.worth_checking_at, handle.safe_at, handle.found_at, handle.not_before) == (
        at(24), at(40), None, at(12),
    )  # fmt: skip


def test_what_was_safe_to_assume_before_anybody_looked_is_not_called_found() -> None:
    told = line(FULL, 30, (TOUCHED, 30)).forecast
    assert told is not None
    assert [milestone.found_at for milestone in told.milestones] == [None, at(30), None, None]


def test_a_room_that_was_never_read_does_not_hide_what_was_found() -> None:
    unread = Forecast(piece_id=1, made_at=at(0), model_version="1", fingerprint="f", reason="no temperature")
    assert str(line(unread, 30, (TOUCHED, 30)).stage_in_words) == "touch-dry"
    assert str(line(unread, 30, (TACKY, 30)).stage_in_words) == "tacky"
    assert str(line(None, 30, (THROUGH, 30)).stage_in_words) == "dry to handle"


def test_no_notice_tells_what_a_person_found_and_one_is_told_anew_after_it() -> None:
    piece = drying()
    through = bounded(FULL, found((TOUCHED, 12)))
    assert [one.key for one in milestoning.due(piece, through, tuple(MilestoneKind), at(24))] == [
        "piece-1/handle/worth_checking/after-20261121T000000Z"
    ]
    known = ["piece-1/touch_dry/safe", "piece-1/set/safe", "piece-12/touch_dry/safe", "morning/Ada"]
    assert milestoning.refuted_keys(1, known, found((TACKY, 30))) == ["piece-1/touch_dry/safe"]


# --- Members --------------------------------------------------------------------------------------------------------


def outcome(touch_h: tuple[float, float], weights: np.ndarray | None = None, members: int = 64) -> Outcome:
    touch = np.linspace(*touch_h, members) * 3600
    reached = np.stack([0.7 * touch, touch, 1.4 * touch, 20 * touch])
    return Outcome(reached, np.full(reached.shape, ""), weights)


def test_members_that_a_finding_excludes_are_out_and_the_others_count_as_before() -> None:
    given_weights = np.arange(1.0, 65) / np.arange(1.0, 65).sum()
    left = conditioned(outcome((10, 20), given_weights), found((TACKY, 15)), at(0))
    assert left.weights is not None
    out = left.reached_s[1] <= 15 * 3600
    assert (left.weights[out] == 0).all()
    np.testing.assert_allclose(left.weights[~out], given_weights[~out] / given_weights[~out].sum())
    assert left.at("touch_dry")[0] > 15 * 3600


def test_of_the_varnish_a_finger_says_nothing_and_few_members_left_do_not_move_its_date() -> None:
    """Which members are left is chance as far as the varnish goes; those that never get there stay as many."""
    chance = np.random.default_rng(4)
    for _ in range(20):
        touch = np.exp(np.log(20 * 3600) + 0.35 * chance.normal(size=64))
        ready = np.where(chance.random(64) < 0.2, np.inf, np.exp(np.log(40 * 86400) + 0.5 * chance.normal(size=64)))
        reached = np.maximum.accumulate(np.array([0.8 * touch, touch, 1.3 * touch, ready]), axis=0)
        before = Outcome(reached, np.where(np.isfinite(reached), "", "not_yet"))
        after = conditioned(before, found((TOUCHED, 20)), at(0))
        assert after.weights is not None
        assert (after.weights > 0).sum() < 48, "a finding that leaves few"
        # few members resolve a tail less finely than a middle
        assert after.at("varnish_ready")[0] == pytest.approx(before.at("varnish_ready")[0], rel=0.15)
        assert after.at("varnish_ready")[1] == pytest.approx(before.at("varnish_ready")[1], rel=0.08)
        assert after.never("varnish_ready") == pytest.approx(before.never("varnish_ready"), abs=0.06)
        assert after.hindrance_of("varnish_ready") == "not_yet"


@pytest.mark.parametrize("finger", list(Finger))
def test_where_none_is_left_they_are_drawn_about_the_finding_and_keep_their_order(finger: Finger) -> None:
    before = outcome((10, 14)) if finger is TACKY else outcome((40, 60))
    hours = 30.0
    after = conditioned(before, found((finger, hours)), at(0))
    touch, handle = after.reached_s[1] / 3600, after.reached_s[2] / 3600
    assert (np.diff(touch) >= 0).all()
    if finger is TACKY:
        assert touch.min() > hours
        assert 1.2 < np.median(touch) / hours < 1.35  # half of a bell of 0.35: exp(0.35 * 0.6745) = 1.27
    else:
        assert touch.max() <= hours
        assert (handle.max() <= hours) == (finger is THROUGH)
        assert (handle.min() > hours) == (finger is TOUCHED)
    assert (np.diff(after.reached_s, axis=0) >= 0).all()


@pytest.mark.parametrize("slowest_h", [20.0, 60.0])
def test_what_would_never_have_come_to_what_was_found_has_no_part_in_the_odds_of_never(slowest_h: float) -> None:
    """A quarter of the films never fuse, nor are they ever ready; a finger finds it dry through. Whether many members
    are left or none (all slower than was found), only those that can be so speak of what is to come."""
    films = outcome((slowest_h / 2, slowest_h))
    cold = np.arange(64) % 4 == 0
    reached = np.where(cold & (np.arange(4) >= 2)[:, None], np.inf, films.reached_s)
    before = Outcome(reached, np.where(np.isfinite(reached), "", "too_cold"))
    assert before.never("varnish_ready") == 0.25
    after = conditioned(before, found((THROUGH, 24)), at(0))
    assert after.never("handle") == after.never("varnish_ready") == 0.0
    assert after.hindrance_of("varnish_ready") == ""


def test_no_odds_are_better_than_what_never_gets_there_leaves() -> None:
    """Two of ten films never get there: however long one waits, it is not in time in nine cases of ten."""
    even = dates(even={"handle": 24}).milestone(HANDLE)
    assert even is not None
    sometimes = even.model_copy(update={"never": 0.2, "early_at": at(18)})
    assert reached_by(sometimes, at(24), at(0)) == pytest.approx(0.5)
    assert reached_by(sometimes, at(24e3), at(0)) == 0.8
    assert held(sometimes, found((THROUGH, 30))).never == 0.0


def test_no_finding_changes_nothing() -> None:
    same = outcome((10, 20))
    assert conditioned(same, Standing(), at(0)) is same
    assert bounded(FULL, Standing()) is FULL


# --- How likely it was ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("finger", "hours", "odds"),
    [
        (TACKY, 16, 0.5),
        (TACKY, 22, 0.1),
        (TOUCHED, 16, 0.5),
        (TOUCHED, 40, 0.1),
        (THROUGH, 24, 0.5),
        (THROUGH, 40, 0.9),
    ],
)
def test_odds_of_a_finding_are_those_of_the_dates(finger: Finger, hours: float, odds: float) -> None:
    assert odds_of(FULL, finger, at(hours), at(0)) == pytest.approx(odds, abs=1e-9)


def test_odds_far_outside_and_where_there_are_no_dates() -> None:
    assert (odds_of(FULL, TACKY, at(60), at(0)) or 0) < 0.01
    assert (odds_of(FULL, THROUGH, at(8), at(0)) or 0) < 0.01
    assert odds_of(None, TACKY, at(60), at(0)) is None
    assert odds_of(dates(), TACKY, at(60), at(0)) is None


# --- Random sequences -------------------------------------------------------------------------------------------------

HOURS = st.floats(0.5, 200).map(lambda hours: round(hours, 3))
TESTS = st.lists(st.tuples(st.sampled_from(Finger), HOURS), max_size=6)


@st.composite
def forecasts(draw: st.DrawFn) -> Forecast:
    """Dates in order by odds; milestones may overlap, and any date may be missing from some odds on."""
    told = []
    for kind in MilestoneKind:
        moments = sorted(draw(st.lists(HOURS, min_size=3, max_size=3)))
        known = draw(st.integers(0, 3))
        three: list[datetime | None] = [at(hours) if i < known else None for i, hours in enumerate(moments)]
        reason = None if known == 3 else "not in this room"
        told.append(
            Milestone(kind=kind, early_at=three[0], worth_checking_at=three[1], safe_at=three[2], reason=reason)
        )
    return FULL.model_copy(update={"milestones": tuple(told)})


def assert_one_story(forecast: Forecast, tests: list[tuple[Finger, float]], now: float) -> None:
    """Dates, stage, steps, places and notices: none says otherwise than the latest finding."""
    piece = replace(drying(), findings=tuple(finger_test(f, h, i + 1) for i, (f, h) in enumerate(tests)))
    stands = piece.standing(at(now))
    held = bounded(forecast, stands)
    latest = stands.latest
    if latest is None:
        assert held is forecast
        return
    shown = piece_line(piece, held, at(now))
    by_kind = {milestone.kind: milestone for milestone in held.milestones}
    for kind, moment in stands.after.items():
        if kind not in stands.by:
            one = by_kind[kind]
            assert all(when is None or when > moment for when in (one.early_at, one.worth_checking_at, one.safe_at))
            assert one.found_at is None
            assert one.safe_at is not None or one.reason
    for kind, moment in stands.by.items():
        one = by_kind[kind]
        assert one.safe_at is not None
        assert one.safe_at <= moment
        assert one.reason is None
    for one in held.milestones:
        known = [when for when in (one.early_at, one.worth_checking_at, one.safe_at) if when is not None]
        assert known == sorted(known)
    steps = {one.step: one for one in aftercare.plan(piece.pour, held, aftercare.milestone(held, HANDLE), (), Care())}
    told = {one.milestone.kind for one in milestoning.due(piece, held, tuple(MilestoneKind), at(now))}
    (place,) = planner.places([piece], {1: held}, SHED)
    if latest.finger is TACKY:
        assert str(shown.stage_in_words) == "tacky"
        assert shown.stage in (None, SET)
        assert all(steps[name].ready(at(now)) != "safe" for name in ("sign", "wire", "skins", "varnish-1", "wrap"))
        assert place.safe_at is None or place.safe_at > at(now)
        safe = [one.odds for one in milestoning.due(piece, held, (TOUCH_DRY, HANDLE, VARNISH), at(now))]
        assert "safe" not in safe
    else:
        named = stands.found
        assert named is not None
        assert shown.stage is not None
        assert list(MilestoneKind).index(shown.stage) >= list(MilestoneKind).index(named)
        assert named not in told
    if latest.finger is TOUCHED and latest.at == at(now):
        assert (shown.stage, shown.stage_found_at) == (TOUCH_DRY, at(now))
        assert steps["sign"].ready(at(now)) == "not yet"
    assert bounded(held, stands) == held


@given(forecasts(), TESTS, HOURS)
def test_no_view_contradicts_the_latest_finding_and_undoing_brings_the_old_dates_back(
    forecast: Forecast, tests: list[tuple[Finger, float]], now: float
) -> None:
    assert_one_story(forecast, tests, now)
    if tests:
        assert_one_story(forecast, tests, tests[-1][1])  # at the very moment of a test
    before = bounded(forecast, found(*tests[:-1], now=now))
    assert bounded(forecast, found(*tests[:-1], now=now)) == before  # what is stored was not touched by the test


@given(TESTS, st.integers(0, 2**32 - 1), st.booleans())
def test_members_never_contradict_what_stands(tests: list[tuple[Finger, float]], seed: int, weighed: bool) -> None:
    stands = found(*tests)
    rng = np.random.default_rng(seed)
    reached = np.cumsum(rng.lognormal(10, 1, (4, 16)), axis=0)
    reached[3, rng.random(16) < 0.3] = np.inf
    weights = rng.dirichlet(np.ones(16)) if weighed else None
    after = conditioned(Outcome(reached, np.where(np.isfinite(reached), "", "too_damp"), weights), stands, at(0))
    counted = np.ones(16, dtype=bool) if after.weights is None else after.weights > 0
    for kind, moment in stands.after.items():
        assert (after.reached_s[list(MilestoneKind).index(kind), counted] > (moment - at(0)).total_seconds()).all()
    for kind, moment in stands.by.items():
        edge = (moment - at(0)).total_seconds() / EDGE_THICKNESS ** BY_THICKNESS.get(kind, 1.0)
        assert (after.reached_s[list(MilestoneKind).index(kind), counted] <= edge).all(), "it was dry at the edge"
    assert (np.diff(after.reached_s[:, counted], axis=0)[:, :] >= -1e-6 * timedelta(hours=1).total_seconds()).all()
    assert after.weights is None or after.weights.sum() == pytest.approx(1.0)
