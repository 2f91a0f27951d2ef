"""How level a piece lies: a tilt measured after its pour, and what it does to the design."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from curewatch.desk.desk import Desk, mark_changed
from curewatch.desk.looking_back import look_back
from curewatch.desk.naming import nearest
from curewatch.desk.orders import FactError
from curewatch.studio.levelling import drifted
from curewatch.workshop import Tilt


@dataclass(frozen=True)
class Levelled:
    """A tilt as stored, and what it comes to."""

    tilt: Tilt
    drift_m: float | None
    """On all tilts measured of the piece, until its film packs; None: the air of its room was not read."""
    tilt_for_5mm: float | None
    """[rad]"""


def measured(desk: Desk, name: str, tilt_rad: float, at: datetime, now: datetime) -> Levelled:
    """Store how far from level a piece's support was at `at`. FactError: no such piece here, or before its pour."""
    with desk.store.write() as tx:
        piece = tx.piece(name)
        if piece is None or piece.gone_at is not None:
            raise FactError("NAME", name, nearest(name, [one.name for one in tx.pieces()], "a piece here"))
        (pour,) = tx.pours([piece.id])
        if not pour.at <= at <= now:
            since = desk.local(pour.at).isoformat(timespec="minutes")
            raise FactError("--at", desk.local(at).isoformat(timespec="minutes"), f"a moment since the pour, {since}")
        tilt = Tilt(piece_id=piece.id, measured_at=at, tilt_rad=tilt_rad)
        tx.put_tilt(tilt)
        mark_changed(tx)
    looked = look_back(desk, name, now)
    if looked.trace is None:
        return Levelled(tilt, None, None)
    return Levelled(tilt, drifted(looked.trace.film, pour.at, looked.tilts), looked.trace.tilt_for_5mm)
