"""The desk: what people and machines can do with a studio. Each use case reads, asks the studio, and writes."""

from curewatch.desk.desk import AT_HAND, Desk, PieceReport, Refreshed
from curewatch.desk.orders import FactError, Logged, PourOrder

__all__ = ["AT_HAND", "Desk", "FactError", "Logged", "PieceReport", "PourOrder", "Refreshed"]
