"""Everything a person types, in one place to import from: quantities, durations, times, and their error."""

from curewatch.intake.errors import BadInput, quoted
from curewatch.intake.typed.part_intake_quantities import (
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
from curewatch.intake.typed.part_intake_times import not_future, parse_time
from curewatch.intake.typed.times import parse_duration

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
