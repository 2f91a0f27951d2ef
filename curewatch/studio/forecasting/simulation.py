"""The ensemble, integrated through the air that pieces have had and then each member through its own future.

What is past is particular to the piece, and the same for all members where it was read closely; where it was not, each
has one of its own (studio/outlook/gap_uncertainty.py). What is to come is shared by the pieces of a room, whenever
they were poured, and particular to the member. So the integration has two legs: to the end of the room's
record, and on from there. The first need not begin at the pour: a piece whose members were kept goes on from them.

The central film is integrated beside the members, in row 0, through the middle of the future.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import cracking, ensemble
from curewatch.physics.air import ZERO_C, AirSeries, Array, Flags
from curewatch.physics.ensemble import EnsembleRun, films_at
from curewatch.physics.film import Films, Grid
from curewatch.physics.solver import integrator
from curewatch.physics.solver.monitor import SAMPLED
from curewatch.physics.solver.state import CheckpointRecorder, State
from curewatch.studio.air.climate import Air
from curewatch.studio.inference.posterior import Posterior, deviates
from curewatch.studio.outlook.gap_uncertainty import GapUncertainty, conditional_samples, with_sensor_bias
from curewatch.studio.outlook.scenarios import RoomScenarios

GRID = Grid.graded()


@dataclass(frozen=True)
class DryingProblem:
    """The drying of one piece as an initial value problem: its film, the air it has had, and the air to come."""

    pouring: ensemble.Pouring
    poured_s: float
    """[s since 1970 UTC]"""
    air: Air
    """The air it has had; the first and the last value hold."""
    future: RoomScenarios | None
    """Of the room it is in now; None: the last value holds for good."""
    until_s: float
    """How far to look [s from the pour]."""
    posterior: Posterior | None = None
    """What was learned about it, if anything."""
    sample_s: float | None = None
    """When to look at its films, beside the moments of its observations [s since 1970 UTC]; in the past."""
    checkpoint_s: float | None = None
    """Up to when to keep their states [s since 1970 UTC]; before the end of `air`."""
    begin: State | None = None
    """Where its films go on from: central film, members; times from the pour. None: as poured."""
    uncertainty: GapUncertainty | None = None
    """What is not known of `air`; None: nothing."""
    room: str | None = None
    """Names `future`: equal for the pieces that share one; None: nobody does."""
    air_key: Hashable = None
    """Names `air` and `uncertainty` likewise."""

    @property
    def past_s(self) -> float:
        """Where its past ends [s from the pour]."""
        if self.future is None:
            return self.until_s
        return min(max(float(self.future.time_s[0]) - self.poured_s, 0.0), self.until_s)

    @property
    def sample_times(self) -> list[float]:
        """When to look at its films [s since 1970 UTC]."""
        seen = [] if self.posterior is None else [age + self.poured_s for age in self.posterior.times]
        return seen if self.sample_s is None else [*seen, self.sample_s]


@dataclass(frozen=True)
class Trajectories:
    """Pieces that have been integrated; films are piece by piece, the central one first."""

    problems: Sequence[DryingProblem]
    rows: int
    """Films of each piece: the central one and the members."""
    z: Array
    films: Films
    reached_s: Array
    """(4, pieces, rows) [s from the pour], inf where not within the time integrated."""
    hindrance: NDArray[np.str_]
    moments: Array
    """When samples were taken [s since 1970 UTC]."""
    samples: dict[str, Array]
    """(moments, pieces, rows), NaN where not passed over in this run."""
    kept: State
    """Of the films with a moment to keep them at; times from the pour."""

    def sample(self, name: str, k: int, moment_s: float) -> Array:
        """One of `integrate.SAMPLED` of the films of the k-th piece (rows)."""
        return np.asarray(self.samples[name][int(np.searchsorted(self.moments, moment_s)), k])

    def seen(self, k: int) -> Array:
        """The members of the k-th piece at the moments of its observations: (`SAMPLED`, moments, members)."""
        problem = self.problems[k]
        moments = [] if problem.posterior is None else [age + problem.poured_s for age in problem.posterior.times]
        found = [[self.sample(name, k, moment)[1:] for moment in moments] for name in SAMPLED]
        return np.array(found).reshape(len(SAMPLED), len(moments), self.rows - 1)

    def centre(self, k: int) -> ensemble.Outcome:
        """The central film of the k-th piece."""
        return ensemble.Outcome(self.reached_s[:, k, :1], self.hindrance[:, k, :1])

    def members(self, k: int, seen: Array | None = None) -> ensemble.Outcome:
        """The members of the k-th piece, weighed against its own observations, of which `seen` is what they saw."""
        problem, own = self.problems[k], slice(k * self.rows + 1, (k + 1) * self.rows)
        seen = self.seen(k) if seen is None else seen
        runs = EnsembleRun(
            films=self.films.take(own),
            reached_s=self.reached_s[:, k : k + 1, 1:],
            hindrance=self.hindrance[:, k : k + 1, 1:],
            samples={name: seen[i][:, None] for i, name in enumerate(SAMPLED)},
            times=np.array([] if problem.posterior is None else problem.posterior.times),
        )
        return runs.outcome(0, None if problem.posterior is None else problem.posterior.weights(runs, 0, self.z[k, 1:]))

    @cached_property
    def crack_odds(self) -> Array:
        """That each film cracks (pieces, rows): in its room as it was read, and then in its own future of it."""
        split, reached = (len(self.problems), self.rows), self.reached_s
        limit = np.array([problem.until_s for problem in self.problems])[:, None]
        looks = np.stack([cracking.looked_at(reached[:, k], limit[k]) for k in range(split[0])], axis=1)
        temp, rh = np.empty_like(looks), np.empty_like(looks)
        for k, problem in enumerate(self.problems):
            temp[:, k], rh[:, k] = _read_at(problem, looks[:, k])
        thicker = [cracking.pile(problem.pouring, float(looks[0, k, 0])) for k, problem in enumerate(self.problems)]
        flat = (looks.reshape(len(looks), -1), temp.reshape(len(looks), -1) + ZERO_C, rh.reshape(len(looks), -1) / 100)
        return cracking.odds(self.films, *flat, np.repeat(thicker, self.rows)).reshape(split)

    def cracks(self, k: int, weights: Array | None) -> float:
        """The odds that the k-th piece cracks, over its members."""
        return float(np.average(self.crack_odds[k, 1:], weights=weights))

    def checkpoint_state(self, k: int) -> State | None:
        """The states that were kept of the k-th piece."""
        if self.problems[k].checkpoint_s is None:
            return None
        return self.kept.take(slice(k * self.rows, (k + 1) * self.rows))


def _read_at(problem: DryingProblem, time_s: Array) -> tuple[Array, Array]:
    """Of a piece's room [°C, %] at `time_s` [s from the pour] (looks, rows): as read, and then as each row has it."""
    at = time_s + problem.poured_s
    temp, rh = (np.interp(at, problem.air[0], values) for values in problem.air[1:])
    ahead = problem.future
    if ahead is not None:
        for row in np.flatnonzero((time_s > problem.past_s).any(axis=0)).tolist():
            later = time_s[:, row] > problem.past_s
            for found, values in ((temp, ahead.temp_c), (rh, ahead.rh_pct)):
                found[later, row] = np.interp(at[later, row], ahead.time_s, values[row])
    return temp, rh


