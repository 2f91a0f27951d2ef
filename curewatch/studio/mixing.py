"""From materials to a recipe, from a recipe to what goes into the cup, and what share of a pour runs off."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from curewatch.language import Length, Message, Number, Percent, Size, Value, phrase, phrase_n
from curewatch.physics.mixture import COALESCENT_MUCH, WATER_LIMIT, mix
from curewatch.physics.mixture import Material as Material
from curewatch.physics.mixture import Mixture as Mixture
from curewatch.records import Pour
from curewatch.records.facts import Observation
from curewatch.records.workshop import Paint, RecipeMix

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
    """The parts of a recipe as parts by volume. Raises UnknownMaterial."""
    found = []
    for part in recipe.parts:
        material = materials.get(part.material)
        if material is None:
            raise UnknownMaterial(part.material)
        found.append((part.material, material, part.amount / material.density if recipe.by_weight else part.amount))
    return found


def mixed(recipe: RecipeMix, materials: Mapping[str, Material]) -> Mixture:
    """What the mix comes out at. Raises UnknownMaterial, or ValueError where it is nothing but water."""
    return mix((material, volume) for _, material, volume in volumes(recipe, materials))


def notes_on(found: Mixture) -> list[Message]:
    """What is worth knowing of a mix before it is poured."""
    notes, solids = [], Percent(100 * found.solids)
    if found.too_much_water:
        notes.append(
            phrase(
                "{share} water on the paint is more than {most}: the film grows weak and may chalk or crack; thin with "
                "medium instead",
                share=Percent(100 * found.added_water_share),
                most=Percent(100 * WATER_LIMIT),
            )
        )
    if found.coalescent > COALESCENT_MUCH:
        notes.append(
            phrase(
                "{share} coalescent is more than helps a film to form: it may stay soft for months; take less retarder "
                "or hard-film medium",
                share=Percent(100 * found.coalescent, 1),
            )
        )
    if not 0.20 <= found.solids <= 0.35:
        notes.append(phrase("{solids} solids is outside the common 20 to 35 % of pour mixes", solids=solids))
    return notes


def portions(recipe: RecipeMix, materials: Mapping[str, Material], volume: float) -> list[Portion]:
    """What to take of each part for `volume` of the mix [m3], in the recipe's order. Raises UnknownMaterial."""
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
    def in_words(self) -> Value:
        if self.round:
            return phrase("a round of {width}", width=Length(self.width))
        return Size(self.width, self.height)

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


def run_off_text(found: RunOff) -> Message:
    """Where a share comes from, for people."""
    share = Percent(100 * found.share)
    spread = phrase(
        "{low} to {high} % in four cases of five", low=Number(100 * found.low), high=Number(100 * found.high)
    )
    if not found.pours:
        return phrase(
            "{share} is assumed to run off ({spread}); a scale or a measuring cup can teach it",
            share=share, spread=spread,
        )  # fmt: skip
    return phrase_n(
        "{share} runs off, learned from {n} pour of this recipe onto {size} ({spread})",
        "{share} runs off, learned from {n} pours of this recipe onto {size} ({spread})",
        found.pours,
        share=share,
        size=phrase("about this size") if found.like_size else phrase("another size"),
        spread=spread,
    )
