"""What each observation of a piece is in the model's terms, and what it says of the quantities nobody knows.

Softness of an observer's judgement and of a kitchen scale is common practice, not science: two people disagree about
"tacky" by some 8 % of the time; a support takes up and gives off damp of its own, some 4 g/m2 in a
room that keeps within 5 %RH.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from curewatch.observations import Finger, Observation, ObservationKind
from curewatch.physics.air import ZERO_C, Array
from curewatch.physics.film import RHO_DRY, RHO_WATER
from curewatch.physics.milestones import MILESTONES
from curewatch.records import Pour
from curewatch.studio.belief import SLIP, Clue, Sense, likelihood
from curewatch.studio.members import Marched

FINGER_NOISE = 0.08
"""An observer's judgement of dry, standard deviation of the logarithm of time."""
SURFACE_NOISE_K = 0.7
"""An infrared thermometer on paint, and the room's air just there [K]."""
SUPPORT_G_M2 = 4.0
"""Damp that a canvas with its stretcher takes up or gives off between weighings, standard deviation [g/m2]."""
UNKNOWN_AREA_M2 = 0.06
POURED_SPREAD, LOST_SPREAD = 0.05, 0.05
"""Edges and drips count neither as film nor as area: relative standard deviation."""
ROUNDING = 12**-0.5
"""Standard deviation of rounding to a step of 1."""
LEAST = 12
"""Members that must get somewhere for a clue to be drawn."""
NOT_PRESSED = 0.3
"""Share of those who say "touch-dry" without having tried whether it is dry through by now."""
_TESTS = {
    Finger.TACKY: (("touch_dry", Sense.ABOVE, SLIP),),
    Finger.TOUCH_DRY: (("touch_dry", Sense.BELOW, SLIP), ("handle", Sense.ABOVE, NOT_PRESSED)),
    Finger.DRY_THROUGH: (("handle", Sense.BELOW, SLIP),),
}


@dataclass(frozen=True)
class Sight:
    """One observation against what each member says of it."""

    observation: Observation
    y: Array
    """(members): logarithm of a time or mass, a mass [g], or a temperature [°C]; inf: never."""
    sense: Sense
    seen: float
    noise: float
    slip: float = SLIP

    def likelihood(self) -> Array:
        """How well each member goes with it, 0-1."""
        return likelihood(self.sense, self.seen, self.noise, self.y, self.slip)


def sights(pour: Pour, observations: Sequence[Observation], runs: Marched, k: int) -> list[Sight]:
    """The observations of the k-th pouring of `runs`, which was sampled at each one's time."""
    found = []
    for one in observations:
        age_s = (one.at - pour.at).total_seconds()
        if one.kind is ObservationKind.FINGER and one.finger is not None and age_s > 0:
            for milestone, sense, slip in _TESTS[one.finger]:
                with np.errstate(divide="ignore"):
                    y = np.log(runs.reached_s[MILESTONES.index(milestone), k])
                found.append(Sight(one, y, sense, float(np.log(age_s)), FINGER_NOISE, slip))
        elif one.kind is ObservationKind.SURFACE and one.surface_c is not None and age_s > 0:
            y = runs.sample("film_temperature", k, age_s) - ZERO_C
            found.append(Sight(one, y, Sense.EQUAL, one.surface_c, SURFACE_NOISE_K))
    return found + _weighings(pour, [one for one in observations if one.grams is not None], runs, k)


def sample_times(pour: Pour, observations: Sequence[Observation]) -> list[float]:
    """When `sights` needs the members looked at [s from the pour]."""
    ages = [(one.at - pour.at).total_seconds() for one in observations if one.kind is not ObservationKind.FINGER]
    return sorted({age for age in ages if age > 0})


def _weighings(pour: Pour, weighed: list[Observation], runs: Marched, k: int) -> list[Sight]:
    """The poured mass, where the bare piece was weighed too, then what was lost from each weighing to the next."""
    bare = [one for one in weighed if one.at <= pour.at]
    wet = [one for one in weighed if one.at > pour.at]
    area = pour.width_m * pour.height_m if pour.width_m and pour.height_m else None
    if not wet or (not bare and area is None):
        return []
    liquid = [_liquid(runs, k, (one.at - pour.at).total_seconds()) for one in wet]
    damp_g = SUPPORT_G_M2 * (area or UNKNOWN_AREA_M2)
    found = []
    mass = 1e3 * runs.solids_m(k) * (area or 1.0)  # g of film for each kg/m3
    if bare:
        poured, error = _difference(wet[0], bare[-1], damp_g)
        if poured > 3 * error and area is not None:
            noise = float(np.hypot(POURED_SPREAD, error / poured))
            y = np.log(mass * (RHO_DRY + RHO_WATER * liquid[0]))
            found.append(Sight(wet[0], y, Sense.EQUAL, float(np.log(poured)), noise))
        mass = np.maximum(poured, error) / (RHO_DRY + RHO_WATER * liquid[0])
    for i in range(1, len(wet)):
        lost, error = _difference(wet[i - 1], wet[i], damp_g)
        y = mass * RHO_WATER * (liquid[i - 1] - liquid[i])
        noise = float(np.hypot(error, LOST_SPREAD * lost))
        found.append(Sight(wet[i], y, Sense.EQUAL, lost, noise))
    return found


def _difference(one: Observation, other: Observation, damp_g: float) -> tuple[float, float]:
    """Mass of one less the other [g], and its standard deviation."""
    assert one.grams is not None
    assert other.grams is not None
    steps = float(np.hypot(one.resolution_g or 0.0, other.resolution_g or 0.0))
    return one.grams - other.grams, float(np.hypot(steps * ROUNDING, damp_g))


def _liquid(runs: Marched, k: int, age_s: float) -> Array:
    """Water and glycol for each volume of solids."""
    phi = runs.sample("volatile_fraction", k, age_s)
    return np.asarray(phi / (1 - phi))


def clue(sight: Sight, z: Array, never: float) -> Clue | None:
    """What a sight says of the deviates `z` (members, 8) of its members; None where hardly one got there.

    The fit is weighted towards the members near what was seen: that is where it must be right. `never`: y that
    stands for "not within the time marched".
    """
    if np.isfinite(sight.y).sum() < LEAST:
        return None
    y = np.where(np.isfinite(sight.y), sight.y, never)
    off = (y - sight.seen) / (2 * max(float(y.std()), sight.noise))
    weight = np.sqrt(np.exp(-0.5 * off**2) + 0.02)
    rows = np.column_stack([np.ones(len(y)), z])
    fit = np.linalg.lstsq(rows * weight[:, None], y * weight)[0]
    rest = float(np.sqrt((weight**2 * (y - rows @ fit) ** 2).sum() / (weight**2).sum()))
    return Clue(
        observed_s=sight.observation.at.timestamp(),
        at=float(fit[0]),
        pull=tuple(float(x) for x in fit[1:]),
        rest=rest,
        sense=sight.sense,
        seen=sight.seen,
        noise=sight.noise,
        slip=sight.slip,
    )
