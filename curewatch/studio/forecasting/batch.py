"""Forecasts of many pieces in one integration, the states from which the next ones go on, and whether new air would
move the dates of old ones.

A `Task` holds all that a forecast of one piece is made from, so that another process may integrate a batch of them. It
integrates each member from the pour to the end of the room's record and on. The first part is over and done with, so
the members are kept as they were at the last whole hour before which the record has settled. What is kept carries the
hash of every fact it stands for: where a reading came late, a piece was moved, a recipe corrected, something learned,
or the model changed, the hash is another and the piece is integrated from its pour again. Both ways come to the same
forecast (physics/solver/state.py says why).
"""

from __future__ import annotations

import hashlib
import math
import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np

from curewatch.language import Message, Number, phrase
from curewatch.physics import ensemble
from curewatch.physics.air import USUAL_AIR, ZERO_C, Array
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver.monitor import SAMPLED
from curewatch.physics.solver.state import State, pack, unpack
from curewatch.records import Forecast, Milestone, MilestoneKind
from curewatch.records.decisions import Checkpoint
from curewatch.studio.air.climate import Air
from curewatch.studio.forecasting import simulation
from curewatch.studio.forecasting.simulation import GRID, DryingProblem, Trajectories
from curewatch.studio.outlook.gap_uncertainty import GapUncertainty
from curewatch.studio.standing import Standing, conditioned

MODEL_VERSION = "6"
"""Raised when the same facts would give other dates; every forecast is then made again."""
MOVES = 0.02
"""A date that would move by more than this share of the time from the pour to it is worth a new forecast: half of what
one kelvin does to the drying time, and well within what even a good forecast does not know..."""
MOVES_S = 300.0
"""...and by more than this [s]: no room is known more finely in time."""
PIECES = 125
"""Integrated together at most: with 64 members each, three batches of the solver one after the other, in some 80 MB."""
SURE = 0.95
"""Share of the members that never get there from which on it is said without odds."""
_USUAL_DAYS = 60


@dataclass(frozen=True)
class Task:
    """All that the forecast of one piece is made from."""

    piece_id: int
    poured_at: datetime
    problem: simulation.DryingProblem
    members: int
    days: int
    fingerprint: str
    checkpoint_fingerprint: str | None
    """What vouches for its states at `problem.checkpoint_s`."""
    kept: Checkpoint | None
    """Its states from earlier, where they still stand for the facts."""
    newest_s: float
    """Until when its room was read [s since 1970]."""
    readings: int
    room_temp_c: float
    room_rh_pct: float
    found: Standing = field(default_factory=Standing)
    """What holds by its finger tests."""

    def resumed(self, members: int) -> ResumeState | None:
        """Where it goes on from; None: from its pour."""
        observed = 0 if self.problem.posterior is None else len(self.problem.posterior.times)
        return None if self.kept is None else deserialize(self.kept, members, observed)


@dataclass(frozen=True)
class ForecastResult:
    """A forecast, and the states from which the next one goes on, if there are any yet."""

    forecast: Forecast
    kept: Checkpoint | None


def in_chunks(tasks: Sequence[Task]) -> list[Sequence[Task]]:
    """Tasks in parts of bounded memory; those that go on lie together, for their way is shorter."""
    order = sorted(tasks, key=lambda task: (task.kept is not None, task.poured_at))
    return [order[i : i + PIECES] for i in range(0, len(order), PIECES)]


def make(tasks: Sequence[Task], now: datetime) -> list[ForecastResult]:
    """The forecasts of a chunk at `now`."""
    members = tasks[0].members
    resumed = [task.resumed(members) for task in tasks]
    problems = [
        replace(task.problem, begin=one.state if one else None) for task, one in zip(tasks, resumed, strict=True)
    ]
    trajectories = simulation.simulate(problems, members)
    pourings = [problem.pouring for problem in problems]
    usual = ensemble.run(pourings, ensemble.design(1), USUAL_AIR, _USUAL_DAYS * 86400.0)
    return [_made(task, trajectories, k, resumed[k], usual.outcome(k), now) for k, task in enumerate(tasks)]


