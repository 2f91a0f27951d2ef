"""When the skins on the mat are dry through: what ran off is a film of its own, thinner and on a sealed support."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np

from curewatch.physics import ensemble
from curewatch.physics.air import ZERO_C
from curewatch.physics.air_series import AirSeries
from curewatch.physics.part_physics_supports import BACKINGS
from curewatch.studio.air.climate import Climate
from curewatch.studio.care.aftercare import Odds
from curewatch.studio.forecasting.forecast import Drying, reason_in_words

MEMBERS, DAYS = 16, 30


def skins(drying: Drying, climates: Mapping[str, Climate], wet_m: float) -> Odds:
    """From when the skins of a pour can be peeled: `wet_m` [m] of its paint, known as roughly as a word would tell."""
    known = drying.air(climates)
    if known is None:
        return Odds(None, None, None, f"no temperature and humidity of {drying.unread(climates)} yet")
    time_s, temp_c, rh_pct = known
    series = AirSeries([(time_s - drying.pour.at.timestamp(), temp_c + ZERO_C, rh_pct / 100)])
    spread = ensemble.THICKNESS_SPREAD["layer"]
    film = replace(drying.pouring, wet_thickness=wet_m, thickness_spread=spread, **vars(BACKINGS["board"]))
    outcomes, _ = ensemble.run([film], series, np.zeros(1, dtype=np.intp), DAYS * 86_400.0, MEMBERS)
    early, even, safe = (
        drying.pour.at + timedelta(seconds=round(s)) if np.isfinite(s) else None for s in outcomes[0].at("handle")
    )
    hindrance = outcomes[0].hindrance_of("handle")
    return Odds(early, even, safe, reason_in_words(hindrance, DAYS) if safe is None else None)
