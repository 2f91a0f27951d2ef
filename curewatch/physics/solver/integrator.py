"""Integrate films through time, each with its own adaptive step (the step itself: rosenbrock.py).

The films lie on a conveyor: a batch of constant width is on its way, and as some finish, others that wait take their
places. A film whose milestones are all reached (and whose samples are all taken) is finished early.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air
from curewatch.physics import milestones as ms
from curewatch.physics.air import AirSeries, Array, Flags
from curewatch.physics.film import FUSE_EA, FUSED, LIMIT_DRY, RHO_DRY, RHO_WATER, T_D, Films, Grid
from curewatch.physics.solver import kernel, monitor, rosenbrock
from curewatch.physics.solver import monitor as event_location
from curewatch.physics.solver.coalescent import Coalescent
from curewatch.physics.solver.kinetics import Kinetics, Rates
from curewatch.physics.solver.monitor import Progress, Samples
from curewatch.physics.solver.state import CheckpointRecorder, State, to_single
from curewatch.physics.supports import SOAK

RTOL, ATOL = 6e-3, 4e-4
"""Step tolerance, relative and absolute, on volume ratios: 999 of 1,000 milestones then lie
within 1 % of the exact ones (one whose condition is only just met has no sharp moment)."""
FINE = (1e-3, 1e-4)
"""The tolerance for a few films, where time is no matter: within 0.25 %."""
STEP_MIN, STEP_MAX = 1e-3, 4 * 86400.0
"""Bounds of a time step [s]."""
REACH, SURFACE_REACH = 0.5, 0.15
"""Shares of what is left that one step may take, at the present rate: of the time until the film packs, and of the
volatiles in its top tenth. Beyond lie falls of the diffusivity by orders of magnitude which nothing announces."""
BATCH = 2560
"""Films integrated together at most: enough to outweigh the cost of calling NumPy, few enough for 30 MB."""
AT_CORNER = 1.5
"""Error allowed after a step that failed [tolerances]: where the right-hand side has a corner no step gets it small."""
WORK = np.float32
"""Precision of the diffusivities."""
_STEPS = {
    "step_min": STEP_MIN,
    "step_max": STEP_MAX,
    "reach": REACH,
    "surface_reach": SURFACE_REACH,
    "at_corner": AT_CORNER,
}
"""The same, as the compiled kernel is told them."""


def integrate(
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
    sampled: Flags | None = None,
    recorder: CheckpointRecorder | None = None,
    kinetics: type[Kinetics] = Kinetics,
) -> tuple[State, dict[str, Array]]:
    """Advance `films` through the air of `series[room]` to `until` [s].

    `room`: index of each film's series. `state`: where to go on from (default: as poured at 0 s), not changed.
    `sample_at`: increasing times [s] at which `SAMPLED` is recorded, each (times, films), NaN where not passed over.
    `sampled`: the films to take them of (default: all). `recorder`: which states to keep, to go on from another time.
    `kinetics`: other laws than ours.
    Returns the final state and the samples. Films that have reached every milestone stop early, at their own time,
    unless `stop_when_ready` is False or samples are still to come. Raises Stalled rather than integrating for ever.
    """
    grid = grid or Grid.graded()
    state = State.poured(films, grid) if state is None else state.take(slice(None))
    times = np.empty(0) if sample_at is None else np.asarray(sample_at, dtype=float)
    n = len(films)
    all_progress = Progress.begin(state, room, until, times, sampled, None if recorder is None else recorder.at)
    served = kernel.served(films, grid) if kinetics is Kinetics else all_progress.film[:0]
    if not len(served):
        run = _Integration(
            films, series, all_progress, state, grid, times, (rtol, atol), stop_when_ready, recorder, kinetics
        )
        return run.to_the_end()
    steps = {"rtol": rtol, "atol": atol, **_STEPS}
    found = kernel.integrate(films, series, all_progress, state, grid, times, steps, stop_when_ready, recorder, served)
    if len(rest := np.setdiff1d(np.arange(n), served)):
        part = None if recorder is None else CheckpointRecorder(recorder.at[rest], state.take(rest))
        end, seen = integrate(
            films.take(rest), series, all_progress.room[rest], all_progress.until[rest], grid=grid,
            state=state.take(rest), sample_at=times, rtol=rtol, atol=atol, stop_when_ready=stop_when_ready,
            sampled=None if sampled is None else sampled[rest], recorder=part,
        )  # fmt: skip
        state.put(rest, end)
        for name, values in seen.items():
            found[name][:, rest] = values
        if recorder is not None and part is not None:
            recorder.put(rest, part.state)
    return state, found


class _Integration:
    """An integration on its way: `all` holds the state of every film, `state` that of the batch."""

    air: tuple[Array, Array]
    """Temperature [K] and vapour pressure [Pa] at each film's time, and..."""
    rh: Array
    """...its relative humidity [-]."""
    mean_air: tuple[Array, Array]
    """Mean temperature [K] and humidity [-] over the step that is tried, in air that changes, and..."""
    end_air: tuple[Array, Array]
    """...what they are at its end."""
    guess: Array
    """The film temperatures [K] from which the last look began."""

    def __init__(
        self, films: Films, series: AirSeries, all_progress: Progress, state: State, grid: Grid,
        times: Array, tolerance: tuple[float, float], stop_when_ready: bool, recorder: CheckpointRecorder | None = None,
        kinetics: type[Kinetics] = Kinetics,
    ) -> None:  # fmt: skip
        self.all, self.all_films, self.all_progress = state, films, all_progress
        self.series, self.grid, self.times = series, grid, times
        self.tolerance, self.stop_when_ready, self.recorder = tolerance, stop_when_ready, recorder
        # cells weigh in the error by the root of their size: between mass and mere number, as the milestones do
        weight = np.sqrt(grid.share)[:, :, None]
        self.weight = weight / weight.sum()
        self.next_film = -(-len(films) // max(1, -(-len(films) // BATCH)))
        first = slice(0, self.next_film)
        self.state, self.films, self.progress = state.take(first), films.take(first), all_progress.take(first)
        self.kinetics = kinetics(self.films, grid, WORK, self.state.t)
        self.samples = Samples(times, len(films), self.next_film)
        self.trend = event_location.MarginHistory(self.next_film)

    def to_the_end(self) -> tuple[State, dict[str, Array]]:
        """The final state of every film, and its samples."""
        if len(self.all_films):
            self._go()
        if self.recorder is not None:
            self.recorder.finish(self.all)
        return self.all, self.samples.found

    def _go(self) -> None:
        n = len(self.films)
        self._update_air()
        here = self._evaluate(None, self.state.t, np.zeros(n), np.arange(n))
        while not (self.progress.finished.all() and self.next_film == len(self.all_films)):
            here = self._advance(here)
        self.all.put(self.progress.film, self.state)

    def _advance(self, here: _Evaluation) -> _Evaluation:
        """One step of every film; those that fail their tolerance stay where they are with a shorter next step."""
        s, progress = self.state, self.progress
        speed_change_s = self.films.next_speed_change(s.t)
        end = np.minimum(np.minimum(progress.until, self.series.next_change(s.t, progress.room)), speed_change_s)
        aim = np.maximum(np.minimum(s.step, self._step_limit(here)), STEP_MIN)
        tau = np.minimum(aim, end - s.t)
        if self.recorder is not None:
            self._record_checkpoints(tau)
        if not self.series.steady:
            mean, end_air = self.series.over(s.t, tau, progress.room)
            self.mean_air, self.end_air = self.films.air_had(mean), self.films.air_had(end_air)
        bands = self.kinetics.bands(here.rates)
        bottom, slow, ahead = self.kinetics.bottom, self.kinetics.slow, partial(self._ahead, tau=tau)
        to = rosenbrock.attempt(s.u, here.rates, bands, tau, ahead, bottom, slow)
        found = rosenbrock.error(s.u, to.correction, self.weight, *self.tolerance)
        if slow is not None:
            was, off = s.coalescent[:, None], slow.correction[:, None]
            found = np.maximum(found, rosenbrock.error(was, off, self.weight, *self.tolerance))
        ok = (found <= np.where(s.failed, AT_CORNER, 1.0)) | ((tau <= STEP_MIN) & np.isfinite(found))
        proposal = rosenbrock.next_step(tau, found, ok, s.failed)
        # a step cut short by a change of the air says little about the next: it never shrinks a good step's memory
        proposal = np.where(ok & (tau < aim), np.maximum(proposal, aim), proposal)
        s.step, s.failed = np.clip(proposal, STEP_MIN, STEP_MAX), ~ok
        began, tau = s.t, np.where(ok, tau, 0.0)
        s.t = np.where(ok & (tau >= end - began), end, began + tau)
        lost = to.lost / self.films.solids_m
        if to.u.min() < 0:  # a volatile that is gone stays gone; its undershoot is booked as not lost
            lost += (self.grid.share[:, None] * np.minimum(to.u, 0.0)).sum(0)
            np.maximum(to.u, 0.0, out=to.u)
        if to.below is not None:
            below = np.where(ok, to.below / self.films.solids_m, 0.0)
            lost[0] += below.sum(0)
            s.soaked += below[SOAK]
        s.lost += np.where(ok, lost, 0.0)
        np.copyto(s.u, to.u, where=ok)
        if slow is not None:
            self._step_coalescent(slow, ok)
        monitor.watch(progress, s, self.films, self.series)
        if (s.t >= speed_change_s).any():
            self.kinetics.update_air_speed(s.t)
        self._accept(ok)
        here, began, tau, fresh = self._replace_finished(here, began, tau)
        return self._evaluate(here, began, tau, fresh)

    def _step_coalescent(self, slow: Coalescent, ok: Flags) -> None:
        """Where the step has led the slow solvent."""
        s, end = self.state, np.maximum(slow.end, 0.0)
        lost = slow.lost / self.films.solids_m - (self.grid.share * (end - slow.end)).sum(0)
        s.coalescent_lost += np.where(ok, lost, 0.0)
        np.copyto(s.coalescent, end, where=ok)
        if self.recorder is not None:
            s.coalescent, s.coalescent_lost = to_single(s.coalescent), to_single(s.coalescent_lost)

    def _step_limit(self, here: _Evaluation) -> Array:
        """How far a step may go [s] towards packing and towards a dry surface."""
        liquid = (LIMIT_DRY - here.margin[3]) * (RHO_DRY / RHO_WATER)
        room, bottom = 1 / self.films.packing - 1, self.kinetics.bottom
        if self.kinetics.slow is not None:
            room = room * (1 + (self.grid.share * self.state.coalescent).sum(0))
        excess = liquid - room
        leaving = here.rates.loss.sum(0) + (0.0 if bottom is None else bottom.out.sum(0))
        packing = excess * self.films.solids_m / np.maximum(leaving, 1e-14)
        surface = np.maximum(self.films.limit_surface - here.margin[1], 0.02) / np.maximum(self.trend.rise(1), 1e-14)
        reach = np.minimum(np.where(excess > 0.02, REACH * packing, np.inf), SURFACE_REACH * surface)
        return np.asarray(reach if bottom is None else np.minimum(reach, bottom.reach(here.bottom)))

    def _ahead(self, u: Array, tau: Array) -> Rates:
        """The right-hand side at the second stage of a step of `tau` [s].

        Its air is extrapolated from the mean over the step, so that no wiggle of the series within it goes unseen.
        """
        t_air, p_air = self.air
        if not self.series.steady:
            (t0, rh0), (t1, rh1) = (t_air, self.rh), self.mean_air
            t_air = t0 + 2 * rosenbrock.GAMMA * (t1 - t0)
            p_air = air.vapour_pressure(t_air, rh0 + 2 * rosenbrock.GAMMA * (rh1 - rh0))
        return self.kinetics.rates(u, t_air, p_air, self.state.t_film)

    def _record_checkpoints(self, tau: Array) -> None:
        """Keep the states of the films that a step of `tau` [s] would take past the moment to keep them at."""
        s, progress, recorder = self.state, self.progress, self.recorder
        assert recorder is not None
        passing = np.flatnonzero(s.t + tau > progress.checkpoint_at)
        passing = passing[np.isfinite(progress.checkpoint_at[passing])]
        if len(passing):
            part = s.take(passing)
            part.t_film = self.guess[passing]  # the look at this state is then found again as it was
            recorder.put(progress.film[passing], part)
            progress.checkpoint_at[passing] = -np.inf

    def _accept(self, ok: Flags) -> None:
        """The air and the state where a step has led, or, where it failed, where it began."""
        if not self.series.steady:
            t_air, rh = (np.where(ok, new, old) for new, old in zip(self.end_air, (self.air[0], self.rh), strict=True))
            self.mean_air = np.where(ok, self.mean_air[0], t_air), rh
            self.air, self.rh = (t_air, air.vapour_pressure(t_air, rh)), rh
        if self.recorder is not None:
            s = self.state
            s.u, s.lost, s.soaked, s.step = to_single(s.u), to_single(s.lost), to_single(s.soaked), to_single(s.step)

    def _update_air(self) -> None:
        """Bring `air` to the state's time: temperature [K] and vapour pressure [Pa] for each film."""
        t_air, self.rh = self.films.air_had(self.series.at(self.state.t, self.progress.room))
        self.air = t_air, air.vapour_pressure(t_air, self.rh)
        unknown = np.isnan(self.state.t_film)
        if unknown.any():
            self.state.t_film = np.where(unknown, to_single(t_air - 3.0), self.state.t_film)

    def _evaluate(self, before: _Evaluation | None, began: Array, tau: Array, fresh: NDArray[np.intp]) -> _Evaluation:
        """Look at the state that steps of `tau` [s] since `began` led to, age the films, judge their milestones.

        The films at `fresh` have just joined.
        """
        s, progress = self.state, self.progress
        if (bottom := self.kinetics.bottom) is not None:
            bottom.holds(s.soaked * self.films.solids_m)
        if (slow := self.kinetics.slow) is not None:
            slow.holds(s.coalescent)
        self.guess = s.t_film
        r, p = self.kinetics.rates(s.u, *self.air, s.t_film), self.kinetics.p
        hindered = np.ones(len(s.t)) if slow is None else slow.hindrance
        firm = p if slow is None else slow.firm(p)
        s.t_film = r.balance.t_film if self.recorder is None else to_single(r.balance.t_film)
        chill = s.t_film - self.air[0]
        margin = ms.margins(s.u, p, firm, s.age, self.films, self.grid)
        gates = np.stack([margin[0], s.t_film - self.films.mfft])
        if before is not None:
            t_mean = (self.air[0] if self.series.steady else self.mean_air[0]) + 0.5 * (before.chill + chill)
            speed = np.exp(-FUSE_EA / air.R_GAS * (1 / t_mean - 1 / T_D)) / self.films.fuse_s
            if slow is not None:
                speed *= 0.5 * (1 / before.hindered + 1 / hindered)
            s.age = s.age + tau * event_location.open_fraction(before.gates, gates) * speed
        if self.recorder is not None:
            s.age, margin = to_single(s.age), to_single(margin)
        margin[-2], margin[-1] = s.age - self.films.fusing, s.age - FUSED
        look = _Evaluation(r, margin, gates, chill, 1 - p[0], hindered)
        if len(fresh):
            self.trend.join(fresh, s, margin)
        self.trend.follow(s, margin, began, tau)
        event_location.reach(s.reached, s.since, s.t)
        if len(self.times):
            self.samples.follow(progress, began, s.t, self._scalars(look), fresh)
        finished = s.t >= progress.until
        if self.stop_when_ready:
            finished |= np.isfinite(s.reached).all(0) & (progress.next_sample >= len(self.times))
            progress.until = np.where(finished, s.t, progress.until)
        progress.finished = finished
        return look

    def _replace_finished(
        self, here: _Evaluation, began: Array, tau: Array
    ) -> tuple[_Evaluation, Array, Array, NDArray[np.intp]]:
        """Hand over films that had finished before this step; others that wait take their places, or ranks close.

        Returns `here`, `began` and `tau` for the batch as it now is, and which of it have just joined.
        """
        progress = self.progress
        done = np.flatnonzero(progress.finished)
        waiting = len(self.all_films) - self.next_film
        if len(done) * (32 if waiting else 8) < len(progress.film) or (len(done) == len(progress.film) and not waiting):
            return here, began, tau, done[:0]
        self.all.put(progress.film[done], self.state.take(done))
        fresh, idle = done[:waiting], done[waiting:]
        if len(fresh):
            joining = slice(self.next_film, self.next_film + len(fresh))
            self.next_film += len(fresh)
            self.state.put(fresh, self.all.take(joining))
            self.films.put(fresh, self.all_films.take(joining))
            progress.put(fresh, self.all_progress.take(joining))
            began, tau = began.copy(), tau.copy()
            began[fresh], tau[fresh] = self.state.t[fresh], 0.0
            self.kinetics.refresh(self.state.t)
        if len(idle):
            left = np.delete(np.arange(len(progress.film)), idle)
            self.state, self.films, self.progress = self.state.take(left), self.films.take(left), progress.take(left)
            self.trend.take(left)
            here = here._replace(gates=here.gates[:, left], chill=here.chill[left], hindered=here.hindered[left])
            began, tau = began[left], tau[left]
            self.samples.take(left)
            if not self.series.steady:
                self.mean_air = self.mean_air[0][left], self.mean_air[1][left]
            fresh = np.searchsorted(left, fresh)
            self.kinetics = type(self.kinetics)(self.films, self.grid, WORK, self.state.t)
        self._update_air()
        return here, began, tau, fresh

    def _scalars(self, look: _Evaluation) -> Array:
        """`SAMPLED` at the state as it is now (5, films)."""
        liquid = (self.grid.share * self.state.u.sum(1)).sum(0)
        if self.kinetics.slow is not None:
            liquid = liquid + (self.grid.share * self.state.coalescent).sum(0)
        surface, bottom = self.films.limit_surface - look.margin[1], self.films.limit_bottom - look.margin[2]
        return np.stack([liquid / (1 + liquid), surface, bottom, self.state.t_film, look.rates.balance.rate])


class _Evaluation(NamedTuple):
    """What is read off a state: right-hand side, margins, gates of ageing, film less room temperature, the bottom, and
    how many times slower the films fuse for their slow solvent."""

    rates: Rates
    margin: Array
    gates: Array
    chill: Array
    bottom: Array
    hindered: Array