def _made(
    task: Task,
    trajectories: simulation.Trajectories,
    k: int,
    resumed: ResumeState | None,
    usual: ensemble.Outcome,
    now: datetime,
) -> ForecastResult:
    seen, centre = observed_samples(trajectories, k, resumed), trajectories.centre(k)
    outcome = conditioned(trajectories.members(k, seen), task.found, task.poured_at)
    sample_s = task.problem.sample_s
    assert sample_s is not None
    forecast = Forecast(
        piece_id=task.piece_id,
        made_at=now,
        model_version=MODEL_VERSION,
        fingerprint=task.fingerprint,
        milestones=tuple(milestone(kind, outcome, task.poured_at, task.days) for kind in MilestoneKind),
        film_temp_c=_finite(trajectories.sample("film_temperature", k, sample_s)[0] - ZERO_C, 3),
        volatile_fraction=_finite(trajectories.sample("volatile_fraction", k, sample_s)[0], 5),
        skin_gap_h=_skin_gap_h(centre),
        usual_skin_gap_h=_skin_gap_h(usual),
        crack_odds=_finite(trajectories.cracks(k, outcome.weights), 4),
        data_until=datetime.fromtimestamp(task.newest_s, UTC),
        readings_used=task.readings,
        room_temp_c=task.room_temp_c,
        room_rh_pct=task.room_rh_pct,
    )
    states = trajectories.checkpoint_state(k)
    if states is None or task.checkpoint_fingerprint is None:
        return ForecastResult(forecast, None)
    expected = centre.reached_s[:, 0].tolist()
    return ForecastResult(
        forecast,
        serialize(task.piece_id, trajectories.problems[k], task.checkpoint_fingerprint, states, seen, expected),
    )


def moved(tasks: Sequence[Task]) -> set[int]:
    """The pieces, of those with states to go on from, whose dates this air would move by more than `MOVES`.

    The central film alone is integrated, from where it was kept through the middle of the future.
    """
    resumed = [task.resumed(0) for task in tasks]
    problems = [
        replace(task.problem, begin=one.state if one else None, sample_s=None, checkpoint_s=None)
        for task, one in zip(tasks, resumed, strict=True)
    ]
    trajectories = simulation.simulate(problems, 0)
    return {task.piece_id for k, task in enumerate(tasks) if _moves(task, trajectories.reached_s[:, k, 0].tolist())}


def _moves(task: Task, found_s: Sequence[float]) -> bool:
    if task.kept is None:
        return True
    for was, now in zip(task.kept.expected_s, found_s, strict=True):
        if was is None or not math.isfinite(now):
            if (was is None) != (not math.isfinite(now)):
                return True
        elif abs(now - was) > max(MOVES * was, MOVES_S):
            return True
    return False


def never_of_ten(never: float) -> int:
    """How many of ten films that is, for people."""
    return 10 if never >= SURE else round(10 * never)


def reason_in_words(outcome: ensemble.Outcome, name: str, days: float) -> Message:
    """What keeps films from a milestone within `days`, and how many of ten such films, for people."""
    never, hindrance = outcome.never(name), outcome.hindrance_of(name)
    n = max(1, never_of_ten(never))
    if hindrance == "not_yet":
        within = Number(days, figures=3)
        if never < SURE:
            return phrase("in {n} of 10 such films not within {days} days", n=n, days=within)
        return phrase("not within {days} days", days=within)
    why = phrase("too cold, the film stays below its film-forming temperature")
    if hindrance == "too_damp":
        why = phrase("too damp, the film's water stays above the limit")
    if never < SURE:
        return phrase("in {n} of 10 such films never in this air: {why}", n=n, why=why)
    return phrase("not in this room: {why}", why=why)


def milestone(kind: MilestoneKind, outcome: ensemble.Outcome, poured_at: datetime, days: int) -> Milestone:
    early, even, late = (
        None if not np.isfinite(s) else poured_at + timedelta(seconds=round(s)) for s in outcome.at(kind.value)
    )
    reason = reason_in_words(outcome, kind.value, days) if late is None else None
    never = 0.0 if outcome.hindrance_of(kind.value) == "not_yet" else round(outcome.never(kind.value), 3)
    return Milestone(kind=kind, early_at=early, worth_checking_at=even, safe_at=late, reason=reason, never=never)


def _skin_gap_h(outcome: ensemble.Outcome) -> float | None:
    touch_dry, handle = (float(outcome.reached_s[MILESTONES.index(name), 0]) for name in ("touch_dry", "handle"))
    return _finite((handle - touch_dry) / 3600, 4) if math.isfinite(touch_dry) else None


