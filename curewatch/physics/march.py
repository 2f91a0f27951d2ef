"""March films through time, each with its own adaptive step (the step itself: rosenbrock.py).

The films lie on a conveyor: a batch of constant width is on its way, and as some finish, others that wait take their
places. A film whose milestones are all reached (and whose samples are all taken) is finished early.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air, rosenbrock
from curewatch.physics import milestones as ms
from curewatch.physics.air import Array
from curewatch.physics.film import FUSE_EA, FUSE_S, LIMIT_DRY, PACKING, RHO_DRY, RHO_WATER, T_D, Films, Grid
from curewatch.physics.kinetics import Kinetics, Rates
from curewatch.physics.series import AirSeries
from curewatch.physics.state import Ride, State, put, take

RTOL, ATOL = 6e-3, 4e-4
"""Step tolerance, relative and absolute, on volume ratios: 999 of 1,000 milestones then lie
within 0.7 % of the exact ones (one whose condition is only just met has no sharp moment)."""
FINE = (1e-3, 1e-4)
"""The tolerance for a few films, where time is no matter: within 0.25 %."""
STEP_MIN, STEP_MAX = 1e-3, 4 * 86400.0
"""Bounds of a time step [s]."""
REACH, SURFACE_REACH = 0.5, 0.15
"""Shares of what is left that one step may take, at the present rate: of the time until the film packs, and of the
volatiles in its top tenth. Beyond lie falls of the diffusivity by orders of magnitude which nothing announces."""
BATCH = 2560
"""Films marched together at most: enough to outweigh the cost of calling NumPy, few enough for 30 MB."""
ATTEMPTS, PROGRESS, PROGRESS_S = 2000, 0.01, 600.0
"""A film that comes no further than a hundredth of its time (at least ten minutes) in so many steps is stuck. Counted
since the last such landmark, not in all: a restless room needs many steps, and they lead somewhere."""
AT_CORNER = 1.5
"""Error allowed after a step that failed [tolerances]: where the right-hand side has a corner no step gets it small."""
SAMPLED = ("volatile_fraction", "surface", "bottom", "film_temperature", "rate")
"""What `samples` hold: volatile volume fraction of the film, of its top tenth, of the bottom cell [-], film
temperature [K], water leaving [kg/(m2 s)]."""


WORK = np.float32
"""Precision of the diffusivities."""


class Stuck(ArithmeticError):
    """A film made no progress. Nothing known leads here: it guards against marching for ever."""


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
    unless `stop_when_ready` is False or samples are still to come. Raises Stuck rather than marching for ever.
    """
    grid = grid or Grid.graded()
    state = State.poured(films, grid) if state is None else state.take(slice(None))
    times = np.empty(0) if sample_at is None else np.asarray(sample_at, dtype=float)
    n = len(films)
    rides = Ride(
        film=np.arange(n),
        room=np.asarray(room, dtype=np.intp),
        until=np.array(np.broadcast_to(until, n), dtype=float),
        next_sample=np.searchsorted(times, state.t, "left"),
        attempts=np.zeros(n, dtype=np.intp),
        landmark=np.full(n, -np.inf),
        failed=np.zeros(n, dtype=bool),
        finished=np.zeros(n, dtype=bool),
    )
    run = _Run(films, series, rides, state, grid, times, (rtol, atol), stop_when_ready)
    if n:
        run.go()
    return run.all, run.samples


