"""The commands that log what happened to a piece or a room: a pour, a reading, a move, a leaving."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime
from functools import partial
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.options import At, Name, RoomName
from curewatch.cli.output import PIPED_WIDTH, Page, say, say_json, say_notes, wrapped
from curewatch.cli.session import desk_of, iso, moment, notes_of, refresh_first, say_view
from curewatch.cli.texts import piece_text
from curewatch.desk import Desk
from curewatch.desk.commands import pours
from curewatch.desk.commands.log import LogKind
from curewatch.desk.commands.pours import log_pours
from curewatch.desk.commands.readings import log_reading, parse_trust, trust_sensor
from curewatch.desk.commands.undo import undo_last
from curewatch.desk.mixing import density_of
from curewatch.desk.orders import pieces_meant
from curewatch.desk.reports.piece import piece_report, report_of
from curewatch.intake.typed import parse_air, parse_humidity
from curewatch.intake.typed.names import named
from curewatch.intake.typed.pours import PourWords, promise_told
from curewatch.intake.typed.quantities import ROOM_TEMPERATURE
from curewatch.language import When, joined, phrase
from curewatch.records import Reading, Trust
from curewatch.records.errors import Field, InputError
from curewatch.records.remarks import RemarkKind
from curewatch.records.workshop import Promise
from curewatch.studio import wording
from curewatch.studio.air.flaws import trust_text
from curewatch.studio.care.aftercare import LEVEL_FOR, TORCH
from curewatch.views.air import SensorTrustOut
from curewatch.views.board import PieceOut
from curewatch.views.record import PieceReportOut


def pour(
    ctx: typer.Context,
    name: Name,
    room: RoomName,
    place: options.Place = None,
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    size: options.Size = None,
    layer: options.Layer = None,
    recipe: Annotated[
        str | None,
        typer.Option("--recipe", metavar="NAME", help="The mix, by its name. Left out: house mix, an ordinary one."),
    ] = None,
    silicone: Annotated[bool, typer.Option("--silicone", help="Poured with silicone oil.")] = False,
    air: options.AirThere = None,
    support: options.PouredOn = "canvas",
    tilt: Annotated[
        str | None, typer.Option("--tilt", metavar="TILT", help="Of the surface, if measured: 0.5deg, 3mm/m.")
    ] = None,
    paint: Annotated[
        str | None,
        typer.Option(
            "--paint",
            metavar="MASS",
            help="What was poured, by the scale: full cup less empty, for all of --times; a thickness by itself where "
            "the recipe's parts are told.",
        ),
    ] = None,
    at: At = None,
    due: options.Due = None,
    occasion: options.Occasion = None,
    ready: options.Ready = None,
    by: options.By = None,
    times: Annotated[
        str, typer.Option("--times", metavar="N", help="So many alike from one mix: 'NAME 1' to 'NAME N'.")
    ] = "1",
    new: options.New = False,
    pair: Annotated[
        str | None,
        typer.Option(
            "--pair",
            metavar="silicone|RECIPE",
            help="As many again, to compare: with and without silicone, or of another recipe.",
        ),
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Log a pour: a new piece, when it was poured, how thick, and where it lies."""
    words = PourWords(
        name=name, room=room, times=times, wet_thickness=wet_thickness, poured=poured, ran_off=ran_off, layer=layer,
        size=size, place=place, recipe=recipe, silicone=silicone, support=support, air=air, tilt=tilt, paint=paint,
        new=new,
        pair=pair,
    )  # fmt: skip
    with desk_of(ctx, by) as (desk, now):
        orders = words.orders(moment(at, desk, now), partial(density_of, desk))
        promised = promise_told(due, occasion, ready, now, desk.zone)
        orders = [replace(order, promise=promised) for order in orders]
        logged, names = log_pours(desk, orders, now), [one.name for one in orders]
        refresh_first(desk, now)
        reports = [piece_report(desk, one, now) for one in names]
        notes = notes_of(remark for one in logged for remark in one.remarks)
        if as_json:
            pieces = [PieceReportOut.of_report(one, now, desk.settings.tz).model_dump(mode="json") for one in reports]
            say_json("pour", **({"pieces": pieces} if len(pieces) > 1 else pieces[0]), notes=notes)
            return
        say_notes(notes)
        page, several = Page.of(sys.stdout), phrase("Logged {first} to {last}.", first=names[0], last=names[-1])
        say(several if len(names) > 1 else phrase("Logged {what}.", what=names[0]))
        if now - orders[0].at < LEVEL_FOR:
            say("\n".join(["", *wrapped(TORCH, page.width)]))
        say("\n" + piece_text.text(reports[0], now, page))


