"""From what stands on the shelf to a recipe, and from a recipe to what goes into the cup."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from curewatch.physics.mixture import WATER_LIMIT, mix
from curewatch.physics.mixture import Material as Material
from curewatch.physics.mixture import Mixture as Mixture
from curewatch.records.workshop import RecipeMix

EDGE_SHARE = 0.5
"""Film left on the sides of a piece, as a share of that on its face [cal]: they are upright and drain."""
RUN_OFF = 0.25
"""Share of what is poured that runs off onto the table [cal]: a tenth to a half in common practice."""


class UnknownMaterial(ValueError):
    """A mix names a material that is not known. `name` is the one."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


@dataclass(frozen=True)
class Portion:
    """How much of one material to take."""

    material: str
    volume: float
    """[m3]"""
    mass: float
    """[kg]"""


def volumes(recipe: RecipeMix, materials: Mapping[str, Material]) -> list[tuple[str, Material, float]]:
    """The parts of a recipe as parts by volume. Raises NotOnTheShelf."""
    found = []
    for part in recipe.parts:
        material = materials.get(part.material)
        if material is None:
            raise UnknownMaterial(part.material)
        found.append((part.material, material, part.amount / material.density if recipe.by_weight else part.amount))
    return found


def mixed(recipe: RecipeMix, materials: Mapping[str, Material]) -> Mixture:
    """What the mix comes out at. Raises NotOnTheShelf, or ValueError where it is nothing but water."""
    return mix((material, volume) for _, material, volume in volumes(recipe, materials))


def notes_on(found: Mixture) -> list[str]:
    """What is worth knowing of a mix before it is poured."""
    notes = []
    if found.too_much_water:
        notes.append(
            f"{found.added_water_share:.0%} water on the paint is more than {WATER_LIMIT:.0%}: the film grows weak and "
            "may chalk or crack; thin with medium instead"
        )
    if not 0.20 <= found.solids <= 0.35:
        notes.append(f"{found.solids:.0%} solids is outside the common 20 to 35 % of pour mixes")
    return notes


def portions(recipe: RecipeMix, materials: Mapping[str, Material], volume: float) -> list[Portion]:
    """What to take of each part for `volume` of the mix [m3], in the recipe's order. Raises NotOnTheShelf."""
    parts = volumes(recipe, materials)
    whole = sum(share for _, _, share in parts)
    return [
        Portion(name, volume * share / whole, volume * share / whole * material.density)
        for name, material, share in parts
    ]


@dataclass(frozen=True)
class Shape:
    """A piece's face and its sides. A round one has its diameter for both width and height."""

    width: float
    """[m]"""
    height: float
    """[m]"""
    round: bool = False

    @property
    def area(self) -> float:
        """Of the face [m2]."""
        return self.width * self.height * (math.pi / 4 if self.round else 1.0)

    @property
    def in_words(self) -> str:
        if self.round:
            return f"a round of {self.width * 100:g} cm"
        return f"{self.width * 100:g} x {self.height * 100:g} cm"

    @property
    def girth(self) -> float:
        """Once around [m]."""
        return math.pi * self.width if self.round else 2 * (self.width + self.height)


@dataclass(frozen=True)
class Need:
    """Paint for a number of alike pieces [m3]."""

    faces: float
    edges: float
    runs_off: float

    @property
    def whole(self) -> float:
        return self.faces + self.edges + self.runs_off


def need(shape: Shape, pieces: int, wet_thickness: float, *, depth: float, run_off: float) -> Need:
    """For `pieces` of this shape, `depth` [m] deep, with `wet_thickness` [m] left on them.

    `run_off`: the share of all that is poured which ends on the table. Raises ValueError unless it is below 1.
    """
    if not 0 <= run_off < 1:
        raise ValueError(f"a run-off share must be from 0 to below 1, got {run_off}")
    faces = pieces * shape.area * wet_thickness
    edges = pieces * shape.girth * depth * wet_thickness * EDGE_SHARE
    return Need(faces, edges, (faces + edges) * run_off / (1 - run_off))