def sampled_trajectory(problem: DryingProblem, members: int, ages_s: Array) -> tuple[dict[str, Array], Array | None]:
    """One piece's members at `ages_s` [s from the pour], past and to come: samples (ages, members), and what each
    member counts (None: all alike). Its whole way is integrated as one."""
    z = deviates(problem.posterior, members)[None, 1:]
    films = films_at([problem.pouring], z)
    observed = np.array([] if problem.posterior is None else problem.posterior.times)
    at = np.union1d(ages_s, observed)
    until = max(problem.until_s, float(at[-1]))
    state, found = integrator.integrate(
        films, _member_air(problem, members), np.arange(members), until, grid=GRID, sample_at=at
    )
    samples = {name: value[:, None] for name, value in found.items()}
    seen = at > problem.past_s  # nobody has looked yet at what is to come
    runs = EnsembleRun(
        films=films,
        reached_s=state.reached[:, None],
        hindrance=np.full(state.reached[:, None].shape, ""),
        samples={name: np.where(seen[:, None, None], np.nan, value) for name, value in samples.items()},
        times=at,
    )
    weights = None if problem.posterior is None else problem.posterior.weights(runs, 0, z[0])
    rows = np.searchsorted(at, ages_s)
    return {name: value[rows, 0] for name, value in samples.items()}, weights


