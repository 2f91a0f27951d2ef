"""How level a piece lies: a tilt measured after its pour, and what it does to the design."""

from __future__ import annotations

from datetime import datetime

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.orders import FactError
from curewatch.desk.part_desk_naming import nearest
from curewatch.desk.reports.part_desk_looking_back import CureRecord, cure_record_of
from curewatch.records.workshop import Tilt


def measured(desk: Desk, name: str, tilt_rad: float, at: datetime, now: datetime) -> CureRecord:
    """Store how far from level a piece's support was at `at`; the piece with it. FactError: no such piece here, or a
    moment before its pour."""
    with desk.store.write() as tx:
        piece = tx.piece(name)
        if piece is None or piece.gone_at is not None:
            raise FactError("NAME", name, nearest(name, [one.name for one in tx.pieces()], "a piece here"))
        (pour,) = tx.pours([piece.id])
        if not pour.at <= at <= now:
            since = desk.local(pour.at).isoformat(timespec="minutes")
            raise FactError("--at", desk.local(at).isoformat(timespec="minutes"), f"a moment since the pour, {since}")
        tx.put_tilt(Tilt(piece_id=piece.id, measured_at=at, tilt_rad=tilt_rad))
        mark_changed(tx)
    return cure_record_of(desk, name, now)
