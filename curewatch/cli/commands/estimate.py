"""`curewatch estimate` and `curewatch level`: how a pour would dry, and drift on a tilt. Only a named piece needs a
store."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import estimate_request, options
from curewatch.cli.options import Glycol, Humidity, RoomRecord, Side, Solids, Temperature
from curewatch.cli.output import Page, say, wrapped
from curewatch.cli.session import answer, desk_of, moment, refresh_first, say_view
from curewatch.cli.texts import estimate_text, level_text
from curewatch.desk.commands.pours import measured
from curewatch.intake.typed.levelling import DRIFT, STIFFENING, TILT, VISCOSITY, YIELD_STRESS
from curewatch.intake.typed.names import named
from curewatch.language import When, phrase
from curewatch.physics import flow
from curewatch.records.errors import Field, InputError
from curewatch.studio.diagnosis.drying_history import drifting, slope_text
from curewatch.views.estimate import DAYS, drifted, estimated
from curewatch.views.record import LevelOut

Members = Annotated[
    str, typer.Option("--members", metavar="N", help="Variants of the film that make the spread; 1: the central film.")
]
Days = Annotated[str, typer.Option("--days", metavar="N", help="How far to look ahead.")]

AsModel = Annotated[str, typer.Option("--model", metavar="MODEL", hidden=True)]
"""For those who work on the drying model, to compare; hidden, so that no painter meets it by accident."""
Tilted = Annotated[
    str | None, typer.Option("--tilt", metavar="TILT", help="Of the surface: 0.5deg, 3mm/m.  [default: level]")
]


def estimate(
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    size: options.Size = None,
    layer: options.Layer = None,
    temperature: Temperature = None,
    humidity: Humidity = None,
    room: RoomRecord = None,
    solids: Solids = "0.30",
    glycol: Glycol = "0.03",
    coalescent: options.Coalescent = None,
    side: Side = None,
    air: options.Air = "still",
    back: options.Back = None,
    support: options.Support = None,
    tilt: Tilted = None,
    model: AsModel = "standard",
    members: Members = "64",
    days: Days = "120",
    as_json: options.AsJson = False,
) -> None:
    """When a pour will be set, touch-dry, dry to handle and ready to varnish in a given room, and may crack.

    Say the thickness in one of three ways, and the air in one of two. No store is needed.
    """
    asked = estimate_request.read_request(
        thickness=(wet_thickness, poured, ran_off, size, layer),
        air=(temperature, humidity, room),
        film={"solids": solids, "glycol": glycol, "side": side, "air": air, "back": back, "support": support}
        | {"tilt": tilt, "coalescent": coalescent, "model": model},
        members=members,
        days=days,
    )
    if as_json:
        question, wet = asked.question, asked.thickness
        say_view("estimate", estimated(question, wet.source, drained=wet.drained, room=asked.room))
    else:
        say(estimate_text.text(asked, Page.of(sys.stdout)))


ITS_OWN = ("name", "tilt", "at", "viscosity", "yield_stress", "stiffening", "limit", "as_json")
"""What may be said of a piece; any other option tells of a film or of its air, which the piece tells itself."""


def level_piece(
    ctx: typer.Context, name: str, tilt: str, at: str | None, mix: flow.Rheology, limit: str, *, as_json: bool
) -> None:
    """Store `tilt` of the piece and say what it comes to. InputError for an option of a film that was stated."""
    _refuse_films(ctx, name)
    angle, far = TILT.parse(tilt, Field.TILT), DRIFT.parse(limit, Field.LIMIT)
    with desk_of(ctx) as (desk, now):
        when = moment(at, desk, now)
        looked = measured(desk, named(name, Field.PIECE), angle, when, now)
        refresh_first(desk, now)
        found = drifting(looked.trace, looked.history.drying.pour.at, looked.tilts, mix, far)
        if as_json:
            say_view("level", LevelOut.of(looked, found, desk.settings.tz))
            return
        said = phrase(
            "Logged {piece}: {slope} off level at {time}.", piece=name, slope=slope_text(angle), time=When(when, now)
        )
        say(said)
        say("\n".join(wrapped(level_text.of_a_piece(found), Page.of(sys.stdout).width)))


def _refuse_films(ctx: typer.Context, name: str) -> None:
    for option in ctx.command.params:
        source = ctx.get_parameter_source(option.name or "")
        if option.name not in ITS_OWN and source is not None and source.name == "COMMANDLINE":
            given = str(ctx.params[option.name or ""])
            why = phrase("beside {piece}, whose film and air are known", piece=repr(name))
            raise InputError(option.opts[0], given, phrase("one of the two"), why)


Tilt = Annotated[
    str, typer.Option("--tilt", metavar="TILT", help="Of the surface: 0.5deg (a phone's level), 3mm/m, 1%.")
]
Piece = Annotated[str | None, typer.Argument(metavar="[NAME]", help="A piece that lies so.")]
At = Annotated[str | None, typer.Option("--at", metavar="TIME", help="With NAME: when it was so.  [default: now]")]
Viscosity = Annotated[
    str, typer.Option("--viscosity", metavar="VISC", help="Of the mix at its pour; 1 Pa·s flows like warm honey.")
]
YieldStress = Annotated[
    str, typer.Option("--yield-stress", metavar="PRESSURE", help="Of a mix that holds its shape, such as 0.2Pa.")
]
Stiffening = Annotated[
    str, typer.Option("--stiffening", metavar="RATE", help="How fast that grows at rest; 0Pa/h: it never sets.")
]
Limit = Annotated[str, typer.Option("--limit", metavar="LENGTH", help="The drift that would not matter.")]


def level(
    ctx: typer.Context,
    tilt: Tilt,
    name: Piece = None,
    at: At = None,
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    size: options.Size = None,
    layer: options.Layer = None,
    temperature: Temperature = None,
    humidity: Humidity = None,
    room: RoomRecord = None,
    solids: Solids = "0.30",
    glycol: Glycol = "0.03",
    coalescent: options.Coalescent = None,
    side: Side = None,
    air: options.Air = "still",
    back: options.Back = None,
    support: options.Support = None,
    viscosity: Viscosity = "1Pa·s",
    yield_stress: YieldStress = "0Pa",
    stiffening: Stiffening = "0.15Pa/h",
    limit: Limit = "5mm",
    as_json: options.AsJson = False,
) -> None:
    """How far the design drifts on a tilt before the film sets, and how level is level enough.

    Say the thickness and the air as for `estimate`; no store is needed. Or name a piece, whose film and air are known:
    its tilt is then kept, and `why NAME drifted` can tell. How the mix flows and --limit may be said either way.
    """
    mix = flow.Rheology(
        VISCOSITY.parse(viscosity, Field.VISCOSITY),
        YIELD_STRESS.parse(yield_stress, Field.YIELD_STRESS),
        STIFFENING.parse(stiffening, Field.STIFFENING),
    )
    if name is not None:
        level_piece(ctx, name, tilt, at, mix, limit, as_json=as_json)
        return
    if at is not None:
        raise InputError(Field.AT, at, phrase("the piece it was measured of, too"), phrase("which alone tells nothing"))
    asked = estimate_request.read_request(
        thickness=(wet_thickness, poured, ran_off, size, layer),
        air=(temperature, humidity, room),
        film={"solids": solids, "glycol": glycol, "side": side, "air": air, "back": back, "support": support}
        | {"coalescent": coalescent},
        members="1",
        days=f"{DAYS:g}",
    )
    angle, far = TILT.parse(tilt, Field.TILT), DRIFT.parse(limit, Field.LIMIT)
    found = drifted(asked.question, asked.thickness.source, mix, angle, far, room=asked.room)
    answer(as_json, "level", found, lambda page: level_text.text(found, asked.thickness.size_m, page))
