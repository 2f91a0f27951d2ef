"""The commands about what goes into the cup: what a recipe is made of, and how much of it to mix."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.commands.facts import named
from curewatch.cli.output import Page, say, say_json


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
    from curewatch.cli.errors import Missing
    from curewatch.intake.typed import BadInput

    if part:
        for option, given in (("--solids", solids), ("--glycol", glycol)):
            if given is not None:
                raise BadInput(option, given, "one of the two", "beside --part, which tells them already")
        _by_parts(ctx, named(name, "NAME"), part, by_weight, as_json)
    elif solids is None:
        raise Missing("--solids", "the solids, such as 0.30, or a --part for each material in the cup")
    elif by_weight:
        raise BadInput("--by-weight", "", "parts to weigh", "beside --solids, which is by volume")
    else:
        _by_solids(ctx, named(name, "NAME"), solids, "0.03" if glycol is None else glycol, as_json)


def _by_solids(ctx: typer.Context, name: str, solids: str, glycol: str, as_json: bool) -> None:
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.intake.typed import parse_fraction
    from curewatch.records import Recipe

    made = Recipe(
        name=name,
        solids=parse_fraction(solids, field="--solids", low=0.05, high=0.70),
        glycol=parse_fraction(glycol, field="--glycol", low=0.0, high=0.15),
        stated=True,
    )
    with desk_of(ctx) as (desk, now):
        desk.put_recipe(made)
        refresh_first(desk, now)
    if as_json:
        say_json("recipe", **made.model_dump())
        return
    say(f"Recipe {made.name}: {made.solids:.0%} solids, {made.glycol:.1%} glycol, by volume of the wet paint.")


def _by_parts(ctx: typer.Context, name: str, parts: list[str], by_weight: bool, as_json: bool) -> None:
    from curewatch.cli.session import desk_of, refresh_first, settings_of
    from curewatch.cli.texts import mix_text
    from curewatch.desk.mixing import Materials, recipe_of
    from curewatch.desk.part_desk_mixing import put_mix
    from curewatch.studio.mixing import notes_on

    recipe_mix = mix_text.parse_mix(name, parts, by_weight)
    made, found = recipe_of(recipe_mix, Materials.of(settings_of(ctx)))
    with desk_of(ctx) as (desk, now):
        put_mix(desk, made, recipe_mix)
        refresh_first(desk, now)
    if as_json:
        say_json("recipe", **made.model_dump(), **mix_text.mix_values(recipe_mix, found))
        return
    say(f"Recipe {made.name}: {made.solids:.0%} solids, {made.glycol:.1%} glycol, by volume of the wet paint.")
    say(f"It weighs {found.density / 1000:.2f} kg a litre; {found.added_water_share:.0%} water was added to the paint.")
    for note in notes_on(found):
        say(f"Note: {note}.")


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
    from curewatch.cli.session import desk_of
    from curewatch.cli.texts import mix_text
    from curewatch.desk import part_desk_mixing
    from curewatch.desk.mixing import Materials, cup
    from curewatch.studio.mixing import RUN_OFF

    request = mix_text.MixRequest(size, diameter, pieces, wet_thickness, edge, run_off)
    request.in_si()
    with desk_of(ctx) as (desk, _):
        shelf = Materials.of(desk.settings)
        recipe_mix = part_desk_mixing.mix_of(desk, named(recipe, "RECIPE"))
        believed = (
            None if run_off is not None else part_desk_mixing.run_off(desk, recipe_mix.recipe, request.shape.area)
        )
    needed, count = request.in_si(RUN_OFF if believed is None else believed.share)
    answer = cup(recipe_mix, shelf, needed, count, believed)
    if as_json:
        say_json("mix", **mix_text.values(answer))
    else:
        say(mix_text.text(answer, Page.of(sys.stdout)))
