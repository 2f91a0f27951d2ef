"""What each observation of a piece is in the model's terms, and what it says of the quantities nobody knows.

Softness of an observer's judgement and of a kitchen scale is common practice, not science: two people disagree about
"tacky" by some 8 % of the time; a support takes up and gives off damp of its own, some 4 g/m2 in a
room that keeps within 5 %RH.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from curewatch.physics.air import ZERO_C, Array
from curewatch.physics.ensemble import EnsembleRun
from curewatch.physics.film import RHO_DRY, RHO_WATER
from curewatch.physics.milestones import MILESTONES
from curewatch.physics.supports import BACKINGS
from curewatch.records import Pour
from curewatch.records.facts import Finger, Observation, ObservationKind, Spot
from curewatch.studio.inference.factors import SLIP, Comparison, Factor, likelihood

FINGER_NOISE = 0.08
"""An observer's judgement of dry, standard deviation of the logarithm of time."""
EDGE_THICKNESS, EDGE_SPREAD, EDGE_HABIT = 0.85, 0.15, 0.2
"""Thickness of a film at its edge over that of the piece, and how far edges of one recipe and those of different ones
differ, standard deviation of the logarithm [cal]: pours run thin there, and fronts of drying start there (Routh &
Russel 1998). A habit of all edges looks like a recipe that dries faster; what is felt in the middle or weighed tells
them apart. With none, an edge half as thick as the piece taught dates that held in 57 to 68 %."""
BY_THICKNESS = {"touch_dry": 1.05, "handle": 1.3}
"""Power of the thickness by which a milestone's time goes, from 0.5 to 3 mm in usual air: computed by this model."""
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
"""Members that must get somewhere for a factor to be drawn."""
MIDDLE = (0.16, 0.84)
HELD_BACK = (0.3, 1.0, 3.0, 10.0, 30.0, 1e2, 1e3, 1e6)
"""How strongly the curvature of a fit may be held back [members]; the last leaves a straight line."""
NOT_PRESSED = 0.3
"""Share of those who say "touch-dry" without having tried whether it is dry through by now."""
_TESTS = {
    Finger.TACKY: (("touch_dry", Comparison.ABOVE, SLIP),),
    Finger.TOUCH_DRY: (("touch_dry", Comparison.BELOW, SLIP), ("handle", Comparison.ABOVE, NOT_PRESSED)),
    Finger.DRY_THROUGH: (("handle", Comparison.BELOW, SLIP),),
}


@dataclass(frozen=True)
class PredictedObservation:
    """One observation against what each member says of it."""

    observation: Observation
    y: Array
    """(members): logarithm of a time or mass, a mass [g], or a temperature [°C]; inf: never."""
    sense: Comparison
    observed: float
    noise: float
    slip: float = SLIP
    residual_group: str = ""
    """What `y` is, where several observations see the same: a milestone's date."""
    edge_power: float = 0.0
    """Power of the film's thickness where the finger was that `y` goes by, at an edge; else 0: nothing to doubt."""

    def likelihood(self, edge: Array | float = 0.0) -> Array:
        """How well each member goes with it, 0-1, its edge being so thick over edges in general (the logarithm)."""
        return likelihood(self.sense, self.observed, self.noise, self.y + self.edge_power * edge, self.slip)

    @property
    def thinkable(self) -> float:
        """How well the member that it suits best goes with it, whatever edges may be, 0-1."""
        doubt = self.edge_power * float(np.hypot(EDGE_SPREAD, EDGE_HABIT))
        noise = float(np.hypot(self.noise, doubt))
        return float(likelihood(self.sense, self.observed, noise, self.y, self.slip).max())


def predicted_observations(
    pour: Pour, observations: Sequence[Observation], runs: EnsembleRun, k: int
) -> list[PredictedObservation]:
    """The observations of the k-th pouring of `runs`, which was sampled at each one's time."""
    found = []
    for one in observations:
        age_s = (one.at - pour.at).total_seconds()
        if one.kind is ObservationKind.FINGER and one.finger is not None and age_s > 0:
            for milestone, sense, slip in _TESTS[one.finger]:
                with np.errstate(divide="ignore"):
                    y = np.log(runs.reached_s[MILESTONES.index(milestone), k])
                power = BY_THICKNESS[milestone] if one.spot is Spot.EDGE else 0.0
                y = y + power * float(np.log(EDGE_THICKNESS))
                seen = f"{milestone} at the edge" if power else milestone
                found.append(PredictedObservation(one, y, sense, float(np.log(age_s)), FINGER_NOISE, slip, seen, power))
        elif one.kind is ObservationKind.SURFACE and one.surface_c is not None and age_s > 0:
            y = runs.sample("film_temperature", k, age_s) - ZERO_C
            found.append(PredictedObservation(one, y, Comparison.EQUAL, one.surface_c, SURFACE_NOISE_K))
    return found + _weighings(pour, [one for one in observations if one.grams is not None], runs, k)


def sample_times(pour: Pour, observations: Sequence[Observation]) -> list[float]:
    """When `predicted_observations` needs the members looked at [s from the pour]."""
    ages = [(one.at - pour.at).total_seconds() for one in observations if one.kind is not ObservationKind.FINGER]
    return sorted({age for age in ages if age > 0})


