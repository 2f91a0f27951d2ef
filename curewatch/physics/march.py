"""March a batch of films through time: ROS2, each film with its own adaptive step.

ROS2 (Verwer, Spee, Blom & Hundsdorfer 1999, SIAM J. Sci. Comput. 20) is a linearly implicit two-stage Rosenbrock
method, L-stable, of order two for any Jacobian; so the coupling between the two volatiles and the change of film
temperature may stay out of it:

    (1 - gamma tau J) k1 = f(t, u)
    (1 - gamma tau J) k2 = f(t + tau, u + tau k1) - 2 k1
    u' = u + 3/2 tau k1 + 1/2 tau k2,     first-order companion u + tau k1,     gamma = 1 - 1/sqrt 2

A film whose milestones are all reached (and whose samples are all taken) leaves the batch.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.physics import milestones as ms
from curewatch.physics.air import Array
from curewatch.physics.film import FUSE_EA, FUSE_S, T_D, Films, Grid
from curewatch.physics.kinetics import Kinetics, Rates, Shifted
from curewatch.physics.series import AirSeries

GAMMA = 1 - 1 / np.sqrt(2)
RTOL, ATOL = 4e-3, 3e-4
"""Step tolerance, relative and absolute, on volume ratios: milestones then lie within 0.7 % of the exact ones."""
FINE = (1e-3, 1e-4)
"""The tolerance for a few films, where time is no matter: within 0.2 %."""
STEP_MIN, STEP_FIRST, STEP_MAX = 1e-3, 20.0, 4 * 86400.0
"""Bounds of a time step and the first one tried [s]."""
BATCH = 1536
"""Films marched together: their working set then stays in a core's cache."""
SAMPLED = ("volatile_fraction", "surface", "bottom", "film_temperature", "rate")
"""What `samples` hold: volatile volume fraction of the film, of its top tenth, of the bottom cell [-], film
temperature [K], water leaving [kg/(m2 s)]."""