def _member_air(problem: DryingProblem, members: int) -> AirSeries:
    """The air of each member, had and to come, in seconds from the pour."""
    had = (
        [problem.air] * members
        if problem.uncertainty is None
        else conditional_samples(problem.air, problem.uncertainty, members, problem.poured_s)
    )
    if problem.future is None:
        return AirSeries.from_celsius(had, problem.poured_s)
    temps, rhs = problem.future.temp_c, problem.future.rh_pct
    if problem.uncertainty is not None:
        temps, rhs = with_sensor_bias(problem.future, problem.uncertainty, len(temps) - 1)
    found = []
    for k, row in enumerate((1 + np.arange(members) % (len(temps) - 1)).tolist()):
        time, temp, rh = had[k]
        ahead = problem.future.time_s > time[-1]
        to_come = (problem.future.time_s, temps[row], rhs[row])
        t, c, r = (np.concatenate([was, then[ahead]]) for was, then in zip((time, temp, rh), to_come, strict=True))
        found.append((t, c, r))
    return AirSeries.from_celsius(found, problem.poured_s)


def simulate(problems: Sequence[DryingProblem], members: int) -> Trajectories:
    """Integrate the pieces' central films, and as many members of each (0: none)."""
    rows = 1 + members
    z = np.stack([deviates(problem.posterior, members) for problem in problems])
    films = films_at([problem.pouring for problem in problems], z)
    base = min(problem.poured_s for problem in problems)
    off = np.repeat([problem.poured_s - base for problem in problems], rows)
    limit = np.repeat([problem.until_s for problem in problems], rows)
    first = np.repeat([problem.past_s for problem in problems], rows)
    past, rooms = _past_air(problems, rows, base)
    begin = _initial_state(problems, films, rows)
    first = np.maximum(first, begin.t)  # a film that was finished early stays where it is
    moments = np.array(sorted({moment for problem in problems for moment in problem.sample_times}))
    # always, even where there is nothing to keep: what a film comes to must not hang on whether it was asked to be kept
    keep_at = np.repeat(
        [-np.inf if problem.checkpoint_s is None else problem.checkpoint_s - base for problem in problems], rows
    )
    recorder = CheckpointRecorder(keep_at, _shifted(begin, off))
    state, samples = integrator.integrate(
        films.shifted(off), past, rooms, first + off, grid=GRID, state=_shifted(begin, off), recorder=recorder,
        sample_at=moments - base, sampled=_sampled(problems, rows),
    )  # fmt: skip
    temp, rh = past.at(limit + off, rooms)
    state = _shifted(state, -off)
    going = np.flatnonzero(first < limit)
    if len(going):
        series, index, origin = _scenario_air(problems, rows)
        shift = (off + base)[going] - origin[going]
        part, _ = integrator.integrate(
            films.take(going).shifted(shift), series, index[going], limit[going] + shift, grid=GRID,
            state=_shifted(state.take(going), shift),
        )  # fmt: skip
        state.put(going, _shifted(part, -shift))
        temp[going], rh[going] = series.at(limit[going] + shift, index[going])
    split = (len(problems), rows)
    return Trajectories(
        problems=problems,
        rows=rows,
        z=z,
        films=films,
        reached_s=state.reached.reshape(4, *split),
        hindrance=ensemble.hindrances(films, state, temp, rh).reshape(4, *split),
        moments=moments,
        samples={name: value.reshape(-1, *split) for name, value in samples.items()},
        kept=_shifted(recorder.state, -off),
    )


