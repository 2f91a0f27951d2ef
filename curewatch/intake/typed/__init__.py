"""Everything a person types, in one place to import from: quantities, durations, times."""

from curewatch.intake.typed.quantities import (
    parse_air,
    parse_back,
    parse_fraction,
    parse_humidity,
    parse_shape,
    parse_size,
    parse_support,
)
from curewatch.intake.typed.times import not_future, parse_duration, parse_time

__all__ = [
    "not_future",
    "parse_air",
    "parse_back",
    "parse_duration",
    "parse_fraction",
    "parse_humidity",
    "parse_shape",
    "parse_size",
    "parse_support",
    "parse_time",
]
