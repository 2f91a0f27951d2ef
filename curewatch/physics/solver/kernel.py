"""The integrator's compiled half, where a compiler was at hand when curewatch was installed: kernel.c, by ctypes.

It is loaded once and told the physical constants of the modules that own them. Films are given out to it in place:
its arrays are those of `Films`, `State` and `AirSeries`, one value a film along the last axis, in SI units.
"""

from __future__ import annotations

import ctypes
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from ctypes import POINTER, c_double, c_int64, c_uint8
from functools import cache
from sysconfig import get_config_var
from typing import Any

import numpy as np
from numpy.typing import NDArray

from curewatch.physics import air, evaporation, film, supports
from curewatch.physics.air import AirSeries, Array
from curewatch.physics.film import Films, Grid
from curewatch.physics.milestones import CONDITIONS, HOLD_S, MILESTONES, NEEDS
from curewatch.physics.solver import kinetics, monitor, rosenbrock
from curewatch.physics.solver.monitor import SAMPLED, Progress
from curewatch.physics.solver.state import CheckpointRecorder, State

MOST_CELLS = 256
WORTH_A_THREAD = 32
"""Fewer films than this are given no thread of their own."""
# fmt: off
_REALS = (
    "gamma", "rtol", "atol", "step_min", "step_max", "reach", "surface_reach", "at_corner",
    "safety", "shrink_most", "shrink_least", "shrink_again", "grow_most",
    "r_gas", "t_triple", "rho_water", "rho_glycol", "rho_dry", "limit_dry", "fused", "fuse_ea", "t_d", "ea", "eg",
    "chi_water", "chi_glycol", "moles_water", "moles_glycol", "no_moles", "corner",
    "open_w", "open_g", "open_width", "glycol_out",
    "km_ref", "km_exp", "heat_ref", "heat_exp", "radiated", "mw_over_r", "plate_most", "speed_floor", "close", "stride",
    "full", "sink_reach", "mw_over_r_rho", "attempts", "progress", "progress_s",
)
_FILMS = (
    "solids_m", "side", "air_speed", "h_back", "d0", "g0", "limit_surface", "limit_bottom", "mfft", "packing",
    "fuse_s", "fusing", "air_temp_off", "air_rh_off", "sink_m", "sink_rate", "back_loss",
    "speed_change_s", "changed_speed",
)
# fmt: on
_STATE = ["t", "u", "age", "lost", "soaked", "step", "t_film", "since", "reached", "before", "stride"]


class Constants(ctypes.Structure):
    _fields_ = [*((name, c_double) for name in _REALS), ("hold_s", c_double * len(MILESTONES))]


class Job(ctypes.Structure):
    """As in kernel.c."""

    _fields_ = [
        *((name, c_int64) for name in ("films", "cells", "times", "turns", "steady", "stop_when_ready", "keeps")),
        ("needs", c_int64 * len(MILESTONES)),
        ("constants", POINTER(Constants)),
        *((name, POINTER(c_double)) for name in (*_FILMS, "share", "top_tenth", "low_tenth")),
        *(
            (name, POINTER(c_double))
            for name in ["time", "temp", "rh", "temp_area", "rh_area", "travel", "first", "length"]
        ),
        *((name, POINTER(c_int64)) for name in ("begin", "last", "room")),
        ("span", c_double),
        ("until", POINTER(c_double)),
        *((name, POINTER(c_double)) for name in _STATE),
        ("failed", POINTER(c_uint8)),
        ("sample_at", POINTER(c_double)),
        ("next_sample", POINTER(c_int64)),
        ("samples", POINTER(c_double)),
        ("keep_at", POINTER(c_double)),
        *((f"k_{name}", POINTER(c_double)) for name in _STATE),
        ("k_failed", POINTER(c_uint8)),
        ("passed", POINTER(c_uint8)),
        ("order", POINTER(c_int64)),
        ("to", c_int64),
        ("waiting", c_int64),
    ]


@cache
def library() -> ctypes.CDLL | None:
    """The compiled kernel; None where there is none, or it was built for another machine."""
    try:
        found = ctypes.CDLL(__file__.removesuffix("kernel.py") + f"_kernel{get_config_var('EXT_SUFFIX')}")
        found.integrate.argtypes, found.integrate.restype = [POINTER(Job)], c_int64
        found.cores.argtypes, found.cores.restype = [], ctypes.c_int
    except (OSError, AttributeError):
        return None
    return found


def served(films: Films, grid: Grid) -> NDArray[np.int64]:
    """The films that it takes, where it is there: those with two volatiles and no receding front."""
    if library() is None or not 2 <= grid.cells <= MOST_CELLS:
        return np.empty(0, dtype=np.int64)
    return np.flatnonzero(~((films.coalescent > 0) | films.front))


