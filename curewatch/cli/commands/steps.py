"""The commands about what comes after the pour: the steps of a piece, writing one down, and taking that back."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import At, Name
from curewatch.cli.output import Page, say, say_json
from curewatch.cli.session import desk_of, moment, refresh_first
from curewatch.cli.texts import steps_text
from curewatch.desk.commands import aftercare
from curewatch.intake.typed.names import named
from curewatch.records.errors import Field


def steps(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """What is still to be done to a piece, from when, in what air, and what was done."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        found = aftercare.steps(desk, name, now)
        if as_json:
            say_json("steps", **steps_text.values(desk.settings.tz, found, now))
        else:
            say(steps_text.text(desk.settings.tz, found, now, Page.of(sys.stdout)))


def done(
    ctx: typer.Context,
    name: Name,
    step: Annotated[str, typer.Argument(metavar="STEP", help="The step, as `curewatch steps` lists it.")],
    at: At = None,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Write it down although a step that comes first was left out.")
    ] = False,
    as_json: options.AsJson = False,
) -> None:
    """Write down that a step was done."""

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        noted = aftercare.done(desk, name, named(step, Field.STEP), moment(at, desk, now), now, anyway=anyway)
        if as_json:
            say_json("done", name=name, **steps_text.done_values(desk.settings.tz, noted.step), notes=list(noted.notes))
            return
        for note in noted.notes:
            say(f"Note: {note}.")
        say(f"{name}: {noted.step.step} done at {desk.local(noted.step.done_at):%a %d %b %H:%M}.")


def undo(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """The piece's last step was not done after all. It stays in the history."""

    with desk_of(ctx) as (desk, now):
        step = aftercare.undo(desk, name, now)
        if as_json:
            say_json("undo", name=name, **steps_text.done_values(desk.settings.tz, step))
        else:
            say(f"{name}: {step.step} is open again.")