class _Run:
    """A march on its way: `all` holds the state of every film, `state` that of the batch."""

    def __init__(
        self, films: Films, series: AirSeries, rides: Ride, state: State, grid: Grid,
        times: Array, tolerance: tuple[float, float], stop_when_ready: bool,
    ) -> None:  # fmt: skip
        self.all, self.all_films, self.all_rides = state, films, rides
        self.series, self.grid, self.times = series, grid, times
        self.tolerance, self.stop_when_ready = tolerance, stop_when_ready
        self.samples = {name: np.full((len(times), len(films)), np.nan) for name in SAMPLED}
        # cells weigh in the error by the root of their size: between mass and mere number, as the milestones do
        weight = np.sqrt(grid.share)[:, :, None]
        self.weight = weight / weight.sum()
        self.rounds, self.next_film = 0, -(-len(films) // max(1, -(-len(films) // BATCH)))
        first = slice(0, self.next_film)
        self.state, self.films, self.ride = take(state, first), take(films, first), take(rides, first)
        self.kinetics = Kinetics(self.films, grid, WORK)
        self.scalars = np.zeros((len(SAMPLED), self.next_film))
        self.trend = ms.Trend(self.next_film)

    def go(self) -> None:
        """March to the end; `all` is then the final state."""
        n = len(self.films)
        self._breathe()
        here = self._settle(None, self.state.t, np.zeros(n), np.arange(n))
        while not (self.ride.finished.all() and self.next_film == len(self.all_films)):
            here = self._advance(here)
            self.rounds += 1
        self.all.put(self.ride.film, self.state)

    def _advance(self, here: _Look) -> _Look:
        """One step of every film; those that fail their tolerance stay where they are with a shorter next step."""
        s, ride = self.state, self.ride
        end = np.minimum(ride.until, self.series.next_change(s.t, ride.room))
        aim = np.maximum(np.minimum(s.step, self._reach(here)), STEP_MIN)
        tau = np.minimum(aim, end - s.t)
        bands = self.kinetics.bands(here.rates)
        to = rosenbrock.attempt(s.u, here.rates, bands, tau, lambda u: self._ahead(u, tau))
        found = rosenbrock.error(s.u, to.correction, self.weight, *self.tolerance)
        ok = (found <= np.where(ride.failed, AT_CORNER, 1.0)) | ((tau <= STEP_MIN) & np.isfinite(found))
        proposal = rosenbrock.next_step(tau, found, ok, ride.failed)
        # a step cut short by a change of the air says little about the next: it never shrinks a good step's memory
        proposal = np.where(ok & (tau < aim), np.maximum(proposal, aim), proposal)
        s.step, ride.failed = np.clip(proposal, STEP_MIN, STEP_MAX), ~ok
        began, tau = s.t, np.where(ok, tau, 0.0)
        s.t = np.where(ok & (tau >= end - began), end, began + tau)
        lost = to.lost / self.films.solids_m
        if to.u.min() < 0:  # a volatile that is gone stays gone; its undershoot is booked as not lost
            lost += (self.grid.share[:, None] * np.minimum(to.u, 0.0)).sum(0)
            np.maximum(to.u, 0.0, out=to.u)
        s.lost += np.where(ok, lost, 0.0)
        np.copyto(s.u, to.u, where=ok)
        self._watch()
        here, began, tau, fresh = self._exchange(here, began, tau)
        return self._settle(here, began, tau, fresh)

    def _reach(self, here: _Look) -> Array:
        """How far a step may go [s] towards packing and towards a dry surface."""
        liquid = (LIMIT_DRY - here.margin[3]) * (RHO_DRY / RHO_WATER)
        excess = liquid - (1 / PACKING - 1)
        packing = excess * self.films.solids_m / np.maximum(here.rates.loss.sum(0), 1e-14)
        surface = np.maximum(self.films.limit_surface - here.margin[1], 0.02) / np.maximum(self.trend.rise(1), 1e-14)
        return np.asarray(np.minimum(np.where(excess > 0.02, REACH * packing, np.inf), SURFACE_REACH * surface))

    def _ahead(self, u: Array, tau: Array) -> Rates:
        """The right-hand side at the second stage of a step of `tau` [s].

        Its air is extrapolated from the mean over the step, so that no wiggle of the series within it goes unseen.
        """
        t_air, p_air = self.air
        if not self.series.steady:
            now, room = self.state.t, self.ride.room
            t0, rh0 = self.series.at(now, room)
            t1, rh1 = self.series.mean(now, tau, room)
            t_air = t0 + 2 * rosenbrock.GAMMA * (t1 - t0)
            p_air = air.vapour_pressure(t_air, rh0 + 2 * rosenbrock.GAMMA * (rh1 - rh0))
        return self.kinetics.rates(u, t_air, p_air, self.state.t_film)

    def _breathe(self) -> None:
        """Bring `air` to the state's time: temperature [K] and vapour pressure [Pa] for each film."""
        t_air, rh = self.series.at(self.state.t, self.ride.room)
        self.air = t_air, air.vapour_pressure(t_air, rh)
        unknown = np.isnan(self.state.t_film)
        if unknown.any():
            self.state.t_film = np.where(unknown, t_air - 3.0, self.state.t_film)

    def _settle(self, before: _Look | None, began: Array, tau: Array, fresh: NDArray[np.intp]) -> _Look:
        """Look at the state that steps of `tau` [s] since `began` led to, age the films, judge their milestones.

        The films at `fresh` have just joined.
        """
        s, ride = self.state, self.ride
        if not self.series.steady:
            self._breathe()
        r, p = self.kinetics.rates(s.u, *self.air, s.t_film), self.kinetics.p
        s.t_film = r.balance.t_film
        chill = s.t_film - self.air[0]
        margin = ms.margins(s.u, p, s.age, self.films, self.grid)
        gates = np.stack([margin[0], s.t_film - self.films.mfft])
        if before is not None:
            t_mean = self.series.mean(began, tau, ride.room)[0] + 0.5 * (before.chill + chill)
            speed = np.exp(-FUSE_EA / air.R_GAS * (1 / t_mean - 1 / T_D)) / FUSE_S
            aged = tau * ms.share_open(before.gates, gates) * speed
            s.age = s.age + aged
            margin[-2:] += aged
        look = _Look(r, margin, gates, chill, 1 - p[0])
        if len(fresh):
            self.trend.join(fresh, s.since, margin, s.t)
        self.trend.follow(s.since, margin, began, tau)
        ms.reach(s.reached, s.since, s.t)
        self._sample(began, look, fresh)
        finished = s.t >= ride.until
        if self.stop_when_ready:
            finished |= np.isfinite(s.reached).all(0) & (ride.next_sample >= len(self.times))
            ride.until = np.where(finished, s.t, ride.until)
        ride.finished = finished
        return look

    def _exchange(self, here: _Look, began: Array, tau: Array) -> tuple[_Look, Array, Array, NDArray[np.intp]]:
        """Hand over films that had finished before this step; others that wait take their places, or ranks close.

        Returns `here`, `began` and `tau` for the batch as it now is, and which of it have just joined.
        """
        ride = self.ride
        done = np.flatnonzero(ride.finished)
        waiting = len(self.all_films) - self.next_film
        if len(done) * (32 if waiting else 8) < len(ride.film) or (len(done) == len(ride.film) and not waiting):
            return here, began, tau, done[:0]
        self.all.put(ride.film[done], take(self.state, done))
        fresh, idle = done[:waiting], done[waiting:]
        if len(fresh):
            joining = slice(self.next_film, self.next_film + len(fresh))
            self.next_film += len(fresh)
            for into, whole in ((self.state, self.all), (self.films, self.all_films), (ride, self.all_rides)):
                put(into, fresh, take(whole, joining))
            began, tau = began.copy(), tau.copy()
            began[fresh], tau[fresh] = self.state.t[fresh], 0.0
            self.kinetics.refresh()
        if len(idle):
            left = np.delete(np.arange(len(ride.film)), idle)
            self.state, self.films, self.ride = take(self.state, left), take(self.films, left), take(ride, left)
            self.trend.take(left)
            here = here._replace(gates=here.gates[:, left], chill=here.chill[left])
            began, tau, self.scalars = began[left], tau[left], self.scalars[:, left]
            fresh = np.searchsorted(left, fresh)
            self.kinetics = Kinetics(self.films, self.grid, WORK)
        self._breathe()
        return here, began, tau, fresh

    def _watch(self) -> None:
        """Count the attempts since each film's last landmark; one that needs too many is stuck."""
        ride, t = self.ride, self.state.t
        arrived = t >= ride.landmark
        ride.attempts = np.where(arrived, 0, ride.attempts + ~ride.finished)
        ride.landmark = np.where(arrived, t + np.maximum(PROGRESS_S, PROGRESS * np.abs(t)), ride.landmark)
        if ride.attempts.max() <= ATTEMPTS:
            return
        i = int(ride.attempts.argmax())
        t_air, rh = self.series.at(self.state.t, ride.room)
        what = {name: float(getattr(self.films, name)[i]) for name in ("solids_m", "water", "glycol", "air_speed")}
        raise Stuck(
            f"film {ride.film[i]} is stuck after {ATTEMPTS} steps at {self.state.t[i]:.6g} s in air of "
            f"{t_air[i]:.2f} K, {rh[i]:.3f}: step {self.state.step[i]:.3g} s, {what}"
        )

    def _scalars(self, look: _Look) -> Array:
        """`SAMPLED` at the state as it is now (5, films)."""
        liquid = (self.grid.share * self.state.u.sum(1)).sum(0)
        surface = self.films.limit_surface - look.margin[1]
        return np.stack([liquid / (1 + liquid), surface, look.bottom, self.state.t_film, look.rates.balance.rate])

    def _sample(self, began: Array, look: _Look, fresh: NDArray[np.intp]) -> None:
        """Fill in the sample times passed over since `began`, linearly between the looks before and now."""
        if not len(self.times):
            return
        now, after, ride = self.state.t, self._scalars(look), self.ride
        before, self.scalars = self.scalars, after
        before[:, fresh] = after[:, fresh]
        while True:
            due = np.flatnonzero(ride.next_sample < len(self.times))
            due = due[self.times[ride.next_sample[due]] <= now[due]]
            if not len(due):
                return
            row = ride.next_sample[due]
            share = (self.times[row] - began[due]) / np.maximum(now[due] - began[due], 1e-9)
            values = before[:, due] + share * (after[:, due] - before[:, due])
            for name, value in zip(SAMPLED, values, strict=True):
                self.samples[name][row, ride.film[due]] = value
            ride.next_sample[due] += 1


class _Look(NamedTuple):
    """What is read off a state: right-hand side, margins, gates of ageing, film less room temperature, the bottom."""

    rates: Rates
    margin: Array
    gates: Array
    chill: Array
    bottom: Array