def reading(
    ctx: typer.Context,
    room: RoomName,
    temperature: Annotated[str, typer.Option("--temperature", metavar="TEMP", help="Such as 21C or 70F.")],
    humidity: Annotated[str, typer.Option("--humidity", metavar="RH", help="Relative humidity, such as 50%.")],
    at: At = None,
    new: options.New = False,
    by: options.By = None,
    as_json: options.AsJson = False,
) -> None:
    """Type a reading of a room's temperature and humidity."""
    temp_c = ROOM_TEMPERATURE.parse(temperature, Field.TEMPERATURE)
    rh_pct = parse_humidity(humidity, field=Field.HUMIDITY)
    with desk_of(ctx, by) as (desk, now):
        when = moment(at, desk, now)
        read = Reading(room=named(room, Field.ROOM), at=when, temp_c=temp_c, rh_pct=rh_pct, received_at=now)
        logged = log_reading(desk, read, new=new)
        notes, room = notes_of(logged.remarks), logged.room or read.room
        refresh_first(desk, now)
        if as_json:
            values = {"room": room, "at": iso(when, desk.settings.tz), "temp_c": temp_c, "rh_pct": rh_pct}
            say_json("reading", **values, notes=notes)
            return
        say_notes(notes)
        if any(one.kind is RemarkKind.READING_STORED_ALREADY for one in logged.remarks):
            say(phrase("Nothing was logged."))
            return
        say(phrase("Logged {room}: {air} at {time}.", room=room, air=wording.air(temp_c, rh_pct), time=When(when, now)))


