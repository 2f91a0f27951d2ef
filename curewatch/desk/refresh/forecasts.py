"""The forecasts of one refresh: which to make again, from which checkpoint, in how many processes."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from curewatch.desk.snapshot.air import PastCache, futures_of
from curewatch.desk.snapshot.snapshot import Snapshot
from curewatch.records import Forecast
from curewatch.records.decisions import Checkpoint
from curewatch.settings import Settings
from curewatch.store import Store, Transaction
from curewatch.studio.air.climate import Climate
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
    """What a refresh made anew."""

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


@dataclass(frozen=True)
class StaleForecasts:
    """What a refresh read of the forecasts that are, or may be, to be made again."""

    must: Sequence[Drying] = ()
    may: Sequence[Drying] = ()
    """Those whose rooms have moved; their dates may have not."""
    centres: Mapping[int, Checkpoint] = field(default_factory=dict)
    """Of the last ones, by piece, the checkpoints of their central films."""
    pasts: Mapping[str, Climate] = field(default_factory=dict)
    """By room of all these pieces, what its outlook is made of."""

    def __len__(self) -> int:
        """How many pieces would be integrated, be it only their central films."""
        return len(self.must) + len(self.may)


class ForecastMaker:
    """Makes stale forecasts again. Safe to use from several threads."""

    def __init__(self, store: Store, settings: Settings) -> None:
        self._store, self._members, self._days = store, settings.forecast.members, settings.forecast.days
        self._pasts = PastCache()

    def stale(self, tx: Transaction, snapshot: Snapshot, now: datetime) -> StaleForecasts:
        """Which they are at `now`."""
        known, climates = snapshot.forecasts, snapshot.climates
        must = [d for d in snapshot.dryings if forecasting.inputs_changed(known.get(d.piece.id), d, climates, now)]
        ids = {drying.piece.id for drying in must}
        may = [
            d
            for d in snapshot.dryings
            if d.piece.id not in ids and forecasting.room_changed(known.get(d.piece.id), d, climates, now)
        ]
        centres = tx.checkpoints([drying.piece.id for drying in may], centres_only=True) if may else {}
        return StaleForecasts(must, may, centres, self._pasts.pasts(tx, {d.room for d in (*must, *may)}, now))

    def make(self, snapshot: Snapshot, stale: StaleForecasts, now: datetime) -> MadeForecasts:
        """Those of them whose dates move, made at `now`."""
        due = {drying.piece.id for drying in stale.must}
        if stale.may:
            due |= self._moved(snapshot, stale, now)
        dryings = [drying for drying in (*stale.must, *stale.may) if drying.piece.id in due]
        if not dryings:
            return MadeForecasts()
        futures = futures_of(stale.pasts, self._members, self._days)
        if len(dryings) <= AT_ONCE:
            return self._made(snapshot, dryings, futures, now)[0]
        return self._made_in_parts(snapshot, dryings, futures, now)

    def _moved(self, snapshot: Snapshot, stale: StaleForecasts, now: datetime) -> set[int]:
        """The pieces whose dates move, of those whose rooms have."""
        known, climates = snapshot.forecasts, snapshot.climates
        return forecasting.moved(
            [
                drying
                for drying in stale.may
                if drying.piece.id in stale.centres
                or forecasting.stale(known.get(drying.piece.id), drying, climates, now)
            ],
            climates,
            now,
            members=self._members,
            days=self._days,
            futures=futures_of(stale.pasts, 1, self._days),
            kept=stale.centres,
        )

    def _made_in_parts(
        self, snapshot: Snapshot, dryings: list[Drying], futures: Mapping[str, RoomScenarios], now: datetime
    ) -> MadeForecasts:
        """As `_made`, with no more than AT_ONCE states in memory."""
        found = MadeForecasts()
        dryings.sort(key=lambda drying: drying.pour.at)  # pieces of an age have a way of one length
        for i in range(0, len(dryings), AT_ONCE):
            part, was = self._made(snapshot, dryings[i : i + AT_ONCE], futures, now)
            found.made.extend(part.made)
            found.expected.update((one.piece_id, one.expected_s) for one in part.kept)
            with self._store.write() as tx:
                here = {piece.id for piece in tx.pieces()}
                tx.put_checkpoints(_still(one, was.get(one.piece_id)) for one in part.kept if one.piece_id in here)
        return found

    def _made(
        self, snapshot: Snapshot, dryings: Sequence[Drying], futures: Mapping[str, RoomScenarios], now: datetime
    ) -> tuple[MadeForecasts, dict[int, Expected]]:
        """What was made of these pieces, and the dates that went with the states they had.

        Their states are read only here: which pieces' dates move is not known before, and memory has bounds.
        """
        with self._store.read() as tx:
            was = tx.checkpoints([drying.piece.id for drying in dryings])
        kept = dict(was)
        made = forecasting.forecasts(
            dryings,
            snapshot.climates,
            now,
            members=self._members,
            days=self._days,
            known=snapshot.stored,
            futures=futures,
            kept=kept,
            each=in_processes,
        )
        fresh = [one for piece, one in kept.items() if was.get(piece) is not one]
        return MadeForecasts(made, fresh), {piece: one.expected_s for piece, one in was.items()}


def _still(kept: Checkpoint, expected: Expected | None) -> Checkpoint:
    """A new state with the dates of the stored forecast; where none are known, those of no film, which all differ."""
    return kept.model_copy(update={"expected_s": expected or (None,) * len(kept.expected_s)})
