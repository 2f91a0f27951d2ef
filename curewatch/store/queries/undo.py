"""Rows that should never have been written: the one way in which facts leave the store."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select, update

from curewatch.records import AlarmHappening, AlarmKind
from curewatch.store import tables, workshop_tables
from curewatch.store.errors import FactRefused
from curewatch.store.queries.base import Rows

_NOTICES = tables.notices.c


class Undo(Rows):
    """Rows that should never have been written, and what was derived from them."""

    def undo_piece(self, piece_id: int, at: datetime) -> None:
        """The piece was never poured: its pour, its stays, its forecast and the notices about it go.

        Its number stays, on a piece that left at `at`: given out again, it would give another piece's notices the
        keys of those that people may have had. Raises FactRefused if there is no such piece.
        """
        about_it = select(_NOTICES.id).where(_NOTICES.piece_id == piece_id)
        deliveries = tables.deliveries
        self._execute(delete(deliveries).where(deliveries.c.notice_id.in_(about_it)), given=piece_id)
        worked = (workshop_tables.tilts, workshop_tables.paints, workshop_tables.photos, workshop_tables.promises)
        of_pours = (tables.corrections, *worked, tables.pours)
        for table in (tables.notices, tables.damages, tables.forecasts, *of_pours, tables.stays):
            self._execute(delete(table).where(table.c.piece_id == piece_id), given=piece_id)
        left = update(tables.pieces).where(tables.pieces.c.id == piece_id).values(gone_at=at)
        if not self._execute(left, given=piece_id).rowcount:
            raise FactRefused(f"there is no piece with id {piece_id}")

    def undo_sensor_trust(self, room: str, source: str, logged_at: datetime) -> None:
        """Nobody said so of that sensor."""
        said = tables.sensor_trusts.c
        of_it = (said.room == room) & (said.source == source) & (said.logged_at == logged_at)
        self._execute(delete(tables.sensor_trusts).where(of_it), given=(room, source, logged_at))

    def undo_tilt(self, piece_id: int, measured_at: datetime) -> None:
        """The piece did not lie so at that moment."""
        tilts = workshop_tables.tilts.c
        of_it = (tilts.piece_id == piece_id) & (tilts.measured_at == measured_at)
        self._execute(delete(workshop_tables.tilts).where(of_it), given=(piece_id, measured_at))

    def undo_acknowledgement(self, kind: AlarmKind, room: str, at: datetime) -> None:
        """Nobody saw to the alarm at that moment: the line of its history that says so goes."""
        events = tables.alarm_events.c
        line = (events.kind == kind) & (events.room == room) & (events.recorded_at == at)
        said = line & (events.happening == AlarmHappening.ACKNOWLEDGED)
        self._execute(delete(tables.alarm_events).where(said), given=(kind, room, at))

    def undo_clearing(self, piece_id: int, at: datetime) -> None:
        """What was cleared of the piece at that moment stands again. FactRefused: more has been counted since."""
        damages = tables.damages.c
        cleared = (damages.piece_id == piece_id) & (damages.cleared_at == at)
        self._execute(update(tables.damages).where(cleared).values(cleared_at=None), given=(piece_id, at))

    def undo_stay(self, piece_id: int, since: datetime) -> None:
        """The piece never came to where it lies since then. FactRefused if that is where it was poured."""
        stays = tables.stays.c
        known = list(self._connection.scalars(select(stays.since).where(stays.piece_id == piece_id)))
        if since not in known or len(known) < 2:
            raise FactRefused(f"piece {piece_id} has no move at {since.isoformat()} to take back")
        self._execute(delete(tables.stays).where(stays.piece_id == piece_id, stays.since == since), given=since)
