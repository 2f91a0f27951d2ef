"""The commands for a piece on its way: into another room or place, and out of the studio."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from curewatch.cli import options
from curewatch.cli.commands.facts import At, Name, named, say_notes
from curewatch.cli.output import Page, say, say_json

if TYPE_CHECKING:
    from datetime import datetime

    from curewatch.desk import Desk

_Undo = Annotated[bool, typer.Option("--undo", help="Take the last one of this piece back instead, within a day.")]


def move(
    ctx: typer.Context,
    name: Name,
    room: Annotated[str | None, typer.Option("--room", metavar="ROOM", help="The room, by its name.")] = None,
    place: options.Place = None,
    air: options.AirThere = None,
    at: At = None,
    undo: _Undo = False,
    as_json: options.AsJson = False,
) -> None:
    """Log that a piece lies somewhere else: its dates follow the air there."""
    from curewatch.cli.session import desk_of, moment
    from curewatch.desk.commands import moves
    from curewatch.intake.typed import BadInput, parse_air

    if undo:
        _alone(room=room, place=place, air=air, at=at)
    elif room is None:
        raise BadInput("--room", "nothing", "the room it lies in now, or --undo")
    with desk_of(ctx) as (desk, now):
        if room is None:
            moves.undo_move(desk, name, now)
            _say_where(desk, name, now, (), "undone", as_json)
            return
        where = named(room, "--room"), None if place is None else named(place, "--place")
        speed = None if air is None else parse_air(air)
        moved = moves.move(desk, name, *where, now, speed, at=moment(at, desk, now))
        _say_where(desk, name, now, moved.notes, "move", as_json)


def gone(ctx: typer.Context, name: Name, at: At = None, undo: _Undo = False, as_json: options.AsJson = False) -> None:
    """Log that a piece has left the studio: its name and its place are free, its record stays."""
    from curewatch.cli.session import desk_of, iso, moment, refresh_first
    from curewatch.desk.commands import moves

    if undo:
        _alone(at=at)
    with desk_of(ctx) as (desk, now):
        if undo:
            moves.undo_leaving(desk, moves.last_gone(desk, name).id, now)
            _say_where(desk, name, now, (), "undone", as_json)
            return
        when = None if at is None else moment(at, desk, now)
        moves.leave(desk, name, now, at=when)
        refresh_first(desk, now)
        if as_json:
            say_json("gone", piece=name, at=iso(when or now, desk.settings.tz))
        else:
            say(f"{name} is marked gone: its name and its place are free.")


def _say_where(desk: Desk, name: str, now: datetime, notes: tuple[str, ...], kind: str, as_json: bool) -> None:
    """Where the piece lies, and its dates, which have followed."""
    from curewatch.cli.session import refresh_first
    from curewatch.cli.texts import piece_text
    from curewatch.studio import wording

    refresh_first(desk, now)
    report = desk.piece(name, now)
    if as_json:
        say_json(kind, **piece_text.values(desk.settings.tz, report), notes=list(notes))
        return
    say_notes(notes)
    again = "Taken back: " if kind == "undone" else ""
    say(f"{again}{name} now lies in {wording.where(report.drying)}.\n")
    say(piece_text.text(desk.settings.tz, report, now, Page.of(sys.stdout)))


def _alone(**beside: str | None) -> None:
    """BadInput where anything is said beside --undo, which takes back the last one whatever it was."""
    from curewatch.intake.typed import BadInput

    for option, said in beside.items():
        if said is not None:
            raise BadInput(f"--{option}", said, "--undo alone")
