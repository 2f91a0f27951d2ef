"""How far off a room's air is, as read: the steady errors of its instruments, and what their disagreement tells.

An instrument that says `y` in a room of `x` is off by y - x, and goes on being off by that: N(0, a^2), a its accuracy.
One alone tells nothing of its error. Several in one room do: beside each other their levels L_i differ by their errors
alone, so the room is at the weighed mean of them,

    m = sum(L_i/v_i) / sum(1/v_i),   v_i = a_i^2 + looks,   sd^2 = 1/sum(1/v_i) max(1, chi^2/QUARREL),

the conditional of the room given independent errors; chi^2 = sum((L_i - m)^2/v_i)/(n - 1) widens it where instruments
differ by far more than they should (after Birge 1932, Phys. Rev. 40:207). What a finger and a scale tell of the same
error comes on top, in studio/learning.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from curewatch.physics.ensemble import AIR_RH_SD, AIR_TEMP_SD_K
from curewatch.studio.air.flaws import QUANTITIES

USUAL = (AIR_TEMP_SD_K, 100 * AIR_RH_SD)
"""Accuracy of a cheap sensor, or of what is typed [°C, %]."""
BESIDE = (0.1, 0.5)
"""How far air differs between two instruments of a room [°C, %]: common practice, no source."""
LOOKED = (0.5, 2.0)
"""What one look at a thermometer is off by, beside its steady error: whole steps, a hand near it [°C, %]: common
practice, no source. More looks make less of it."""
QUARREL = 4.0
"""Differing by more than two standard deviations, one of them must be worse than it says."""
MOVED = (0.1, 0.5)
"""An error that comes out otherwise by less [°C, %]..."""
WIDENED = 1.15
"""...and no wider or narrower than by this factor is the same one: for each other one all is forecast again."""
Accuracy = tuple[float, float]
"""1 sd [°C, %]."""


@dataclass(frozen=True)
class Level:
    """One instrument beside the room's record, in one quantity."""

    source: str
    quantity: str
    above: float
    """By how much it says more than the record, steadily [°C, %]."""
    looks: int = 0
    """How often it was looked at beside others; 0: it is part of the record."""


@dataclass(frozen=True)
class ReadError:
    """What is to be added to a room's air as it was read, and how well that is known: (temperature, humidity)."""

    off: tuple[float, float] = (0.0, 0.0)
    """[°C, %]"""
    sd: tuple[float, float] = USUAL
    """[°C, %]"""
    by: str = ""
    """Hash of the instruments it was made of and their accuracies."""

    def settled(self, before: ReadError | None) -> ReadError:
        """The one from before, where this hardly differs and comes from the same instruments."""
        if before is None or before.by != self.by:
            return self
        moved = any(abs(a - b) >= far for a, b, far in zip(self.off, before.off, MOVED, strict=True))
        ratios = [a / b for a, b in zip(self.sd, before.sd, strict=True)]
        return self if moved or any(not 1 / WIDENED < ratio < WIDENED for ratio in ratios) else before


def read_error(levels: Iterable[Level], accuracy: Callable[[str], Accuracy]) -> ReadError:
    """The steady error of a room's record, by its instruments."""
    known = list(levels)
    found = [_of_one(known, quantity, accuracy, which) for which, quantity in enumerate(QUANTITIES)]
    some = repr([(name, *accuracy(name)) for name in sorted({one.source for one in known})])
    by = hashlib.sha256(some.encode()).hexdigest()[:16]
    return ReadError((found[0][0], found[1][0]), (found[0][1], found[1][1]), by)


def _of_one(levels: list[Level], quantity: str, accuracy: Callable[[str], Accuracy], which: int) -> Accuracy:
    """What is to be added, and its sd [°C, %]."""
    some = [one for one in levels if one.quantity == quantity]
    if not some:
        return 0.0, USUAL[which]
    alone = len(some) == 1
    variance = np.array(
        [
            accuracy(one.source)[which] ** 2
            + (0.0 if alone else BESIDE[which] ** 2)
            + (LOOKED[which] ** 2 / one.looks if one.looks else 0.0)
            for one in some
        ]
    )
    above = np.array([one.above for one in some])
    weight = 1 / variance
    middle = float((weight * above).sum() / weight.sum())
    odd = 1.0 if alone else max(1.0, float((weight * (above - middle) ** 2).sum()) / (len(some) - 1) / QUARREL)
    least = 0.0 if alone else BESIDE[which]  # however many there are
    return round(middle, 3), round(max(float(np.sqrt(odd / weight.sum())), least), 3)
