"""The commands about what goes into the cup: what a recipe is made of, and how much of it to mix."""

from __future__ import annotations

from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import say, say_notes
from curewatch.cli.session import answer, desk_of, refresh_first, say_view
from curewatch.cli.texts.plan_text import mix_text
from curewatch.desk import mixing
from curewatch.desk.mixing import Materials, as_mixed, cup
from curewatch.intake.typed.mixes import MixWords, parse_recipe
from curewatch.intake.typed.names import named
from curewatch.language import Number, Percent, phrase
from curewatch.records.errors import Field
from curewatch.records.workshop import RecipeMix
from curewatch.studio.mixing import RUN_OFF
from curewatch.studio.wording import shares
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
    coalescent: options.Coalescent = None,
    part: Annotated[
        list[str] | None,
        typer.Option("--part", metavar="MATERIAL=PARTS", help="Instead: each part, such as 'pouring medium=2'."),
    ] = None,
    by_weight: Annotated[bool, typer.Option("--by-weight", help="The parts are weighed, not measured out.")] = False,
    new: options.New = False,
    as_json: options.AsJson = False,
) -> None:
    """Say what a recipe is made of; its pieces are forecast anew.

    Either the solids, from a data sheet, or the parts that go into the cup.
    """
    told = parse_recipe(named(name, Field.RECIPE), solids, glycol, coalescent, part or None, by_weight)
    with desk_of(ctx) as (desk, now):
        made, found = mixing.put_recipe(desk, told, now, new=new)
        parts = told if isinstance(told, RecipeMix) else None
        refresh_first(desk, now)
        if as_json and parts is None:
            parts, found = as_mixed(desk, made.name, Materials.of(desk.settings))
    out = RecipeOut.of(made, parts, found)
    if as_json:
        say_view("recipe", out)
        return
    say(phrase("Recipe {recipe}: {shares}, by volume of the wet paint.", recipe=made.name, shares=shares(made)))
    if out.density_kg_l is not None:
        said = phrase(
            "It weighs {density} kg a litre; {water} water was added to the paint.",
            density=Number(out.density_kg_l, 2),
            water=Percent(100 * (out.added_water_share or 0.0)),
        )
        say(said)
    say_notes(out.notes)


def mix(
    ctx: typer.Context,
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="The recipe; with its parts told, how much of each.")],
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
    request = MixWords(size, diameter, pieces, wet_thickness, edge, run_off)
    request.in_si()
    with desk_of(ctx) as (desk, _):
        shelf = Materials.of(desk.settings)
        name = named(recipe, Field.RECIPE)
        told = mixing.mix_of(desk, name)
        believed = None if run_off is not None else mixing.run_off(desk, name, request.shape.area)
    needed, count = request.in_si(RUN_OFF if believed is None else believed.share)
    made = MixOut.of(cup(name, told, shelf, needed, count, believed))
    answer(as_json, "mix", made, lambda page: mix_text(made, page))
