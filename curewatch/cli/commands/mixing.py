"""The commands about what goes into the cup: what a recipe is made of, and how much of it to mix."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import say, say_notes
from curewatch.cli.session import answer, desk_of, refresh_first, say_view, settings_of
from curewatch.cli.texts.plan_text import mix_text
from curewatch.desk import mixing
from curewatch.desk.mixing import GLYCOL, SOLIDS, Materials, as_mixed, cup, put_mix, put_recipe, recipe_of
from curewatch.intake.typed import parse_fraction
from curewatch.intake.typed.names import named
from curewatch.intake.typed.numbers import Quantity, read_amount, times
from curewatch.intake.typed.quantities import LENGTHS_M, SIDE, WET_FILM, parse_shape
from curewatch.records import Recipe
from curewatch.records.errors import Field, InputError
from curewatch.records.workshop import Part, RecipeMix
from curewatch.studio.mixing import RUN_OFF, Need, Shape, need
from curewatch.views.mixing import MixOut, RecipeOut


def recipe(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The recipe's name.")],
    solids: Annotated[
        str | None, typer.Option("--solids", metavar="SHARE", help="Solids, by volume of the wet paint.")
    ] = None,
    glycol: Annotated[
        str | None, typer.Option("--glycol", metavar="SHARE", help="Slow solvent, by volume.  [default: 0.03]")
    ] = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="MATERIAL=PARTS", help="Instead: each part, such as 'pouring medium=2'."),
    ] = None,
    by_weight: Annotated[bool, typer.Option("--by-weight", help="The parts are weighed, not measured out.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Say what a recipe is made of; its pieces are forecast anew.

    Either the solids, from a data sheet, or the parts that go into the cup.
    """
    if part:
        for field, given in ((Field.SOLIDS, solids), (Field.GLYCOL, glycol)):
            if given is not None:
                raise InputError(field, given, "one of the two", "beside --part, which tells them already")
        _by_parts(ctx, named(name, Field.RECIPE), part, by_weight, as_json)
    elif solids is None:
        raise InputError(Field.SOLIDS, None, "the solids, such as 0.30, or a --part for each material in the cup")
    elif by_weight:
        raise InputError(Field.BY_WEIGHT, "", "parts to weigh", "beside --solids, which is by volume")
    else:
        _by_solids(ctx, named(name, Field.RECIPE), solids, "0.03" if glycol is None else glycol, as_json)


def _by_solids(ctx: typer.Context, name: str, solids: str, glycol: str, as_json: bool) -> None:
    made = Recipe(
        name=name,
        solids=parse_fraction(solids, field=Field.SOLIDS, low=SOLIDS[0], high=SOLIDS[1]),
        glycol=parse_fraction(glycol, field=Field.GLYCOL, low=GLYCOL[0], high=GLYCOL[1]),
        stated=True,
    )
    with desk_of(ctx) as (desk, now):
        put_recipe(desk, made)
        refresh_first(desk, now)
        told = as_mixed(desk, name, Materials.of(desk.settings)) if as_json else (None, None)
    _say_recipe(RecipeOut.of(made, *told), as_json)


def _by_parts(ctx: typer.Context, name: str, parts: list[str], by_weight: bool, as_json: bool) -> None:
    recipe_mix = parse_mix(name, parts, by_weight)
    made, found = recipe_of(recipe_mix, Materials.of(settings_of(ctx)))
    with desk_of(ctx) as (desk, now):
        put_mix(desk, made, recipe_mix)
        refresh_first(desk, now)
    _say_recipe(RecipeOut.of(made, recipe_mix, found), as_json)


def _say_recipe(made: RecipeOut, as_json: bool) -> None:
    if as_json:
        say_view("recipe", made)
        return
    say(f"Recipe {made.name}: {made.solids:.0%} solids, {made.glycol:.1%} glycol, by volume of the wet paint.")
    if made.density_kg_l is not None:
        say(f"It weighs {made.density_kg_l:.2f} kg a litre; {made.added_water_share:.0%} water was added to the paint.")
    say_notes(made.notes)


