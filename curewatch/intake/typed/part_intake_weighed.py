"""A weighing as typed: its mass, and the scale's smallest step, which the last digit shows unless it is said."""

from __future__ import annotations

import re
from dataclasses import dataclass

from curewatch.intake.errors import BadInput
from curewatch.intake.typed.part_intake_quantities import parse_mass

_BARE = re.compile(r"\s*[0-9]+(?:[.,][0-9]+)?\s*")
_DIGITS = re.compile(r"[0-9]+(?:[.,]([0-9]+))?")


@dataclass(frozen=True)
class Weighed:
    grams: float
    resolution_g: float


def parse_weighing(text: str, resolution: str | None = None) -> Weighed:
    """`512` is grams, to 1 g; `512.5 g` to 0.1 g; other units as `parse_mass` reads them. Raises BadInput."""
    mass = _grams(text, "MASS")
    if resolution is not None:
        step = _grams(resolution, "--resolution")
    else:
        number = _DIGITS.search(text)
        decimals = len(number.group(1) or "") if number is not None else 0
        per_unit = mass / float(number.group().replace(",", ".")) if number is not None and mass else 1.0
        step = per_unit * 10.0**-decimals
    if not 0 < step <= 1000:
        raise BadInput("--resolution", resolution or text, "a scale's step between 0.1 g and 1 kg")
    return Weighed(mass, round(step, 6))


def _grams(text: str, field: str) -> float:
    return round(1e3 * parse_mass(f"{text.strip()} g" if _BARE.fullmatch(text) else text, field=field), 6)
