"""A guard against marching for ever: films that come no further, however many steps they try."""

from __future__ import annotations

import numpy as np

from curewatch.physics.air_series import AirSeries
from curewatch.physics.film import Films
from curewatch.physics.solver.state import Progress, State

ATTEMPTS, PROGRESS, PROGRESS_S = 2000, 0.01, 600.0
"""A film that comes no further than a hundredth of its time (at least ten minutes) in so many steps is stuck. Counted
since the last such landmark, not in all: a restless room needs many steps, and they lead somewhere."""


class Stalled(ArithmeticError):
    """A film made no progress. Nothing known leads here: it guards against marching for ever."""


def watch(progress: Progress, state: State, films: Films, series: AirSeries) -> None:
    """Count the attempts since each film's last landmark. Raises Stuck where one needs too many."""
    arrived = state.t >= progress.landmark
    progress.attempts = np.where(arrived, 0, progress.attempts + ~progress.finished)
    further = np.maximum(PROGRESS_S, PROGRESS * np.abs(state.t))
    progress.landmark = np.where(arrived, state.t + further, progress.landmark)
    if progress.attempts.max() > ATTEMPTS:
        raise Stalled(_in_words(int(progress.attempts.argmax()), progress, state, films, series))


def _in_words(i: int, progress: Progress, state: State, films: Films, series: AirSeries) -> str:
    """What can be said of the i-th film of a batch that is stuck."""
    t_air, rh = series.at(state.t, progress.room)
    what = {name: float(getattr(films, name)[i]) for name in ("solids_m", "water", "glycol", "air_speed")}
    return (
        f"film {progress.film[i]} is stuck after {ATTEMPTS} steps at {state.t[i]:.6g} s in air of "
        f"{t_air[i]:.2f} K, {rh[i]:.3f}: step {state.step[i]:.3g} s, {what}"
    )
