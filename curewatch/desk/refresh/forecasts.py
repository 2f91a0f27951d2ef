"""The forecasts of one refresh: which to make again, from which checkpoint, in how many processes."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from curewatch.desk.snapshot.air_outlook import FutureCache
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.records import Forecast
from curewatch.records.forecasts import Checkpoint
from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.studio.forecasting import forecast as forecasting
from curewatch.studio.forecasting.drying import Drying
from curewatch.studio.outlook.scenarios import RoomScenarios

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


AT_ONCE = 2000
"""Pieces whose states are in memory together: with 64 members some 13 kB each, before and after."""
Expected = tuple[float | None, ...]


@dataclass(frozen=True)
class MadeForecasts:
    """What a look made anew."""

    made: list[Forecast] = field(default_factory=list)
    kept: list[Checkpoint] = field(default_factory=list)
    expected: dict[int, Expected] = field(default_factory=dict)
    """By piece whose state is stored already, the dates that go with it [s from the pour]."""

    def write(self, tx: Transaction, here: set[int]) -> None:
        """Store it, but for pieces that are not `here` any more."""
        tx.put_forecasts(forecast for forecast in self.made if forecast.piece_id in here)
        tx.put_checkpoints(one for one in self.kept if one.piece_id in here)
        tx.expect(self.expected)
        if self.kept or self.expected:
            tx.trim_checkpoints()


class ForecastMaker:
    """Makes stale forecasts again. Safe to use from several threads."""

    def __init__(self, settings: Settings) -> None:
        self._members, self._days = settings.forecast.members, settings.forecast.days
        self._ahead = FutureCache()

    def look(self, store: Store, snapshot: Snapshot, now: datetime) -> MadeForecasts:
        """The forecasts of the scene's pieces that are to be made again at `now`."""
        due = {d.piece.id for d in snapshot.dryings if self._must(snapshot, d, now)}
        may = [d for d in snapshot.dryings if d.piece.id not in due and self._may(snapshot, d, now)]
        if may:
            due |= self._moved(store, snapshot, may, now)
        stale = [drying for drying in snapshot.dryings if drying.piece.id in due]
        if len(stale) <= AT_ONCE:
            return self._made(store, snapshot, stale, now)[0] if stale else MadeForecasts()
        return self._made_in_parts(store, snapshot, stale, now)

    def stale(self, snapshot: Snapshot, now: datetime) -> int:
        """How many pieces a look would march, be it only their central films."""
        return sum(self._must(snapshot, d, now) or self._may(snapshot, d, now) for d in snapshot.dryings)

    @staticmethod
    def _may(snapshot: Snapshot, drying: Drying, now: datetime) -> bool:
        return forecasting.room_changed(snapshot.forecasts.get(drying.piece.id), drying, snapshot.climates, now)

    @staticmethod
    def _must(snapshot: Snapshot, drying: Drying, now: datetime) -> bool:
        return forecasting.inputs_changed(snapshot.forecasts.get(drying.piece.id), drying, snapshot.climates, now)

    def _moved(self, store: Store, snapshot: Snapshot, may: Sequence[Drying], now: datetime) -> set[int]:
        """The pieces whose dates move, of those whose rooms have."""
        with store.read() as tx:
            kept = tx.checkpoints([drying.piece.id for drying in may], centres_only=True)
            futures = self._futures(tx, may, now, members=1)
        return forecasting.moved(
            [drying for drying in may if drying.piece.id in kept or self._stale(snapshot, drying, now)],
            snapshot.climates,
            now,
            members=self._members,
            days=self._days,
            futures=futures,
            kept=kept,
        )

    @staticmethod
    def _stale(snapshot: Snapshot, drying: Drying, now: datetime) -> bool:
        return forecasting.stale(snapshot.forecasts.get(drying.piece.id), drying, snapshot.climates, now)

    def _made_in_parts(self, store: Store, snapshot: Snapshot, stale: Sequence[Drying], now: datetime) -> MadeForecasts:
        """As `_made`, with no more than AT_ONCE states in memory."""
        found = MadeForecasts()
        stale = sorted(stale, key=lambda drying: drying.pour.at)  # pieces of an age have a way of one length
        for i in range(0, len(stale), AT_ONCE):
            part, was = self._made(store, snapshot, stale[i : i + AT_ONCE], now)
            found.made.extend(part.made)
            found.expected.update((one.piece_id, one.expected_s) for one in part.kept)
            with store.write() as tx:
                here = {piece.id for piece in tx.pieces()}
                tx.put_checkpoints(_still(one, was.get(one.piece_id)) for one in part.kept if one.piece_id in here)
        return found

    def _made(
        self, store: Store, snapshot: Snapshot, stale: Sequence[Drying], now: datetime
    ) -> tuple[MadeForecasts, dict[int, Expected]]:
        """What was made of these pieces, and the dates that went with the states they had."""
        with store.read() as tx:
            was = tx.checkpoints([drying.piece.id for drying in stale])
            futures = self._futures(tx, stale, now, members=self._members)
        kept = dict(was)
        made = forecasting.forecasts(
            stale,
            snapshot.climates,
            now,
            members=self._members,
            days=self._days,
            known=snapshot.forecasts,
            futures=futures,
            kept=kept,
            each=in_processes,
        )
        fresh = [one for piece, one in kept.items() if was.get(piece) is not one]
        return MadeForecasts(made, fresh), {piece: one.expected_s for piece, one in was.items()}

    def _futures(
        self, tx: Transaction, dryings: Sequence[Drying], now: datetime, members: int
    ) -> dict[str, RoomScenarios]:
        rooms = {drying.room for drying in dryings}
        return self._ahead.futures(tx, rooms, now, members=members, days=self._days)


def _still(kept: Checkpoint, expected: Expected | None) -> Checkpoint:
    """A new state with the dates of the stored forecast; where none are known, those of no film, which all differ."""
    return kept.model_copy(update={"expected_s": expected or (None,) * len(kept.expected_s)})
