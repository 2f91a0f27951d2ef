"""The board of a large studio without reading every piece again for every look at it.

A page asks for the board far more often than anything happens. What was read is kept, and held before each use
against the store's marks: what has been logged, readings counted by themselves, and what has been decided. After
readings alone the pieces stand as they were read. Only the date moves on by itself.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from curewatch.desk.desk import FACTS_REVISION, READINGS_REVISION, Desk
from curewatch.desk.snapshot.air import AirCache
from curewatch.desk.snapshot.snapshot import Snapshot, latest_air, read_snapshot, room_line, with_new_readings
from curewatch.store import Transaction
from curewatch.studio import board as boards
from curewatch.studio.board import Board, RoomLine
from curewatch.studio.forecasting.drying import Drying

RESTS, RESTS_MOST_S = 5.0, 2.0
"""After readings alone it is read again once so many times as long have passed as it took, at most so long: sensors
that send without end would else have every page of a studio wait for all of them."""
KEPT = timedelta(minutes=1)
"""Read again after this long whatever the marks say: a reading of the future may have become one of the past."""


class Revisions(NamedTuple):
    """The store's, at one moment."""

    facts: int
    """Changes of facts other than readings."""
    heard: int
    """Changes by readings."""
    decided: str

    def __str__(self) -> str:
        return "/".join(str(mark) for mark in self)


@dataclass(frozen=True)
class CachedBoard:
    """The studio as it was while the store's marks were `mark`; its pieces were read at `at`."""

    at: datetime
    mark: Revisions
    snapshot: Snapshot
    rooms: tuple[RoomLine, ...]

    def board(self, now: datetime) -> Board:
        return boards.board(
            self.snapshot.dryings,
            self.snapshot.forecasts,
            self.rooms,
            self.snapshot.alarms,
            now,
            self.snapshot.foretold,
        )

    @property
    def dryings(self) -> Mapping[str, Drying]:
        """By name, the pieces that are here."""
        return {drying.piece.name: drying for drying in self.snapshot.dryings}


class BoardCache:
    """`look` for the studio as it is. Safe to use from several threads."""

    def __init__(self, desk: Desk, monotonic: Callable[[], float] = lambda: 0.0) -> None:
        """`monotonic` tells how long a look takes [s]."""
        self._desk, self._monotonic, self._lock, self._air = desk, monotonic, threading.Lock(), AirCache()
        self._kept: CachedBoard | None = None
        self._rests_until = -math.inf

    def wake(self) -> None:
        """The next look sees all that is stored: somebody has logged something, and looks for it."""
        self._rests_until = -math.inf

    def mark(self) -> str:
        """Changes whenever the board may have."""
        return str(self._marks())

    def _marks(self) -> Revisions:
        with self._desk.store.read() as tx:
            heard = int(tx.get_meta(READINGS_REVISION) or 0)
            return Revisions(int(tx.get_meta(FACTS_REVISION) or 0) - heard, heard, tx.decided_mark())

    def look(self, now: datetime) -> CachedBoard:
        """What is known, as of the store's present marks."""
        mark = self._marks()
        with self._lock:
            kept = self._kept
            if kept is not None and not timedelta(0) <= now - kept.at < KEPT:
                kept = None
            stands = kept is not None and kept.mark._replace(heard=mark.heard) == mark
            began = self._monotonic()
            if kept is not None and (kept.mark == mark or (stands and began < self._rests_until)):
                return kept
            with self._desk.store.read() as tx:
                snapshot = with_new_readings(tx, kept.snapshot, now) if kept and stands else _read(tx, kept, mark, now)
                rooms, latest = tx.rooms(), latest_air(tx, snapshot.newest, now, self._air)
            lines = tuple(room_line(snapshot, room.name, latest.get(room.name)) for room in rooms)
            self._kept = CachedBoard(kept.at if kept and stands else now, mark, snapshot, lines)
            ended = self._monotonic()
            self._rests_until = ended + min(RESTS * (ended - began), RESTS_MOST_S)
            return self._kept


def board_of(desk: Desk, now: datetime) -> Board:
    """The studio as last forecast."""
    with desk.store.read() as tx:
        snapshot, rooms = read_snapshot(tx, None, now), tx.rooms()
        latest = latest_air(tx, snapshot.newest, now)
    lines = [room_line(snapshot, room.name, latest.get(room.name)) for room in rooms]
    return boards.board(snapshot.dryings, snapshot.forecasts, lines, snapshot.alarms, now, snapshot.foretold)


def _read(tx: Transaction, kept: CachedBoard | None, mark: Revisions, now: datetime) -> Snapshot:
    """The pieces as they are stored; the forecasts are not read where they are those that were kept."""
    stored = kept.snapshot.stored if kept is not None and kept.mark.decided == mark.decided else None
    snapshot = read_snapshot(tx, None, now, stored=stored)
    if stored is not None and any(drying.piece.id not in stored for drying in snapshot.dryings):
        return read_snapshot(tx, None, now)  # a piece has come, or come back with the forecast it had
    return snapshot
