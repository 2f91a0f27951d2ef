"""What is typed of a support that is not level, and of how a mix flows."""

from __future__ import annotations

import math
from collections.abc import Mapping
from decimal import Decimal

from curewatch.intake.typed.numbers import Convert, Quantity, times
from curewatch.language import phrase


def _of_degrees(value: Decimal) -> Decimal:
    return Decimal(repr(math.radians(float(value))))


def _of_slope(per: str) -> Convert:
    """A rise over a run, `per` of the run being one unit of the number."""
    return lambda value: Decimal(repr(math.atan(float(value) * float(per))))


TILTS: Mapping[str, Convert] = {
    **dict.fromkeys(("deg", "°", "degree", "degrees"), _of_degrees),
    **dict.fromkeys(("mm/m", "mm per m", "mm per metre", "mm per meter"), _of_slope("0.001")),
    **dict.fromkeys(("cm/m", "cm per m", "cm per metre", "cm per meter", "%"), _of_slope("0.01")),
    **dict.fromkeys(("in/ft", "in per ft"), _of_slope(repr(1 / 12))),
}
TILT = Quantity(
    what=phrase("a tilt"),
    units=TILTS,
    unit_names="deg, mm/m, cm/m, %, in/ft",
    low=Decimal(0),
    high=Decimal(repr(math.radians(45))),
    span=phrase("between 0 and 45 degrees"),
    examples=phrase("0.5deg, as a phone's level shows it, or 3mm/m"),
)
VISCOSITY = Quantity(
    what=phrase("a viscosity"),
    units={
        **dict.fromkeys(("pas", "pa s", "pa·s", "pa*s"), times("1")),
        **dict.fromkeys(("mpas", "mpa s", "mpa·s", "mpa*s", "cp", "cps"), times("0.001")),
    },
    unit_names="Pa·s, mPa·s, cP",
    low=Decimal("0.01"),
    high=Decimal(1000),
    span=phrase("between 0.01 and 1000 Pa·s"),
    examples=phrase("1Pa·s or 800mPa·s"),
)
YIELD_STRESS = Quantity(
    what=phrase("a yield stress"),
    units={"pa": times("1")},
    unit_names="Pa",
    low=Decimal(0),
    high=Decimal(1000),
    span=phrase("between 0 and 1000 Pa"),
    examples="0.2Pa",
)
STIFFENING = Quantity(
    what=phrase("a growth of the yield stress"),
    units={"pa/h": times(repr(1 / 3600)), "pa/min": times(repr(1 / 60)), "pa/s": times("1")},
    unit_names="Pa/h, Pa/min, Pa/s",
    low=Decimal(0),
    high=Decimal(1),
    span=phrase("between 0 Pa/h (it never sets at rest) and 1 Pa/s"),
    examples="0.15Pa/h",
)
DRIFT = Quantity(
    what=phrase("a distance"),
    units={"mm": times("0.001"), "cm": times("0.01"), "in": times("0.0254")},
    unit_names="mm, cm, in",
    low=Decimal("0.0001"),
    high=Decimal(1),
    span=phrase("between 0.1 mm and 1 m"),
    examples="5mm",
)