def integrate(
    films: Films, series: AirSeries, progress: Progress, state: State, grid: Grid, times: Array,
    steps: Mapping[str, float], stop_when_ready: bool, recorder: CheckpointRecorder | None,
    served: NDArray[np.int64],
) -> dict[str, Array]:  # fmt: skip
    """Advance the films at `served` in place to `progress.until`, as integrator.py has it.

    Returns what was sampled at `times` [s].
    `steps`: tolerances and bounds of the steps, by the names of `Constants`. Raises Stalled where a film makes no
    progress.
    """
    kernel = library()
    assert kernel is not None
    job, held = Job(), _Held()
    job.films, job.cells, job.times, job.turns = len(films), grid.cells, len(times), len(films.speed_change_s)
    job.steady, job.stop_when_ready, job.keeps = series.steady, stop_when_ready, recorder is not None
    job.needs[:] = [sum(1 << CONDITIONS.index(need) for need in NEEDS[one]) for one in MILESTONES]
    job.constants = ctypes.pointer(_constants(steps))
    held.give(job, films, _FILMS)
    held.give(job, grid, ("share", "top_tenth", "low_tenth"))
    held.give(job, series.knots(), AirSeries.KNOTS)
    job.span = series.span
    held.give(job, progress, ("room", "until", "next_sample"))
    held.give(job, state, (*_STATE, "failed"), back=True)
    found = np.full((len(SAMPLED), len(times), len(films)), np.nan)
    held.give(job, {"sample_at": times, "samples": found}, ("sample_at", "samples"), back=True)
    if recorder is not None:
        kept = {f"k_{name}": getattr(recorder.state, name) for name in (*_STATE, "failed")}
        kept |= {"keep_at": recorder.at, "passed": recorder.passed}
        held.give(job, kept, tuple(kept), back=True)
    held.give(job, {"order": served}, ("order",))
    job.to, job.waiting = len(served), 0
    verdicts = _in_threads(kernel, job)
    held.take_back()
    if job.waiting < job.to:
        raise MemoryError("the drying model found no memory to work in")
    if stuck := [film for film in verdicts if film >= 0]:
        monitor.stuck(min(stuck), progress, state, films, series)
    return dict(zip(SAMPLED, found, strict=True))


def _in_threads(kernel: ctypes.CDLL, job: Job) -> list[int]:
    """Works off the job in as many threads as help; what each says of it. No film's end depends on who takes it."""
    threads = min(kernel.cores(), job.to // WORTH_A_THREAD)
    if threads < 2:
        return [kernel.integrate(ctypes.byref(job))]
    with ThreadPoolExecutor(threads - 1, "film") as pool:
        others: list[Future[int]] = []
        with suppress(RuntimeError):  # none may be started any more: the program ends, or has too many
            others.extend(pool.submit(kernel.integrate, ctypes.byref(job)) for _ in range(threads - 1))
        here = kernel.integrate(ctypes.byref(job))
    return [here, *(other.result() for other in others)]


_OWNED = (
    (rosenbrock, "GAMMA SAFETY SHRINK_MOST SHRINK_LEAST SHRINK_AGAIN GROW_MOST"),
    (air, "R_GAS T_TRIPLE"),
    (film, "RHO_WATER RHO_GLYCOL RHO_DRY LIMIT_DRY FUSED FUSE_EA T_D EA EG CHI_WATER CHI_GLYCOL"),
    (film, "NO_MOLES CORNER OPEN_WIDTH"),
    (kinetics, "OPEN_W OPEN_G GLYCOL_OUT"),
    (evaporation, "KM_REF KM_EXP PLATE_MOST CLOSE STRIDE"),
    (supports, "FULL SINK_REACH MW_OVER_R_RHO"),
    (monitor, "ATTEMPTS PROGRESS PROGRESS_S"),
)
"""The constants of each module that the kernel knows by the same names."""


def _constants(steps: Mapping[str, float]) -> Constants:
    """Each from the module that owns it."""
    same = {name.lower(): getattr(owner, name) for owner, names in _OWNED for name in names.split()}
    water, glycol = film.MOLES
    plate = evaporation
    return Constants(
        **steps,
        **same,
        moles_water=water,
        moles_glycol=glycol,
        heat_ref=float(air.density(plate.T_REF)) * plate.CP_AIR * plate.LEWIS_REF ** (2 / 3),
        heat_exp=plate.KM_EXP - 1 + plate.LEWIS_EXP * 2 / 3,
        radiated=plate.EMISSIVITY * plate.STEFAN_BOLTZMANN,
        mw_over_r=air.M_WATER / air.R_GAS,
        speed_floor=plate.AIR_SPEED_FLOOR,
        hold_s=(c_double * len(MILESTONES))(*HOLD_S[:, 0]),
    )


class _Held:
    """The arrays a job points to: kept while it runs, contiguous and of the type it expects."""

    def __init__(self) -> None:
        self._arrays: list[np.ndarray[Any, Any]] = []
        self._back: list[tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]] = []

    def give(self, job: Job, source: Any, names: tuple[str, ...] | list[str], *, back: bool = False) -> None:
        """Point the job's fields `names` to the arrays that `source` holds under these names."""
        kinds: dict[str, Any] = {name: kind for name, kind, *_ in Job._fields_}
        for name in names:
            given = source[name] if isinstance(source, dict) else getattr(source, name)
            pointer = kinds[name]
            array = np.ascontiguousarray(given, dtype=np.dtype(pointer._type_))
            self._arrays.append(array)
            if back and array is not given:
                self._back.append((given, array))
            setattr(job, name, array.ctypes.data_as(pointer))

    def take_back(self) -> None:
        """What the kernel wrote into copies goes where it belongs."""
        for given, array in self._back:
            given[...] = array
