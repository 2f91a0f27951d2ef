"""Large boards are forecast by several processes: NumPy on short arrays holds one interpreter to one core.

They are spawned afresh, for a process with threads must not fork, and only where there is enough to do to be worth the
second that they take to start. They end with their work, or with the process that started them, however that ends.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

WORTH_CHUNKS = 3
"""Fewer chunks of work (of studio.batch.PIECES pieces each) than this are done here."""
MOST = 4
"""Processes at most: each takes some 100 MB."""


def in_processes(work: Callable[[Any], Any], chunks: Iterable[Any]) -> Iterator[Any]:
    """As `map(work, chunks)`, by several processes where that is worth it; `work` must be found by its module."""
    todo, cores = list(chunks), len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    done = 0
    if len(todo) >= WORTH_CHUNKS and cores > 1:
        try:
            for found in _pooled(work, todo, min(cores, MOST)):
                done += 1
                yield found
        except (BrokenProcessPool, OSError):
            pass  # no process may be started here, or one was killed, as for want of memory: the rest is done here
    yield from map(work, todo[done:])


def _pooled(work: Callable[[Any], Any], chunks: list[Any], processes: int) -> Iterator[Any]:
    spawning = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, spawning, _begin) as pool:
        yield from pool.map(work, chunks)


def _begin() -> None:
    """A worker is told to end by its parent alone, and ends when that is gone."""
    for ending in (signal.SIGINT, signal.SIGTERM):
        signal.signal(ending, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(0)
