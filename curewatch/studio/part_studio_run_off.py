"""What share of a pour runs off: assumed at first, then learned from the scale and the measuring cup.

Shares are spread on the logit scale, ln(x/(1-x)), which keeps them between none and all. Before anything was weighed a
share is 25 %, in four cases of five between a tenth and a half (common practice, no source). Pours of one recipe onto
one size differ among each other by `BETWEEN` [cal]. What is known of the next one is the usual normal update.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from curewatch.records import Pour
from curewatch.records.observations import Observation
from curewatch.records.workshop import Paint
from curewatch.studio.mixing import RUN_OFF

PRIOR, BETWEEN = 0.86, 0.35
"""Standard deviations of the logit: of what is assumed (80 % from a tenth to a half), and from pour to pour [cal]."""
FOUR_OF_FIVE = 1.2816
"""Standard deviations about the middle that hold 80 % of a normal distribution."""
ALIKE = 1.5
"""Faces that differ by no more than this factor run off alike."""
WEIGHED_WITHIN = timedelta(hours=2)
"""A weighing later than this after its pour tells of drying, not of running off."""
DRIES_KG_M2_H = 0.045
"""What a fresh pour evaporates until then: 21 °C, 50 %, still air (the model's table: 0.041 to 0.049)."""


@dataclass(frozen=True)
class MeasuredShare:
    """One pour from which a share is known."""

    recipe: str
    area_m2: float | None
    share: float


@dataclass(frozen=True)
class RunOff:
    """What is believed of the next pour's share."""

    share: float
    low: float
    high: float
    """In four cases of five it lies between the two."""
    pours: int
    """From how many it was learned; 0: assumed."""
    like_size: bool
    """Those were of about this size."""


def share_of(paint: Paint, pour: Pour, weighed: Sequence[Observation]) -> float | None:
    """The share of `paint` that ran off; None where what is known does not tell, or contradicts itself.

    By volume what was caught on the mat; by mass what the piece weighs more since its pour, and what dried meanwhile.
    """
    if paint.poured_m3 is not None:
        return None if paint.ran_off_m3 is None else _within(paint.ran_off_m3 / paint.poured_m3)
    known = [(one.at, one.grams) for one in weighed if one.grams is not None]
    bare = [grams for at, grams in known if at <= pour.at]
    wet = [(at, grams) for at, grams in known if pour.at < at <= pour.at + WEIGHED_WITHIN]
    if not bare or not wet or paint.poured_g is None:
        return None
    at, grams = wet[0]
    hours = (at - pour.at) / timedelta(hours=1)
    stayed = grams - bare[-1] + 1e3 * DRIES_KG_M2_H * hours * (pour.face_m2 or 0.0)
    return _within(1 - stayed / paint.poured_g)


def _within(share: float) -> float | None:
    """A share that can have been; nothing at all, or all, is a slip of the pen or of the scale."""
    return share if 0.005 <= share <= 0.95 else None


def expected(told: Iterable[MeasuredShare], recipe: str, area_m2: float | None) -> RunOff:
    """Of the next pour of `recipe` onto `area_m2`: from pours of that size, else of any size, else assumed."""
    same = [one for one in told if one.recipe == recipe]
    alike = [one for one in same if _alike(one.area_m2, area_m2)]
    known = alike or same
    weight = PRIOR**-2 + len(known) * BETWEEN**-2
    middle = (PRIOR**-2 * _logit(RUN_OFF) + BETWEEN**-2 * sum(_logit(one.share) for one in known)) / weight
    spread = math.sqrt(1 / weight + BETWEEN**2) if known else PRIOR
    low, high = (_share(middle + sign * FOUR_OF_FIVE * spread) for sign in (-1, 1))
    return RunOff(_share(middle), low, high, len(known), bool(alike))


def _alike(one: float | None, other: float | None) -> bool:
    return one is not None and other is not None and max(one, other) <= ALIKE * min(one, other)


def _logit(share: float) -> float:
    return math.log(share / (1 - share))


def _share(logit: float) -> float:
    return 1 / (1 + math.exp(-logit))


def run_off_text(found: RunOff) -> str:
    """Where a share comes from, for people."""
    spread = f"{found.low:.0%} to {found.high:.0%} in four cases of five"
    if not found.pours:
        return f"{found.share:.0%} is assumed to run off ({spread}); a scale or a measuring cup can teach it"
    pours = "1 pour" if found.pours == 1 else f"{found.pours} pours"
    size = "about this size" if found.like_size else "another size"
    return f"{found.share:.0%} runs off, learned from {pours} of this recipe onto {size} ({spread})"
