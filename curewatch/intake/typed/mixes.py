"""What goes into the cup, as typed: what a recipe is made of, and what a mix of it is to be enough for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from curewatch.desk.mixing import COALESCENT, GLYCOL, SOLIDS
from curewatch.intake.typed.names import named
from curewatch.intake.typed.numbers import Quantity, read_amount, times, whole_number
from curewatch.intake.typed.quantities import LENGTHS_M, SIDE, WET_FILM, parse_fraction, parse_shape
from curewatch.language import phrase
from curewatch.records import Recipe
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Part, RecipeMix
from curewatch.studio.mixing import RUN_OFF, Need, Shape, need

MOST_PIECES = 500
EDGE = Quantity(
    what=phrase("a depth"),
    units=LENGTHS_M,
    unit_names="mm, cm, m, in",
    low=Decimal(0),
    high=Decimal("0.2"),
    span=phrase("between 0 (no paint on the sides) and 20 cm"),
    examples="2cm",
)
AMOUNT = Quantity(
    what=phrase("a number of parts"),
    units={"": times("1"), "parts": times("1"), "part": times("1"), "%": times("1")},
    unit_names="parts, %, or none",
    low=Decimal("0.0001"),
    high=Decimal(1000),
    span=phrase("above 0 and up to 1000"),
    examples=phrase("2 or 0.1"),
    bare_unit="",
)


def parse_recipe(
    name: str, solids: str | None, glycol: str | None, coalescent: str | None, parts: list[str] | None, by_weight: bool
) -> Recipe | RecipeMix:
    """What a recipe is made of, as typed. Raises InputError."""

    def share(typed: str | None, field: Field, between: tuple[float, float]) -> float | None:
        return None if typed is None else parse_fraction(typed, field=field, low=between[0], high=between[1])

    return recipe_told(
        name,
        share(solids, Field.SOLIDS, SOLIDS),
        {Field.GLYCOL: share(glycol, Field.GLYCOL, GLYCOL)}
        | {Field.COALESCENT: share(coalescent, Field.COALESCENT, COALESCENT)},
        None if parts is None else tuple(map(_part, parts)),
        by_weight,
    )


def recipe_told(
    name: str, solids: float | None, solvents: Mapping[Field, float | None], parts: tuple[Part, ...] | None,
    by_weight: bool,
) -> Recipe | RecipeMix:  # fmt: skip
    """As `parse_recipe`, told in numbers: either the solids, by volume, or the parts. Raises InputError.

    `solvents`: None where nothing was said of one.
    """
    if parts is not None:
        for field, given in {Field.SOLIDS: solids, **solvents}.items():
            if given is not None:
                raise InputError(
                    field,
                    given,
                    phrase("one of the two"),
                    phrase("beside {part}, which tells them already", part=Field.PART),
                )
        return RecipeMix(recipe=name, by_weight=by_weight, parts=parts)
    if solids is None:
        raise InputError(
            Field.SOLIDS,
            None,
            phrase("the solids, such as 0.30, or {part} for each material in the cup", part=Field.PART),
        )
    if by_weight:
        raise InputError(
            Field.BY_WEIGHT,
            True,
            phrase("parts to weigh"),
            phrase("beside {solids}, which is by volume", solids=Field.SOLIDS),
        )
    made = Recipe(name=name, solids=solids, stated=True)
    return made.model_copy(update={field.value: share for field, share in solvents.items() if share is not None})


def _part(text: str) -> Part:
    material, equals, amount = text.rpartition("=")
    material = " ".join(material.split())
    if not equals or read_amount(amount) is None:
        raise InputError(Field.PART, text, phrase("MATERIAL=PARTS, such as 'fluid paint=1'"))
    return Part(material=named(material, Field.PART), amount=AMOUNT.parse(amount, Field.PART))


@dataclass(frozen=True)
class MixWords:
    """What a mix is to be enough for, as typed."""

    size: str | None
    diameter: str | None
    pieces: str
    wet_thickness: str
    edge: str
    run_off: str | None
    """None: as it was learned, or else is assumed."""

    def in_si(self, share: float = RUN_OFF) -> tuple[Need, int]:
        """In SI, and for how many pieces; `share`: what runs off where nobody says. Raises InputError."""
        count = whole_number(self.pieces, MOST_PIECES, Field.PIECES)
        if self.run_off is not None:
            share = parse_fraction(self.run_off, field=Field.RUN_OFF, low=0.0, high=0.9)
        depth, film = EDGE.parse(self.edge, Field.EDGE), WET_FILM.parse(self.wet_thickness, Field.WET_THICKNESS)
        return need(self.shape, count, film, depth=depth, run_off=share), count

    @property
    def shape(self) -> Shape:
        """Raises InputError."""
        if (self.size is None) == (self.diameter is None):
            one = phrase(
                "the piece's {size}, such as 40x50cm, or the diameter of a {round} one",
                size=Field.SIZE,
                round=Field.ROUND,
            )
            raise InputError(Field.SIZE, self.size, one)
        if self.size is not None:
            return Shape(*parse_shape(self.size, field=Field.SIZE))
        across = SIDE.parse(self.diameter or "", Field.ROUND)
        return Shape(across, across, round=True)