def _air_keys(problems: Sequence[DryingProblem]) -> list[Hashable]:
    """Whose past each piece's is: the name it shares, or its own number."""
    return [k if problem.air_key is None else (problem.air_key,) for k, problem in enumerate(problems)]


def _past_air(problems: Sequence[DryingProblem], rows: int, base: float) -> tuple[AirSeries, NDArray[np.intp]]:
    """The air that films have had, in seconds from `base`, and each film's series.

    Pieces with one `air_key` share its record, and where that leaves doubt one past for each member.
    """
    keys = _air_keys(problems)
    since: dict[Hashable, float] = {}
    for key, problem in zip(keys, problems, strict=True):
        begins_s = problem.poured_s + (0.0 if problem.begin is None else float(problem.begin.t.min()))
        since[key] = min(begins_s, since.get(key, np.inf))
    first: dict[Hashable, int] = {}
    series: list[Air] = []
    index = []
    for key, problem in zip(keys, problems, strict=True):
        if key not in first:
            first[key] = len(series)
            series.append(problem.air)
            if problem.uncertainty is not None:
                series += conditional_samples(problem.air, problem.uncertainty, rows - 1, since[key])
        index.append(first[key] + np.arange(rows) * (problem.uncertainty is not None))
    return AirSeries.from_celsius(series, base), np.concatenate(index)


def _sampled(problems: Sequence[DryingProblem], rows: int) -> Flags:
    """All films of a piece with observations, else the central one: others may stop when they are done."""
    wanted = np.zeros((len(problems), rows), dtype=bool)
    wanted[:, 0] = True
    wanted[[problem.posterior is not None and bool(problem.posterior.times) for problem in problems]] = True
    return wanted.ravel()


def _initial_state(problems: Sequence[DryingProblem], films: Films, rows: int) -> State:
    begin = State.poured(films, GRID)
    for k, problem in enumerate(problems):
        if problem.begin is not None:
            begin.put(slice(k * rows, (k + 1) * rows), problem.begin)
    return begin


def _scenario_air(problems: Sequence[DryingProblem], rows: int) -> tuple[AirSeries, NDArray[np.intp], Array]:
    """The rooms' futures as series in seconds from the end of each record, and each film's series and that end."""
    series: list[Air] = []
    first: dict[Hashable, int] = {}
    keys = _air_keys(problems)
    index, origin = np.zeros((len(problems), rows), dtype=np.intp), np.zeros((len(problems), rows))
    for i, problem in enumerate(problems):
        if problem.future is None:
            continue
        ahead = problem.future
        bias_key = None if problem.uncertainty is None else keys[i]
        key: Hashable = i if problem.room is None else (problem.room, bias_key)
        if key not in first:
            first[key] = len(series)
            since = ahead.time_s - ahead.time_s[0]
            temp, rh = (
                (ahead.temp_c, ahead.rh_pct)
                if problem.uncertainty is None
                else with_sensor_bias(ahead, problem.uncertainty, rows - 1)
            )
            series += [(since, temp[row], rh[row]) for row in range(rows)]
        index[i] = first[key] + np.arange(rows)
        origin[i] = ahead.time_s[0]
    return AirSeries.from_celsius(series), index.ravel(), origin.ravel()


def _shifted(state: State, by_s: Array) -> State:
    """The same state with its times counted from another moment; `inf` stays."""
    return replace(state, t=state.t + by_s, since=state.since + by_s, reached=state.reached + by_s)
