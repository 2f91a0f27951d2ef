"""The drying model beside the independent solver's table, beside what others measured, and how unsure it says it is.

The tables of the model sheet, sections 4, 8 and 6: `baseline` is the other's figure; where there is a band instead, it
is `at_least` to `at_most`. Then what a person wants to know: an ordinary room's pours.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from curewatch import estimate
from curewatch.physics.air import AirSeries
from curewatch.physics.film import Films
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.solver import integrator
from curewatch.studio.wording import cracks
from tests.core.data import table
from tests.core.measured import CHECKS

DAY_S, HOUR_S = 86400.0, 3600.0
ROOM = AirSeries.constant(294.15, 0.5)
LEAST = {"touch_dry": 1.3, "handle": 1.6, "varnish_ready": 2.0}
"""p90/p10 that no milestone may be told below, before any observation (section 4)."""


def line(name: str, value: float, unit: str, baseline: float | None = None, **more: Any) -> dict[str, Any]:
    off = {} if baseline is None else {"off_pct": round(100 * (value / baseline - 1), 2)}
    return {"name": name, "value": round(value, 4), "unit": unit, "baseline": baseline, "ratio": None, **off, **more}


def lines() -> Iterator[dict[str, Any]]:
    yield from solved_by_another()
    for check in CHECKS:
        found, top = check.found(), None if np.isinf(check.high) else round(check.high, 4)
        met = check.low <= found <= check.high
        band = {"at_least": round(check.low, 4), "at_most": top, "met": met, "source": check.source}
        yield line(f"measured: {check.name}", found, check.unit, **band)
    yield from unsure()


def solved_by_another() -> Iterator[dict[str, Any]]:
    for row in table("milestones"):
        film = {name: row[name] for name in ("side", "air_speed", "h_back")}
        films = Films.of(row["wet_mm"] / 1e3, row["solids"], row["glycol"], **film)
        rtol, atol = integrator.FINE
        state, _ = integrator.integrate(films, ROOM, np.zeros(1, dtype=np.intp), 200 * DAY_S, rtol=rtol, atol=atol)
        for name, reached, unit in zip(MILESTONES, state.reached[:, 0], "hhhd", strict=True):
            found = float(reached) / (HOUR_S if unit == "h" else DAY_S)
            told = f"table: {row['wet_mm']:g} mm, side {row['side']:g}, {row['air_speed']:g} m/s, {name}"
            yield line(told, found, unit, row[f"{name}_{unit}"])


def unsure() -> Iterator[dict[str, Any]]:
    """How wide dates are at every thickness, and what an ordinary room's pours come to."""
    for wet_mm in (0.05, 0.3, 1.0, 1.8, 4.0):
        found = estimate(wet_thickness_mm=wet_mm, temp_c=21, rh_pct=50, days=730)
        for name, least in LEAST.items():
            one = found.milestones[name]
            if one.early_h is not None and one.safe_h is not None:
                wide = one.safe_h / one.early_h
                yield line(f"p90/p10 of {name}, {wet_mm:g} mm", wide, "-", at_least=least, met=wide >= least)
    for wet_mm in (1.0, 1.4, 1.8):
        found = estimate(wet_thickness_mm=wet_mm, temp_c=20, rh_pct=50)
        for name, per, unit in (("touch_dry", 1, "h"), ("handle", 1, "h"), ("varnish_ready", 24, "d")):
            one = found.milestones[name]
            if one.worth_checking_h is not None:
                safe = None if one.safe_h is None else round(one.safe_h / per, 1)
                told = f"at 20 °C and 50 %, {wet_mm:g} mm: {name}"
                yield line(told, one.worth_checking_h / per, unit, safe=safe, cracks=str(cracks(found.crack_odds)))
