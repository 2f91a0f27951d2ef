"""The compiled integration: how much faster than NumPy's and than scipy's BDF, how near, and clean under sanitizers.

    sh deploy/bench kernel

Speeds are the best of three in the same run. `within` is the largest difference of a milestone from NumPy's. Under
AddressSanitizer and UBSan the kernel is built anew and fed 2,000 films, every seventh with a number that cannot be.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from curewatch.physics.solver import kernel
from curewatch.physics.solver.integrator import integrate
from tests.core.test_kernel import DAY, films, rooms
from tests.ways import by_numpy

SOURCE = Path(kernel.__file__).with_name("kernel.c")
SPOILT = ("solids_m", "d0", "water", "packing", "side", "h_back", "sink_m", "speed_change_s")
HOSTILE = """
import sys; import ctypes; import numpy as np
from curewatch.physics.solver import kernel
from tests.bench.bench_kernel import hostile
found = ctypes.CDLL(sys.argv[1]); found.integrate.argtypes = [ctypes.POINTER(kernel.Job)]
kernel.library = lambda: found
print(hostile())
"""


def lines() -> Iterator[dict[str, Any]]:
    for name, count, days, room in (
        ("64 films, 60 days steady", 64, 60, 0),
        ("64 films, 60 days of a room with nights", 64, 60, 1),
        ("5,000 films, 60 days steady", 5000, 60, 0),
        ("1,000 films, 30 days of a room with nights", 1000, 30, 1),
    ):
        yield speed(name, count, days, room)
    yield threads()
    size = Path(kernel.library()._name).stat().st_size  # type: ignore[union-attr]
    yield {"name": "the kernel in the wheel", "value": size / 1024, "unit": "KiB", "baseline": 200, "ratio": None}
    if (runtime := sanitizer()) is not None:
        yield sanitized(runtime)


def speed(name: str, count: int, days: int, which: int) -> dict[str, Any]:
    rng = np.random.default_rng(17)
    some, air, room = films(rng, count), rooms(rng, days), np.full(count, which)
    took, ends = {}, {}
    with pytest.MonkeyPatch.context() as patch:
        for way in ("compiled", "numpy"):
            if way == "numpy":
                by_numpy(patch)
            best = float("inf")
            for _ in range(3 if way == "compiled" else 1):
                began = time.process_time()
                ends[way], _ = integrate(some, air, room, days * DAY)
                best = min(best, time.process_time() - began)
            took[way] = best
    there = np.isfinite(ends["numpy"].reached)
    apart = np.abs(ends["compiled"].reached[there] / ends["numpy"].reached[there] - 1).max()
    return {
        "name": name,
        "value": count / took["compiled"],
        "unit": "films/s",
        "baseline": count / took["numpy"],
        "ratio": round(took["numpy"] / took["compiled"], 1),
        "within": float(apart),
    }


def threads(count: int = 1000, days: int = 30) -> dict[str, Any]:
    """Wall seconds of one job in as many threads as there are cores, against one."""
    rng = np.random.default_rng(17)
    some, air, room = films(rng, count), rooms(rng, days), np.full(count, 1)
    library, took = kernel.library(), []
    assert library is not None
    cores = library.cores()
    with pytest.MonkeyPatch.context() as patch:
        for many in (1, cores):
            patch.setattr(library, "cores", lambda many=many: many)
            begun = time.perf_counter()
            integrate(some, air, room, days * DAY)
            took.append(time.perf_counter() - begun)
    return {
        "name": f"{count} films in {cores} threads",
        "value": round(took[1], 3),
        "unit": "s",
        "baseline": round(took[0], 3),
        "ratio": round(took[0] / took[1], 2),
    }


def hostile(batches: int = 50, size: int = 40) -> int:
    """Films of all kinds, some with numbers that cannot be; how many batches ended by themselves."""
    from curewatch.physics.solver.monitor import Stalled

    done = 0
    for seed in range(batches):
        rng = np.random.default_rng(seed)
        some, air, room = films(rng, size), rooms(rng, 3), rng.integers(0, 3, size)
        for name in ("solids_m", "d0", "water", "packing", "side", "h_back", "sink_m", "speed_change_s")[
            : 1 + seed % 8
        ]:
            getattr(some, name)[..., ::7] = rng.choice([np.nan, np.inf, -1.0, 5e-324, 1e300])
        try:
            integrate(some, air, room, 3 * DAY, sample_at=np.linspace(0, 3 * DAY, 20))
            done += 1
        except Stalled:
            pass
    return done


def sanitizer() -> str | None:
    """Where gcc keeps the library that must be loaded first."""
    asked = subprocess.run(["gcc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=False)
    return asked.stdout.strip() if asked.returncode == 0 and os.sep in asked.stdout else None


def sanitized(runtime: str) -> dict[str, Any]:
    with tempfile.TemporaryDirectory() as folder:
        built = Path(folder) / f"_kernel{EXTENSION_SUFFIXES[0]}"
        flags = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-DPLAIN"]
        subprocess.run(
            ["gcc", "-std=c11", *flags, "-shared", "-fPIC", str(SOURCE), "-o", str(built), "-lm"], check=True
        )
        here = os.environ | {"LD_PRELOAD": runtime, "ASAN_OPTIONS": "detect_leaks=0", "PYTHONPATH": os.getcwd()}
        ran = subprocess.run(
            [sys.executable, "-c", HOSTILE, str(built)], env=here, capture_output=True, text=True, check=False
        )
    found = int(ran.stderr.count("ERROR:") + ran.stderr.count("runtime error"))
    whole = {"ended": int(ran.stdout.split()[-1])} if ran.returncode == 0 else {"said": ran.stderr[-400:]}
    return {"name": "faults under sanitizers", "value": found, "unit": "faults", "baseline": 0, "ratio": None, **whole}
