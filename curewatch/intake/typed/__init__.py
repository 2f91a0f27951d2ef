"""Everything a person types, in one place to import from: quantities, durations, times, and their error."""

from curewatch.intake.errors import BadInput, quoted
from curewatch.intake.typed.quantities import (
    parse_air,
    parse_back,
    parse_fraction,
    parse_humidity,
    parse_length,
    parse_mass,
    parse_size,
    parse_surface,
    parse_temperature,
    parse_thickness,
    parse_volume,
)
from curewatch.intake.typed.times import not_future, parse_duration, parse_time

__all__ = [
    "BadInput",
    "not_future",
    "parse_air",
    "parse_back",
    "parse_duration",
    "parse_fraction",
    "parse_humidity",
    "parse_length",
    "parse_mass",
    "parse_size",
    "parse_surface",
    "parse_temperature",
    "parse_thickness",
    "parse_time",
    "parse_volume",
    "quoted",
]