def trust(
    ctx: typer.Context,
    room: Annotated[str, typer.Argument(metavar="ROOM", help="The room's name.")],
    which: Annotated[str, typer.Argument(metavar="WHICH", help="sensor, thermometer or offset.")],
    source: Annotated[
        str | None, typer.Option("--source", metavar="ID", help="Which sensor, where several were checked.")
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Say which is right, after a reading typed beside a sensor: the sensor, the thermometer, or the sensor put right
    by the difference. `curewatch undo --room ROOM` takes it back."""
    wanted = parse_trust(which)
    with desk_of(ctx) as (desk, now):
        said = trust_sensor(desk, room, wanted, now, source=source)
        refresh_first(desk, now)
        if as_json:
            say_view("trust", SensorTrustOut.of(said, desk.settings.tz))
            return
        since = phrase("{room}: {what}, from {date} on.", room=room, what=trust_text(said), date=When(said.at, now))
        say(joined(since, TRUST_NEXT[said.trust]))


TRUST_NEXT = {
    Trust.SENSOR: phrase("Dates go by the sensor."),
    Trust.THERMOMETER: phrase("Dates go by what is typed: type a reading at least once a day."),
    Trust.OFFSET: phrase("Dates go by the sensor with that."),
}


_Undo = Annotated[bool, typer.Option("--undo", help="Take the last one of this piece back instead, within a day.")]


def move(
    ctx: typer.Context,
    name: Name,
    room: Annotated[str | None, typer.Option("--room", metavar="ROOM", help="The room, by its name.")] = None,
    place: options.Place = None,
    air: options.AirThere = None,
    at: At = None,
    new: options.New = False,
    undo: _Undo = False,
    as_json: options.AsJson = False,
) -> None:
    """Move a piece to another place: its dates follow the air there."""
    if undo:
        _alone(room=room, place=place, air=air, at=at)
    elif room is None:
        raise InputError(Field.ROOM, None, phrase("the room it lies in now, or --undo"))
    with desk_of(ctx) as (desk, now):
        if room is None:
            undo_last(desk, name, now, [LogKind.MOVE])
            _say_where(desk, name, now, [], "undone", as_json)
            return
        where = named(room, Field.ROOM), None if place is None else named(place, Field.PLACE)
        speed = None if air is None else parse_air(air, field=Field.AIR)
        moved = pours.move(desk, name, *where, now, speed, at=moment(at, desk, now), new=new)
        _say_where(desk, name, now, notes_of(moved.remarks), "move", as_json)


def promise(
    ctx: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="The piece's name, or a series'.")],
    due: options.Due = None,
    occasion: options.Occasion = None,
    ready: options.Ready = None,
    none: Annotated[bool, typer.Option("--none", help="Instead: it is no longer promised.")] = False,
    by: options.By = None,
    as_json: options.AsJson = False,
) -> None:
    """Set the date a piece or series is promised for, or change it: you are told if it is at risk."""
    if (due is None) is not none:
        raise InputError(Field.DUE, due, phrase("a date such as '12 Dec', or --none alone"))
    with desk_of(ctx, by) as (desk, now):
        told = promise_told(due, occasion, ready, now, desk.zone)
        gone = Promise(piece_id=0, due_at=None, logged_at=now)
        pours.promise(desk, name, gone if told is None else told, now)
        refresh_first(desk, now)
        with desk.store.read() as tx:
            reports = [report_of(tx, piece.name, now) for piece in pieces_meant(tx, name)]
        if as_json:
            pieces = [PieceOut.of(one.line, desk.settings.tz).model_dump(mode="json") for one in reports]
            say_json("promise", pieces=pieces)
            return
        for one in reports if told is not None else ():
            assert one.line.promised is not None
            said = phrase("{name}: {what}.", name=one.line.name, what=one.line.promised.in_words())
            say("\n".join(wrapped(said, PIPED_WIDTH, rest="  ")))
        if told is None:
            say(phrase("{name}: no longer promised.", name=name))


def gone(ctx: typer.Context, name: Name, at: At = None, undo: _Undo = False, as_json: options.AsJson = False) -> None:
    """Log that a piece has left the studio: its name and its place are free, its record stays."""
    if undo:
        _alone(at=at)
    with desk_of(ctx) as (desk, now):
        if undo:
            undo_last(desk, name, now, [LogKind.GONE])
            _say_where(desk, name, now, [], "undone", as_json)
            return
        when = None if at is None else moment(at, desk, now)
        pours.leave(desk, name, now, at=when)
        refresh_first(desk, now)
        if as_json:
            say_json("gone", piece=name, at=iso(when or now, desk.settings.tz))
        else:
            say(phrase("{name} is marked gone: its name and its place are free.", name=name))


def _say_where(desk: Desk, name: str, now: datetime, notes: list[str], kind: str, as_json: bool) -> None:
    """Where the piece lies, and its dates, which have followed."""
    refresh_first(desk, now)
    report = piece_report(desk, name, now)
    if as_json:
        say_view(kind, PieceReportOut.of_report(report, now, desk.settings.tz), notes=notes)
        return
    say_notes(notes)
    where = wording.where(report.drying.room, report.drying.place)
    again = phrase("{name} lies in {where} again.", name=name, where=where)
    say(again if kind == "undone" else phrase("{name} now lies in {where}.", name=name, where=where))
    say("\n" + piece_text.text(report, now, Page.of(sys.stdout)))


def _alone(**beside: str | None) -> None:
    """InputError where anything is said beside --undo, which takes back the last one whatever it was."""
    for option, said in beside.items():
        if said is not None:
            raise InputError(Field(option), said, phrase("{option} alone", option="--undo"))
