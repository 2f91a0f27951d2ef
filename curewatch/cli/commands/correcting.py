"""The commands that put right what was logged wrong: a pour, a slip, a name."""

from __future__ import annotations

import sys
from datetime import datetime
from shlex import quote
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import Name
from curewatch.cli.output import Page, say, say_json, say_notes, text_of
from curewatch.cli.session import desk_of, moment, notes_of, refresh_first, say_view
from curewatch.cli.texts import piece_text
from curewatch.desk import Desk
from curewatch.desk.commands import correcting, naming
from curewatch.desk.commands.naming import names_in_use
from curewatch.desk.reports.piece import piece_report
from curewatch.intake.typed.names import named
from curewatch.intake.typed.pours import CorrectionWords
from curewatch.language import Capital, phrase, phrase_n
from curewatch.records.corrections import Correction, Naming
from curewatch.records.errors import Field, InputError
from curewatch.views.corrections import CorrectionOut, NameOut, in_words
from curewatch.views.record import PieceReportOut


def correct(
    ctx: typer.Context,
    name: Name,
    to: Annotated[str | None, typer.Option("--name", metavar="NAME", help="What it is called.")] = None,
    at: Annotated[str | None, typer.Option("--at", metavar="TIME", help="When it was poured.")] = None,
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    layer: options.Layer = None,
    size: options.Size = None,
    recipe: Annotated[str | None, typer.Option("--recipe", metavar="NAME", help="The mix, by its name.")] = None,
    silicone: Annotated[
        bool | None, typer.Option("--silicone/--no-silicone", help="Poured with silicone oil, or without.")
    ] = None,
    room: Annotated[str | None, typer.Option("--room", metavar="ROOM", help="The room it was poured in.")] = None,
    place: Annotated[
        str | None, typer.Option("--place", metavar="PLACE", help="Where in the room; '' for none in particular.")
    ] = None,
    support: options.Back = None,
    air: options.AirThere = None,
    new: options.New = False,
    as_json: options.AsJson = False,
) -> None:
    """Correct a pour: say only what is wrong. Its tests and steps stay, and its dates follow. `curewatch undo` takes it
    back."""
    words = CorrectionWords(
        name=to, room=room, place=place, wet_thickness=wet_thickness, poured=poured, ran_off=ran_off, layer=layer,
        size=size, recipe=recipe, silicone=silicone, support=support, air=air, new=new,
    )  # fmt: skip
    if at is None and words == CorrectionWords(new=new):
        raise InputError(
            Field.CORRECTION,
            None,
            phrase("what was otherwise, such as {gauge} 1.4mm (see --help)", gauge=Field.WET_THICKNESS),
        )
    with desk_of(ctx) as (desk, now):
        change = words.change(None if at is None else moment(at, desk, now))
        done = correcting.correct(desk, name, change, now)
        refresh_first(desk, now)
        notes, tz = notes_of(done.remarks), desk.settings.tz
        with desk.store.read() as tx:
            changes = tx.changes([done.correction.id])
        report = piece_report(desk, done.piece.name, now)
        if as_json:
            told = CorrectionOut.of(done.correction, changes, tz).model_dump(mode="json")
            say_view("correct", PieceReportOut.of_report(report, now, tz), correction=told, notes=notes)
            return
        say_notes(notes)
        say(phrase("Corrected {name}: {what}.", name=name, what=in_words(done.correction, changes)))
        say("\n" + piece_text.text(report, now, Page.of(sys.stdout)))


def delete(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """Delete a piece that was never poured: nothing is learned from it. For one that has left the studio say `gone`."""
    with desk_of(ctx) as (desk, now):
        done = correcting.delete(desk, name, now)
        refresh_first(desk, now)
        if as_json:
            say_json("delete", piece=name, correction=_json(desk, done.correction))
        else:
            said = phrase(
                "{name} is deleted, as if it had never been poured; within a day {command} brings it back.",
                name=name,
                command=f"`curewatch undo {quote(name)}`",
            )
            say(said)


NAMINGS = {Naming.ROOM: phrase("room"), Naming.PLACE: phrase("place"), Naming.RECIPE: phrase("recipe")}
_Kind = Annotated[str, typer.Argument(metavar="KIND", help="room, place or recipe.")]
_Called = Annotated[str, typer.Argument(metavar="NAME", help="Its name until now.")]
_Room = Annotated[str | None, typer.Option("--room", metavar="ROOM", help="Of a place: the room it is in.")]


def rename(
    ctx: typer.Context,
    kind: _Kind,
    name: _Called,
    to: Annotated[str, typer.Argument(metavar="TO", help="The new name.")],
    room: _Room = None,
    new: options.New = False,
    as_json: options.AsJson = False,
) -> None:
    """Rename a room, place or recipe, everywhere."""
    with desk_of(ctx) as (desk, now):
        done = naming.rename(desk, _naming(kind), name, named(to, Field.TO), now, room=room, new=new)
        _say(desk, done, "rename", now, as_json)


def merge(
    ctx: typer.Context,
    kind: _Kind,
    name: _Called,
    into: Annotated[str, typer.Argument(metavar="INTO", help="The one to merge it into.")],
    room: _Room = None,
    as_json: options.AsJson = False,
) -> None:
    """Merge two rooms, places or recipes that are the same under two names."""
    with desk_of(ctx) as (desk, now):
        _say(desk, naming.merge(desk, _naming(kind), name, into, now, room=room), "merge", now, as_json)


def remove(ctx: typer.Context, kind: _Kind, name: _Called, room: _Room = None, as_json: options.AsJson = False) -> None:
    """Remove a room, place or recipe that no piece here uses; old records keep it."""
    with desk_of(ctx) as (desk, now):
        _say(desk, naming.remove(desk, _naming(kind), name, now, room=room), "remove", now, as_json)


def names(ctx: typer.Context, as_json: options.AsJson = False) -> None:
    """All rooms with their places, and all recipes, with how many pieces are there or were poured of it."""
    with desk_of(ctx) as (desk, _), desk.store.read() as tx:
        found = [NameOut.of(one) for one in names_in_use(tx)]
    if as_json:
        say_json("names", names=[one.model_dump(mode="json") for one in found])
        return
    if not found:
        say(phrase("No rooms, places or recipes yet: the first reading or pour makes them."))
    for one in found:
        indent = "  " if one.room else ""
        pieces = phrase_n("{n} piece", "{n} pieces", one.pieces)
        kind = text_of(NAMINGS[one.naming])
        say(f"{indent}{kind} {one.name}: {text_of(pieces)}")


def _naming(kind: str) -> Naming:
    word = kind.strip().casefold()
    if word not in set(Naming):
        raise InputError(Field.KIND, kind, phrase("one of {names}", names=", ".join(Naming)))
    return Naming(word)


def _say(desk: Desk, done: Correction, kind: str, now: datetime, as_json: bool) -> None:
    refresh_first(desk, now)
    if as_json:
        say_json(kind, correction=_json(desk, done))
    else:
        say(Capital(in_words(done, [])))


def _json(desk: Desk, done: Correction) -> dict[str, object]:
    return CorrectionOut.of(done, [], desk.settings.tz).model_dump(mode="json")
