"""What a mix is made of. Materials mix in parts by volume, and their volumes add up.

Silicone oil has no place here: it does not change the drying. It must come off before varnish, or the varnish crawls.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

KINDS = ("paint", "medium", "water")
WATER_LIMIT = 0.30
"""Added water, as a share of the paint's volume, above which the film grows weak (common practice 0.3-0.5)."""

COALESCENT_MUCH = 0.03
"""Share of the wet paint, a tenth of a pour mix's solids, above which it hinders a film rather than helps [cal]."""


@dataclass(frozen=True)
class Material:
    """One thing in the cup, as volume fractions that add up to 1."""

    solids: float
    glycol: float
    water: float
    density: float
    """[kg/m3]"""
    kind: str = "medium"
    """`paint`, `medium` (and all additives) or `water`: what added water is counted against."""
    coalescent: float = 0.0

    def __post_init__(self) -> None:
        for name in ("solids", "glycol", "coalescent", "water"):
            if not 0 <= getattr(self, name) <= 1:
                raise ValueError(f"{name} must be a fraction from 0 to 1, got {getattr(self, name)}")
        total = self.solids + self.glycol + self.coalescent + self.water
        if not abs(total - 1) <= 1e-6:
            raise ValueError(f"solids, glycol, coalescent and water must add up to 1, got {total:.6g}")
        if not 500 <= self.density <= 3000:
            raise ValueError(f"a density must lie in 500..3000 kg/m3, got {self.density}")
        if self.kind not in KINDS:
            raise ValueError(f"a material is one of {', '.join(KINDS)}, got {self.kind!r}")


@dataclass(frozen=True)
class Mixture:
    """Several materials stirred together, as volume fractions."""

    solids: float
    glycol: float
    water: float
    density: float
    """[kg/m3]"""
    added_water_share: float
    """Volume of water poured in over that of the paint (of everything else, where there is no paint)."""
    coalescent: float

    @property
    def too_much_water(self) -> bool:
        return self.added_water_share > WATER_LIMIT


def mix(parts: Iterable[tuple[Material, float]]) -> Mixture:
    """Mix (material, parts by volume). Raises ValueError for a part that is none, or for only water."""
    given = list(parts)
    for material, part in given:
        if not 0 <= part < float("inf"):
            raise ValueError(f"parts by volume must be 0 or more, got {part} of {material}")
    total = sum(part for _, part in given)
    water = sum(part for material, part in given if material.kind == "water")
    paint = sum(part for material, part in given if material.kind == "paint") or total - water
    if not paint > 0:
        raise ValueError(f"a mix needs some paint or medium, got {total:g} parts, {water:g} of them water")

    def mean(name: str) -> float:
        return float(sum(part * getattr(material, name) for material, part in given)) / total

    return Mixture(mean("solids"), mean("glycol"), mean("water"), mean("density"), water / paint, mean("coalescent"))
