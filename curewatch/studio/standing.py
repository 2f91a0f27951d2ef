"""What a finger found of a piece is a fact: it bounds the piece's milestones, whatever the model believes.

A finding holds from when it was made until a later one says otherwise; an earlier one that a later one contradicts does
not stand. Learning takes a finding softly (studio/inference), since anybody may slip; the stage and the dates that are
shown do not. So every forecast passes through here twice: where it is made, members that a finding excludes are out
(`conditioned`); where it is made or read from the store, its dates are held within what was found (`bounded`), so that
no view has to know of findings.

A finger tests an edge, where a film is thinner and dries first. What is tacky there is so all over; where it is dry,
members are left that are a little behind it in their middle.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from curewatch.language import phrase
from curewatch.physics.air import Array
from curewatch.physics.ensemble import Outcome
from curewatch.records import Forecast, Milestone, MilestoneKind
from curewatch.records.facts import Finger, Observation, Spot
from curewatch.studio.inference.observation_model import BY_THICKNESS, EDGE_THICKNESS

_KINDS = tuple(MilestoneKind)
_REACHED = {Finger.TACKY: 0, Finger.TOUCH_DRY: 2, Finger.DRY_THROUGH: 3}
"""How many milestones are reached where a finger says so; of packing it says nothing, where it finds a film tacky."""
_NOT_YET = {
    Finger.TACKY: (MilestoneKind.TOUCH_DRY, MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY),
    Finger.TOUCH_DRY: (MilestoneKind.HANDLE, MilestoneKind.VARNISH_READY),
    Finger.DRY_THROUGH: (),
}
"""What it rules out. A finger that finds a film dry through cannot tell whether it is ready to varnish."""
NAMES = {Finger.TOUCH_DRY: MilestoneKind.TOUCH_DRY, Finger.DRY_THROUGH: MilestoneKind.HANDLE}
"""The milestone that it finds reached."""
HELD = phrase("a finger found it tacky: not safe to assume before one finds otherwise")
NOT_YET = "not by what a finger found: the dates follow"
"""Of a forecast from before the finding."""
LEFT = 1 / 8
"""Share of members that must be left after a finding, counted by what they weigh; with fewer, chance would speak."""
RESAMPLED = 0.35
"""How widely the dates are spread about a finding that none of the members allows, standard deviation of the logarithm
of time [cal]: as widely as touch-dry is before anything is known."""
PRESSED = 0.9
"""Where so many would be dry through, whoever says touch-dry may not have pressed."""
FAR_OUT = 0.01
"""A finding less likely than this, by what was believed, is asked back."""


@dataclass(frozen=True)
class Standing:
    """What the findings of one piece come to."""

    at: datetime | None = None
    """As of when."""
    latest: Observation | None = None
    """The last finger test; None: there is none."""
    after: Mapping[MilestoneKind, datetime] = field(default_factory=dict)
    """Not reached yet at this moment."""
    by: Mapping[MilestoneKind, datetime] = field(default_factory=dict)
    """Reached by this moment."""
    at_edge: Collection[MilestoneKind] = ()
    """Those of `by` that were found at an edge."""

    def __bool__(self) -> bool:
        return self.latest is not None

    @property
    def is_tacky(self) -> bool:
        """Whether touch-dry, and all that comes after it, is held back until a finger finds otherwise."""
        return self.latest is not None and self.latest.finger is Finger.TACKY

    @property
    def found(self) -> MilestoneKind | None:
        """The milestone that the last finding names."""
        return NAMES.get(self.latest.finger) if self.latest is not None and self.latest.finger is not None else None


def standing(observations: Iterable[Observation], poured_at: datetime, now: datetime) -> Standing:
    """What holds at `now` by the finger tests among these observations of one piece."""
    tests, _ = _sifted(observations, poured_at, now)
    after: dict[MilestoneKind, datetime] = {}
    by: dict[MilestoneKind, datetime] = {}
    spots: dict[MilestoneKind, Spot] = {}
    for finger, one in tests:
        by |= dict.fromkeys(_KINDS[: _REACHED[finger]], one.at)
        spots |= dict.fromkeys(_KINDS[: _REACHED[finger]], one.spot)
        for kind in _NOT_YET[finger]:
            after.setdefault(kind, one.at)
    at_edge = frozenset(kind for kind, spot in spots.items() if spot is Spot.EDGE)
    return Standing(now, tests[0][1] if tests else None, after, by, at_edge)


def contradicted(observations: Iterable[Observation], poured_at: datetime, now: datetime) -> set[int]:
    """The ids of the finger tests that do not stand, since a later one says otherwise."""
    return {one.id for one in _sifted(observations, poured_at, now)[1]}


def _sifted(
    observations: Iterable[Observation], poured_at: datetime, now: datetime
) -> tuple[list[tuple[Finger, Observation]], list[Observation]]:
    """The finger tests that stand, the newest first, and those that do not; of one moment the one logged last."""
    tests = [(one.finger, one) for one in observations if one.finger is not None and poured_at < one.at <= now]
    stand: list[tuple[Finger, Observation]] = []
    fall: list[Observation] = []
    for finger, one in sorted(tests, key=lambda test: (test[1].at, test[1].id), reverse=True):
        if stand and (finger, one.at) == (stand[-1][0], stand[-1][1].at):
            continue  # the same again
        if stand and (one.at == stand[-1][1].at or _REACHED[finger] > _REACHED[stand[-1][0]]):
            fall.append(one)
        else:
            stand.append((finger, one))
    return stand, fall


def conditioned(outcome: Outcome, found: Standing, poured_at: datetime) -> Outcome:
    """The members that the findings leave; where too few are left, all of them, moved to about what was found."""
    if not found:
        return outcome
    low, high = _bounds(found, poured_at)
    reached = outcome.reached_s
    able: NDArray[np.bool_] = np.asarray(np.isfinite(reached[np.isfinite(high)]).all(axis=0))
    edge = [EDGE_THICKNESS ** BY_THICKNESS.get(kind, 1.0) if kind in found.at_edge else 1.0 for kind in _KINDS]
    weights = np.full(reached.shape[1], 1 / reached.shape[1]) if outcome.weights is None else outcome.weights
    left = weights * ((reached > low[:, None]) & (reached * np.array(edge)[:, None] <= high[:, None])).all(axis=0)
    if left.sum() > 0 and left.sum() ** 2 / (left**2).sum() >= max(LEFT * len(left), 2):
        source = _beyond_a_finger(
            reached[-1], np.where((reached[-1] > low[-1]) & able, weights, 0.0), left / left.sum()
        )
        ready = np.maximum(reached[-1][source], reached[-2])
        hindrance = np.vstack([outcome.hindrance[:-1], outcome.hindrance[-1:, source]])
        return Outcome(np.vstack([reached[:-1], ready]), hindrance, left / left.sum())
    pivot = _KINDS.index(found.found or MilestoneKind.TOUCH_DRY)
    hindrance = outcome.hindrance
    if able.any() and not able.all():  # the others never come to what was found: they tell nothing of what comes after
        instead = np.where(able, np.arange(len(able)), np.resize(np.flatnonzero(able), len(able)))
        reached, hindrance = reached[:, instead], hindrance[:, instead]
    moved = _resampled(reached, low, high, pivot)
    return Outcome(moved, np.where(np.isfinite(moved), "", hindrance), outcome.weights)


def _beyond_a_finger(ready: Array, weights: Array, left: Array) -> NDArray[np.intp]:
    """By member, the one whose `ready` to varnish it takes on, so that those that are `left` are as widely spread in it
    as all were. Of that a finger says next to nothing, and what it does say the weights have heard: over the few that
    are left, chance would move the date by a tenth."""
    order = np.argsort(ready, kind="stable")
    middle = [np.cumsum(one[order]) - one[order] / 2 for one in (weights / weights.sum(), left)]
    known = np.flatnonzero(weights[order] > 0)
    found = np.clip(np.searchsorted(middle[0][known], middle[1]), 0, len(known) - 1)
    source = np.empty(len(order), dtype=np.intp)
    source[order] = order[known[found]]
    return source


def _bounds(found: Standing, poured_at: datetime) -> tuple[Array, Array]:
    """(4) each: later than, and not later than [s from the pour]."""
    low = [(found.after[kind] - poured_at).total_seconds() if kind in found.after else -np.inf for kind in _KINDS]
    high = [(found.by[kind] - poured_at).total_seconds() if kind in found.by else np.inf for kind in _KINDS]
    return np.array(low), np.array(high)


def _resampled(reached: Array, low: Array, high: Array, pivot: int) -> Array:
    """Members drawn about what was found of the `pivot`th milestone; what comes after that takes as long as it did,
    counted from when it was found not to be there yet.

    The slow ones stay slow: those that were last to get there come furthest after the finding, or least before it.
    """
    rank = np.argsort(np.argsort(reached[pivot], kind="stable"), kind="stable")
    share = (rank + 0.5) / len(rank)
    widths = np.array([NormalDist().inv_cdf(0.5 + 0.5 * one) for one in sorted(share.tolist())]) * RESAMPLED
    beyond, before = np.exp(widths[rank]), np.exp(-widths[::-1][rank])

    def drawn(k: int, at: Array) -> Array:
        at = np.minimum(at, high[k] * before)
        at = np.maximum(at, low[k] * beyond) if low[k] > 0 else at
        return at if (at <= high[k]).all() else low[k] * (high[k] / low[k]) ** share

    there = drawn(pivot, high[pivot] * before if np.isfinite(high[pivot]) else low[pivot] * beyond)
    was = np.where(np.isfinite(reached[pivot]), reached[pivot], there)
    moved = [*(np.minimum(drawn(k, at), there) for k, at in enumerate(reached[:pivot])), there]
    for k, at in enumerate(reached[pivot + 1 :], pivot + 1):
        lag = np.maximum(at - was, 0.0)
        at = np.minimum(there + lag, high[k] * before)
        if low[k] > 0:
            at = np.where(at > low[k], at, low[k] + np.maximum(lag, was * (beyond - 1)))
        moved.append(at if (at <= high[k]).all() else low[k] * (high[k] / low[k]) ** share)
    return np.maximum.accumulate(np.array(moved), axis=0)


def bounded(forecast: Forecast, found: Standing) -> Forecast:
    """The forecast with its dates held within what was found; once more changes nothing."""
    if not found:
        return forecast
    known = forecast.milestones or tuple(
        Milestone(kind=kind, early_at=None, worth_checking_at=None, safe_at=None, reason=forecast.reason)
        for kind in _KINDS
    )
    return forecast.model_copy(update={"milestones": tuple(held(milestone, found) for milestone in known)})


def held(one: Milestone, found: Standing) -> Milestone:
    """A milestone, its dates within what was found."""
    low, high = found.after.get(one.kind), found.by.get(one.kind)
    dates = (one.early_at, one.worth_checking_at, one.safe_at)
    found_at, reason, likely = one.found_at, one.reason, one.likely_at
    early: datetime | None
    even: datetime | None
    safe: datetime | None
    if high is not None:
        if one.kind is found.found or one.safe_at is None or one.safe_at > high:
            found_at = high  # else it was safe to assume before anybody looked
        early, even, safe = _between(low, high, dates)
        reason = None
    elif low is not None:
        early, even, safe = (None if at is None or at <= low else at for at in dates)
        if found.is_tacky:  # a date ahead is when to look for it; only a finger can say that it has come
            safe, reason, likely = None, HELD, safe or likely
        elif safe is None:
            reason = reason or NOT_YET
    else:
        early, even, safe = dates
    return one.model_copy(
        update={
            "early_at": early,
            "worth_checking_at": even,
            "safe_at": safe,
            "reason": reason,
            "found_at": found_at,
            "never": one.never if high is None else 0.0,
            "not_before": low,
            "held": high is None and low is not None and found.is_tacky,
            "likely_at": likely,
        }
    )


def _between(low: datetime | None, high: datetime, dates: Sequence[datetime | None]) -> list[datetime]:
    """Dates of what was reached by `high`, in their order; one that cannot be is the next later one."""
    found = [high]
    for at in reversed(dates):
        found.insert(0, found[0] if at is None or at > found[0] or (low is not None and at <= low) else at)
    return found[:-1]


def odds_of(forecast: Forecast | None, finger: Finger, at: datetime, poured_at: datetime) -> float | None:
    """How likely it was that a finger would find this then, by the dates of a forecast; None: it has none."""
    dates = {milestone.kind: milestone for milestone in forecast.milestones} if forecast else {}
    touch_dry, handle = (reached_by(dates.get(kind), at, poured_at) for kind in NAMES.values())
    if finger is Finger.TACKY:
        return None if touch_dry is None else 1 - touch_dry
    if finger is Finger.TOUCH_DRY and touch_dry is not None and handle is not None:
        return min(touch_dry, 1 - handle)
    return touch_dry if finger is Finger.TOUCH_DRY else handle


def reached_by(milestone: Milestone | None, at: datetime, poured_at: datetime) -> float | None:
    """Odds that a milestone is reached by then: its dates lie on a normal curve of the logarithm of time, each half of
    it with its own width, as far as it is ever reached."""
    if milestone is None or milestone.worth_checking_at is None:
        return None
    age, even = (at - poured_at).total_seconds(), (milestone.worth_checking_at - poured_at).total_seconds()
    early_at, safe_at = milestone.early_at, milestone.safe_at or milestone.likely_at
    if age <= 0 or even <= 0:
        return None
    below = early_at is not None and (age < even or safe_at is None)
    other = early_at if below else safe_at
    if other is None:
        return None
    width = abs(np.log(max((other - poured_at).total_seconds(), 1.0) / even)) / NormalDist().inv_cdf(0.9)
    return min(NormalDist().cdf(float(np.log(age / even) / max(width, 1e-3))), 1.0 - milestone.never)