@dataclass
class State:
    """Everything that a march needs in order to go on, one column a film. Times are in seconds from the pour."""

    t: Array
    u: Array
    """Water and glycol ratios (cells, 2, films)."""
    age: Array
    """Ageing c towards a fused film (0 to 1 and beyond)."""
    lost: Array
    """Water and glycol that have left (2, films) [m3 of liquid per m3 of solids]."""
    step: Array
    """Next step to try [s]."""
    t_film: Array
    """Film temperature [K]."""
    since: Array
    """Since when each condition holds (6, films), inf where it does not."""
    reached: Array
    """When each milestone was reached (4, films), inf where not yet."""

    @classmethod
    def poured(cls, films: Films, grid: Grid, start: Array | float = 0.0) -> State:
        n = len(films)
        return cls(
            t=np.full(n, start, dtype=float) if np.isscalar(start) else np.array(start, dtype=float),
            u=films.initial(grid.cells),
            age=np.zeros(n),
            lost=np.zeros((2, n)),
            step=np.full(n, STEP_FIRST),
            t_film=np.full(n, np.nan),
            since=np.full((len(ms.CONDITIONS), n), np.inf),
            reached=np.full((len(ms.MILESTONES), n), np.inf),
        )

    def take(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> State:
        return State(**{f.name: getattr(self, f.name)[..., index].copy() for f in fields(self)})

    def put(self, index: NDArray[np.intp], part: State) -> None:
        for f in fields(self):
            getattr(self, f.name)[..., index] = getattr(part, f.name)


def march(
    films: Films,
    series: AirSeries,
    room: NDArray[np.intp],
    until: Array | float,
    *,
    grid: Grid | None = None,
    state: State | None = None,
    sample_at: Array | None = None,
    rtol: float = RTOL,
    atol: float = ATOL,
    stop_when_ready: bool = True,
) -> tuple[State, dict[str, Array]]:
    """Advance `films` through the air of `series[room]` to `until` [s].

    `room`: index of each film's series. `state`: where to go on from (default: as poured at 0 s), not changed.
    `sample_at`: increasing times [s] at which `SAMPLED` is recorded, each (times, films), NaN where not passed over.
    Returns the final state and the samples. Films that have reached every milestone stop early, at their own time,
    unless `stop_when_ready` is False or samples are still to come.
    """
    grid = grid or Grid.graded()
    state = State.poured(films, grid) if state is None else state.take(slice(None))
    until = np.broadcast_to(np.asarray(until, dtype=float), state.t.shape)
    times = np.empty(0) if sample_at is None else np.asarray(sample_at, dtype=float)
    samples = {name: np.full((len(times), len(films)), np.nan) for name in SAMPLED}
    for begin in range(0, len(films), BATCH):
        index = np.arange(begin, min(begin + BATCH, len(films)))
        run = _Run(
            films.take(index), series, room[index], until[index], state.take(index), grid, times, (rtol, atol),
            stop_when_ready,
        )  # fmt: skip
        state.put(index, run.go())
        for name in SAMPLED:
            samples[name][:, index] = run.samples[name]
    return state, samples


class _Run:
    """One batch on its way. Films drop out as they finish; `where` maps the ones left to their columns."""

    def __init__(
        self, films: Films, series: AirSeries, room: NDArray[np.intp], until: Array, state: State, grid: Grid,
        times: Array, tolerance: tuple[float, float], stop_when_ready: bool,
    ) -> None:  # fmt: skip
        self.films, self.series, self.room, self.until = films, series, room, until.copy()
        self.grid, self.times, self.tolerance, self.stop_when_ready = grid, times, tolerance, stop_when_ready
        self.samples = {name: np.full((len(times), len(films)), np.nan) for name in SAMPLED}
        self.where = np.arange(len(films))
        self.next_sample = np.searchsorted(times, state.t, "left")
        self.state, self.final, self.rounds = state, state.take(slice(None)), 0
        self.kinetics = Kinetics(films, grid)

    def go(self) -> State:
        """March to the end; returns the final state of the batch."""
        s = self.state
        here = self._look(s, None if np.isnan(s.t_film).any() else s.t_film)
        s.since = np.where((here.margin >= 0) & np.isinf(s.since), s.t, s.since)
        self.trend = ms.Trend(here.margin)
        self.scalars = self._scalars(here)
        self._sample(s.t, here)
        here = self._drop_finished(here)
        while len(self.where):
            here = self._drop_finished(self._advance(here))
            self.rounds += 1
        return self.final

    def _advance(self, here: _Look) -> _Look:
        """One step of every film; those that fail their tolerance stay where they are with a shorter next step."""
        s = self.state
        end = np.minimum(self.until, self.series.next_change(s.t, self.room))
        tau = np.minimum(s.step, end - s.t)
        u, lost, error = self._attempt(here.rates, tau)
        ok = (error <= 1.0) | (tau <= STEP_MIN)
        s.step = self._next_step(tau, error, ok)
        began, tau = s.t, np.where(ok, tau, 0.0)
        s.t = np.where(ok & (tau >= end - began), end, began + tau)
        if u.min() < 0:  # a volatile that is gone stays gone; its undershoot is booked as not lost
            lost += (self.grid.share[:, None] * np.minimum(u, 0.0)).sum(0)
            np.maximum(u, 0.0, out=u)
        s.lost += np.where(ok, lost, 0.0)
        np.copyto(s.u, u, where=ok)
        there = self._look(s, s.t_film, here, tau)
        self.trend.follow(s.since, there.margin, began, tau)
        s.reached = ms.reached(s.reached, s.since, s.t)
        self._sample(began, there)
        return there

    def _attempt(self, r: Rates, tau: Array) -> tuple[Array, Array, Array]:
        """The state after `tau` [s] (not yet clamped), what left the surface [m3 per m3 of solids], the error norm."""
        s, shift = self.state, GAMMA * tau
        system = Shifted(self.kinetics.bands(r.loss_slope), shift)
        k1 = system.solve(r.change.copy())
        first = tau * k1
        first += s.u
        ahead = self.kinetics.rates(np.maximum(first, 0.0), *self.series.at(s.t + tau, self.room), s.t_film)
        k2 = ahead.change.copy()
        k2 -= k1
        k2 -= k1
        system.solve(k2)
        # the loss is integrated as one more unknown of the same scheme, which makes the balance exact
        out1 = r.loss + shift * r.loss_slope * k1[-1]
        out2 = ahead.loss + shift * r.loss_slope * k2[-1] - 2 * out1
        lost = tau * (1.5 * out1 + 0.5 * out2) / self.films.solids_m
        correction = k2
        correction += k1
        correction *= 0.5 * tau
        second = first
        second += correction
        return second, lost, self._error(s.u, second, correction)

    def _error(self, old: Array, new: Array, correction: Array) -> Array:
        """RMS over the cells of each film's error in units of its tolerance, the worse of the two volatiles."""
        rtol, atol = self.tolerance
        scaled = np.maximum(old, new)
        scaled *= rtol
        scaled += atol
        np.divide(correction, scaled, out=scaled)
        scaled *= scaled
        return np.asarray(np.nan_to_num(np.sqrt(scaled.mean(0).max(0)), nan=np.inf))

    def _next_step(self, tau: Array, error: Array, ok: NDArray[np.bool_]) -> Array:
        growth = np.clip(0.85 * np.maximum(error, 1e-8) ** -0.5, 0.2, np.where(ok, 4.0, 0.7))
        proposal = tau * growth
        # a step cut short by a change of the air says little about the next: it never shrinks a good step's memory
        cut_short = ok & (tau < self.state.step)
        return np.clip(np.where(cut_short, np.maximum(proposal, self.state.step), proposal), STEP_MIN, STEP_MAX)

    def _look(self, s: State, guess: Array | None, before: _Look | None = None, tau: Array | None = None) -> _Look:
        """Rates, margins and samples at the state as it is now; with `before`, the film ages over `tau` [s] first."""
        r, p = self.kinetics.rates(s.u, *self.series.at(s.t, self.room), guess), self.kinetics.p
        s.t_film = r.balance.t_film
        speed = np.exp(-FUSE_EA / air.R_GAS * (1 / s.t_film - 1 / T_D)) / FUSE_S
        margin = ms.margins(s.u, p, s.age, self.films, self.grid)
        gates = np.stack([margin[0], s.t_film - self.films.mfft])
        if before is not None and tau is not None:
            aged = tau * _share_open(before.gates, gates) * 0.5 * (before.speed + speed)
            s.age = s.age + aged
            margin[-2:] += aged
        return _Look(r, margin, gates, speed, 1 - p[0])

    def _scalars(self, look: _Look) -> Array:
        """`SAMPLED` at the state as it is now (5, films)."""
        liquid = (self.grid.share * self.state.u.sum(1)).sum(0)
        surface = self.films.limit_surface - look.margin[1]
        return np.stack([liquid / (1 + liquid), surface, look.bottom, self.state.t_film, look.rates.balance.rate])

    def _sample(self, began: Array, look: _Look) -> None:
        """Fill in the sample times passed over since `began`, linearly between the looks before and now."""
        if not len(self.times):
            return
        now, after = self.state.t, self._scalars(look)
        before, self.scalars = self.scalars, after
        while True:
            due = np.flatnonzero(self.next_sample < len(self.times))
            due = due[self.times[self.next_sample[due]] <= now[due]]
            if not len(due):
                return
            row = self.next_sample[due]
            share = (self.times[row] - began[due]) / np.maximum(now[due] - began[due], 1e-9)
            values = before[:, due] + share * (after[:, due] - before[:, due])
            for name, value in zip(SAMPLED, values, strict=True):
                self.samples[name][row, self.where[due]] = value
            self.next_sample[due] += 1

    def _drop_finished(self, look: _Look) -> _Look:
        """Hand finished films over to `final`; close ranks once an eighth of the batch is done."""
        s = self.state
        if self.stop_when_ready:
            ready = np.isfinite(s.reached).all(0) & (self.next_sample >= len(self.times))
            self.until = np.where(ready, s.t, self.until)
        done = s.t >= self.until
        if done.sum() * 8 < len(done):
            return look
        self.final.put(self.where[done], s.take(done))
        left = np.flatnonzero(~done)
        self.state, self.films, self.where = s.take(left), self.films.take(left), self.where[left]
        self.room, self.until, self.next_sample = self.room[left], self.until[left], self.next_sample[left]
        self.trend.take(left)
        self.scalars = self.scalars[:, left]
        self.kinetics = Kinetics(self.films, self.grid)
        return self._look(self.state, self.state.t_film) if len(left) else look


class _Look(NamedTuple):
    """What is read off a state: right-hand side, margins, the gates of ageing and its speed, the bottom's volatiles."""

    rates: Rates
    margin: Array
    gates: Array
    speed: Array
    bottom: Array


def _share_open(before: Array, after: Array) -> Array:
    """Share of a step during which all gates (gates, films) are >= 0, each taken as linear in time."""
    swing = np.where(before == after, 1.0, after - before)
    cross = np.clip(-before / swing, 0.0, 1.0)
    opens = np.where(before >= 0, 0.0, np.where(after >= 0, cross, 1.0))
    closes = np.where(after >= 0, 1.0, np.where(before >= 0, cross, 0.0))
    return np.asarray(np.maximum(closes.min(0) - opens.max(0), 0.0))
