"""The desk: what people and machines can do with a studio. Each use case reads, asks the studio, and writes."""

from curewatch.desk.desk import Desk
from curewatch.desk.orders import FactError, Logged, PourOrder
from curewatch.desk.part_desk_reports import AT_HAND, PieceReport, Refreshed

__all__ = ["AT_HAND", "Desk", "FactError", "Logged", "PieceReport", "PourOrder", "Refreshed"]