def mix(
    ctx: typer.Context,
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="The recipe, its parts told before.")],
    wet_thickness: Annotated[
        str, typer.Option("--wet-thickness", metavar="LENGTH", help="To be left on the piece, such as 1.2mm.")
    ],
    size: options.Size = None,
    diameter: Annotated[
        str | None, typer.Option("--round", metavar="LENGTH", help="Instead of --size: a round piece's diameter.")
    ] = None,
    pieces: Annotated[str, typer.Option("--pieces", metavar="N", help="How many of them.")] = "1",
    edge: Annotated[
        str, typer.Option("--edge", metavar="LENGTH", help="Depth of the sides that take paint; 0mm for none.")
    ] = "2cm",
    run_off: Annotated[
        str | None,
        typer.Option(
            "--run-off",
            metavar="SHARE",
            help="Of all that is poured, what ends on the table.  [default: as learned, else 25%]",
        ),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """How much of each part to mix for so many pieces of a size."""
    request = MixRequest(size, diameter, pieces, wet_thickness, edge, run_off)
    request.in_si()
    with desk_of(ctx) as (desk, _):
        shelf = Materials.of(desk.settings)
        recipe_mix = mixing.mix_of(desk, named(recipe, Field.RECIPE))
        believed = None if run_off is not None else mixing.run_off(desk, recipe_mix.recipe, request.shape.area)
    needed, count = request.in_si(RUN_OFF if believed is None else believed.share)
    made = MixOut.of(cup(recipe_mix, shelf, needed, count, believed))
    answer(as_json, "mix", made, lambda page: mix_text(made, page))


MOST_PIECES = 500
EDGE = Quantity(
    what="a depth",
    units=LENGTHS_M,
    unit_names="mm, cm, m, in",
    low=Decimal(0),
    high=Decimal("0.2"),
    span="between 0 (no paint on the sides) and 20 cm",
    examples="2cm",
)
AMOUNT = Quantity(
    what="a number of parts",
    units={"": times("1"), "parts": times("1"), "part": times("1"), "%": times("1")},
    unit_names="parts, %, or none",
    low=Decimal("0.0001"),
    high=Decimal(1000),
    span="above 0 and up to 1000",
    examples="2 or 0.1",
    bare_unit="",
)


def parse_mix(name: str, parts: list[str], by_weight: bool) -> RecipeMix:
    """How a recipe is mixed, as typed. Raises InputError."""
    return RecipeMix(recipe=name, by_weight=by_weight, parts=tuple(map(_part, parts)))


def _part(text: str) -> Part:
    material, equals, amount = text.rpartition("=")
    material = " ".join(material.split())
    if not equals or read_amount(amount) is None:
        raise InputError(Field.PART, text, "MATERIAL=PARTS, such as 'fluid paint=1'")
    return Part(material=named(material, Field.PART), amount=AMOUNT.parse(amount, Field.PART))


@dataclass(frozen=True)
class MixRequest:
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
        count = _count(self.pieces)
        if self.run_off is not None:
            share = parse_fraction(self.run_off, field=Field.RUN_OFF, low=0.0, high=0.9)
        depth, film = EDGE.parse(self.edge, Field.EDGE), WET_FILM.parse(self.wet_thickness, Field.WET_THICKNESS)
        return need(self.shape, count, film, depth=depth, run_off=share), count

    @property
    def shape(self) -> Shape:
        """Raises InputError."""
        return _shape(self.size, self.diameter)


def _shape(size: str | None, diameter: str | None) -> Shape:
    if (size is None) == (diameter is None):
        raise InputError(Field.SIZE, size, "the piece's --size, such as 40x50cm, or the diameter of a --round one")
    if diameter is not None:
        across = SIDE.parse(diameter, Field.ROUND)
        return Shape(across, across, round=True)
    assert size is not None
    return Shape(*parse_shape(size, field=Field.SIZE))


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and 1 <= int(text) <= MOST_PIECES):
        raise InputError(Field.PIECES, text, f"a whole number between 1 and {MOST_PIECES}")
    return int(text)
