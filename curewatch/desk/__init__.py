"""The desk: what people and machines can do with a studio. Each use case reads, asks the studio, and writes."""

from curewatch.desk.desk import Desk
from curewatch.desk.orders import Logged, PourOrder

__all__ = ["Desk", "Logged", "PourOrder"]