def _finite(value: float, digits: int) -> float | None:
    """Rounded: the last digits of a number depend on which films were integrated beside this one."""
    return round(float(value), digits) if np.isfinite(value) else None


HOUR_S = 3600.0
SETTLES_S = 900.0
"""A moment of a record may still change while later readings of its five minutes come in, or a spike shows as one by
the next reading: nothing is kept of the last quarter of an hour. What changes later is found by the hash."""
_COUNT = struct.Struct("<I")


def checkpoint_time(air: Air, poured_s: float, newest_s: float) -> float | None:
    """The last whole hour [s since 1970] that lies in the settled part of a piece's air; None: none since the pour.

    `newest_s`: until when its room was read, both quantities.
    """
    time = air[0]
    settled = int(np.searchsorted(time, time[-1] - SETTLES_S, "right")) - 1
    if settled < 0:
        return None
    hour = math.floor(min(float(time[settled]), newest_s) / HOUR_S) * HOUR_S
    return hour if hour > poured_s else None


def checkpoint_fingerprint(
    version: str, facts: str, members: int, air: Air, uncertainty: GapUncertainty | None, until_s: float
) -> str:
    """Hash of what states at `until_s` [s since 1970] stand for: `facts` of the piece, and the air up to there
    with what is not known of it."""
    digest = hashlib.sha256(f"{version} {facts} {members} {until_s!r}".encode())
    # the knot after the moment bears on the air before it
    count = int(np.searchsorted(air[0], until_s, "left")) + 1
    for column in air:
        digest.update(np.ascontiguousarray(column[:count]).tobytes())
    if uncertainty is not None:
        digest.update(uncertainty.facts(float(air[0][0]), until_s))
    return digest.hexdigest()[:32]


@dataclass(frozen=True)
class ResumeState:
    """What was kept of a piece, taken up again."""

    state: State
    """The central film and, where they were asked for, the members."""
    seen: Array
    """(`integrate.SAMPLED`, moments of observations, members), NaN where the moment had not come."""


def deserialize(kept: Checkpoint, members: int, moments: int) -> ResumeState | None:
    """The states of `kept`, of the central film alone with no `members`; None where they cannot be read.

    `moments`: how many moments of observations there are.
    """
    try:
        state = unpack(kept.centre, 1, GRID.cells)
        if not members:
            return ResumeState(state, np.empty((len(SAMPLED), 0, 0)))
        (length,) = _COUNT.unpack_from(kept.members)
        packed, rest = kept.members[4 : 4 + length], kept.members[4 + length :]
        state = State.join([state, unpack(packed, members, GRID.cells)])
        seen = np.frombuffer(zlib.decompress(rest), np.float32).astype(float)
        return ResumeState(state, seen.reshape(len(SAMPLED), moments, members))
    except (ValueError, struct.error, zlib.error):
        return None  # derived data that is damaged is made again


def serialize(
    piece_id: int, problem: DryingProblem, fingerprint: str, states: State, seen: Array, expected_s: Sequence[float]
) -> Checkpoint:
    """The states of `problem` at its moment to keep them, to be stored."""
    assert problem.checkpoint_s is not None
    members = pack(states.take(slice(1, None)))
    # what was seen after a film's own moment is seen again on going on from it
    ages = np.array([] if problem.posterior is None else problem.posterior.times)
    seen = np.where(ages[:, None] > states.t[1:], np.nan, seen)
    return Checkpoint(
        piece_id=piece_id,
        until=datetime.fromtimestamp(problem.checkpoint_s, UTC),
        fingerprint=fingerprint,
        centre=pack(states.take(slice(0, 1))),
        members=_COUNT.pack(len(members)) + members + zlib.compress(seen.astype(np.float32).tobytes(), 1),
        expected_s=tuple(s if math.isfinite(s) else None for s in expected_s),
    )


def observed_samples(trajectories: Trajectories, k: int, resumed: ResumeState | None) -> Array:
    """What the members of the k-th piece saw at the moments of its observations, in this run or before.

    In single precision, in which it is kept.
    """
    now = trajectories.seen(k).astype(np.float32).astype(float)
    return now if resumed is None else np.where(np.isnan(now), resumed.seen, now)
