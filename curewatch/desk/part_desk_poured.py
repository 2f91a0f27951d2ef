"""A pour as it is handed in, written down: the pour itself, how level it lay, and the paint it took."""

from __future__ import annotations

from curewatch.desk.orders import PourOrder
from curewatch.desk.part_desk_naming import DEFAULT_RECIPE
from curewatch.records import Pour
from curewatch.records.workshop import Tilt
from curewatch.store import Transaction


def write_pour(tx: Transaction, order: PourOrder, piece_id: int, air_speed_m_s: float) -> None:
    """Store what `order` tells of a piece that is there already, in air of that speed [m/s]."""
    width, height = order.size_m or (None, None)
    tx.add_pour(
        Pour(
            piece_id=piece_id,
            at=order.at,
            wet_thickness_m=order.wet_thickness_m,
            thickness_source=order.thickness_source,
            width_m=width,
            height_m=height,
            round=order.round,
            recipe=order.recipe or DEFAULT_RECIPE,
            silicone=order.silicone,
            support=order.support,
            air_speed_m_s=air_speed_m_s,
        )
    )
    if order.tilt_rad is not None:
        tx.put_tilt(Tilt(piece_id=piece_id, measured_at=order.at, tilt_rad=order.tilt_rad))
    if order.paint is not None:
        tx.put_paint(order.paint.model_copy(update={"piece_id": piece_id}))