def _weighings(pour: Pour, weighed: list[Observation], runs: EnsembleRun, k: int) -> list[PredictedObservation]:
    """The poured mass, where the bare piece was weighed too, then what each weighing has over the mean of all later.

    The scale's and the support's errors come anew at each weighing. Differences from one weighing to the next would
    share them, and to say so of none would hide what a row of weighings tells of the last, slow losses; these contrasts
    (Helmert's) share none. Of the later ones, not the earlier: then the tail is set against the tail.
    """
    bare = [one for one in weighed if one.at <= pour.at]
    wet = [one for one in weighed if one.at > pour.at]
    area = pour.face_m2
    if not wet or (not bare and area is None):
        return []
    liquid = [_liquid(runs, k, (one.at - pour.at).total_seconds()) for one in wet]
    damp_g = SUPPORT_G_M2 * (area or UNKNOWN_AREA_M2)
    found = []
    mass = 1e3 * runs.solids_m(k) * (area or 1.0)  # g of film for each kg/m3
    if bare:
        poured = _grams(wet[0]) - _grams(bare[-1])
        error = float(np.hypot(_error(wet[0], damp_g), _error(bare[-1], damp_g)))
        if poured > 3 * error and area is not None:
            noise = float(np.hypot(POURED_SPREAD, error / poured))
            y = np.log(mass * (RHO_DRY + RHO_WATER * liquid[0]))
            found.append(PredictedObservation(wet[0], y, Comparison.EQUAL, float(np.log(poured)), noise))
        mass = np.maximum(poured, error) / (RHO_DRY + RHO_WATER * liquid[0])
    if BACKINGS[pour.support].sink_m > 0:
        return found  # water that it soaks up stays on the scale: the row tells nothing of what the film lost
    for i in range(1, len(wet)):
        later = wet[i:]
        lost = _grams(wet[i - 1]) - float(np.mean([_grams(one) for one in later]))
        y = mass * RHO_WATER * (liquid[i - 1] - np.mean(liquid[i:], axis=0))
        errors = [_error(one, damp_g) / len(later) for one in later]
        noise = float(np.linalg.norm([_error(wet[i - 1], damp_g), *errors, LOST_SPREAD * lost]))
        found.append(PredictedObservation(wet[i], y, Comparison.EQUAL, lost, noise))
    return found


def _grams(one: Observation) -> float:
    assert one.grams is not None
    return one.grams


def _error(one: Observation, damp_g: float) -> float:
    """Standard deviation of one weighing [g]; `damp_g`: of the support's damp between two."""
    return float(np.hypot((one.resolution_g or 0.0) * ROUNDING, damp_g * 0.5**0.5))


def _liquid(runs: EnsembleRun, k: int, age_s: float) -> Array:
    """Water and glycol for each volume of solids."""
    phi = runs.sample("volatile_fraction", k, age_s)
    return np.asarray(phi / (1 - phi))


def fit_factor(predicted: PredictedObservation, z: Array, never: float) -> Factor | None:
    """What an observation says of the deviates `z` (members, quantities); None where hardly a member got there.

    A quadratic, fitted with more weight on the members near what was seen: that is where it must be right. Its
    curvature is held back by as much as makes it err least on members left out of the fit. `never`: y that stands for
    "not within the time integrated".
    """
    if np.isfinite(predicted.y).sum() < LEAST:
        return None
    y = np.where(np.isfinite(predicted.y), predicted.y, never)
    low, high = np.quantile(y, MIDDLE)  # no standard deviation: a few members that never get there would blur it
    off = (y - predicted.observed) / max(float(high - low), 2 * predicted.noise)
    weight = np.sqrt(np.exp(-0.5 * off**2) + 0.02)
    size = z.shape[1]
    first, second = np.triu_indices(size)
    rows = np.column_stack([np.ones(len(y)), z, z[:, first] * z[:, second]]) * weight[:, None]
    missed, fit = _ridge(rows, y * weight, 1 + size, HELD_BACK)
    residual, power = float(np.sqrt(missed / (weight**2).sum())), predicted.edge_power
    return Factor(
        observed_s=predicted.observation.at.timestamp(),
        intercept=float(fit[0]),
        gradient=(
            *(float(x) for x in fit[1 : 1 + size]),
            *([power * EDGE_SPREAD, power * EDGE_HABIT] if power else []),
            *([residual] if predicted.residual_group else []),
        ),
        residual=0.0 if predicted.residual_group else residual,
        sense=predicted.sense,
        observed=predicted.observed,
        noise=predicted.noise,
        slip=predicted.slip,
        quadratic=tuple(float(x) for x in fit[1 + size :]),
        residual_group=predicted.residual_group,
        at_edge=power > 0,
    )


def _ridge(rows: Array, y: Array, free: int, held: Sequence[float]) -> tuple[float, Array]:
    """Least squares with all but the first `free` columns held back, by whichever of `held` errs least where each row
    is left out in turn; first its squared errors.

    Allen 1974, "The relationship between variable selection and data augmentation", section 4 (PRESS). The free columns
    are projected out; what is left is decomposed once for all of `held` (Hastie, Tibshirani & Friedman 2009, eq. 3.47).
    """
    basis, corner = np.linalg.qr(rows[:, :free])
    rest = rows[:, free:] - basis @ (basis.T @ rows[:, free:])
    left, sizes, right = np.linalg.svd(rest, full_matrices=False)
    plain, seen = basis @ (basis.T @ y), left.T @ y
    best, found = np.inf, np.zeros(rows.shape[1])
    for strength in held:
        kept = sizes**2 / (sizes**2 + strength)
        leverage = np.minimum((basis**2).sum(1) + (left**2) @ kept, 0.99)
        missed = float((((y - plain - left @ (kept * seen)) / (1 - leverage)) ** 2).sum())
        if missed < best:
            bent = right.T @ (sizes / (sizes**2 + strength) * seen)
            straight = np.linalg.solve(corner, basis.T @ (y - rows[:, free:] @ bent))
            best, found = missed, np.concatenate([straight, bent])
    return best, np.asarray(found, dtype=float)
