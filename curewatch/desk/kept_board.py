"""The board of a large studio without reading every piece again for every look at it.

A page asks for the board far more often than anything happens. What was read is kept, and held before each use
against two marks of the store: what has been logged, and what has been decided. Only the date moves on by itself.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from curewatch.desk.desk import Desk, room_line
from curewatch.desk.scene import REVISION, Scene, latest_air, read_scene
from curewatch.studio import board as boards
from curewatch.studio.board import Board, RoomLine
from curewatch.studio.forecast import Drying

KEPT = timedelta(minutes=1)
"""Read again after this long whatever the marks say: a reading of the future may have become one of the past."""


@dataclass(frozen=True)
class Kept:
    """The studio as read at `at`, while the store's marks were `mark`: of the facts, and of the decisions."""

    at: datetime
    mark: tuple[str, str]
    scene: Scene
    rooms: tuple[RoomLine, ...]

    def board(self, now: datetime) -> Board:
        return boards.board(self.scene.dryings, self.scene.forecasts, self.rooms, self.scene.alarms, now)

    @property
    def dryings(self) -> Mapping[str, Drying]:
        """By name, the pieces that are here."""
        return {drying.piece.name: drying for drying in self.scene.dryings}


class KeptBoard:
    """`look` for the studio as it is. Safe to use from several threads."""

    def __init__(self, desk: Desk) -> None:
        self._desk, self._lock = desk, threading.Lock()
        self._kept: Kept | None = None

    def mark(self) -> str:
        """Changes whenever the board may have."""
        return "/".join(self._marks())

    def _marks(self) -> tuple[str, str]:
        with self._desk.store.read() as tx:
            return tx.get_meta(REVISION) or "0", tx.decided_mark()

    def look(self, now: datetime) -> Kept:
        """What is known, as of the store's present marks."""
        mark = self._marks()
        with self._lock:
            kept = self._kept
            if kept is not None and kept.mark == mark and timedelta(0) <= now - kept.at < KEPT:
                return kept
            decided_same = kept is not None and kept.mark[1] == mark[1] and now - kept.at < KEPT
            forecasts = kept.scene.forecasts if kept is not None and decided_same else None
            with self._desk.store.read() as tx:
                scene, rooms = read_scene(tx, None, now, forecasts=forecasts), tx.rooms()
                if forecasts is not None and any(d.piece.id not in forecasts for d in scene.dryings):
                    scene = read_scene(tx, None, now)  # a piece has come, or come back with the forecast it had
                latest = latest_air(tx, scene.newest, now)
            lines = tuple(room_line(scene, room.name, latest.get(room.name)) for room in rooms)
            self._kept = Kept(now, mark, scene, lines)
            return self._kept
