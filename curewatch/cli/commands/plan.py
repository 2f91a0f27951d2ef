"""`curewatch plan`: the latest moment to pour for a date."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.session import answer, desk_of, refresh_first
from curewatch.cli.texts import plan_text
from curewatch.desk import PourOrder
from curewatch.desk.reports import planning
from curewatch.desk.reports.room import free_places
from curewatch.intake.typed import parse_time
from curewatch.intake.typed.names import named
from curewatch.intake.typed.quantities import parse_support
from curewatch.intake.typed.wet_thickness import thickness_of
from curewatch.records import MilestoneKind
from curewatch.records.errors import Field, InputError
from curewatch.views.plan import PlanOut

_FOR = ("handle", "varnish-ready")
_DAY, _EVENING = re.compile(r"\d{4}-\d{2}-\d{2}"), "18:00"
"""A day alone means the end of its work."""


def plan(
    ctx: typer.Context,
    due: Annotated[
        str,
        typer.Option(
            "--due", metavar="DATE", help="When the pieces are to be ready: 2026-12-20 (by 18:00), or with a time."
        ),
    ],
    room: Annotated[
        str | None,
        typer.Option(
            "--room",
            metavar="ROOM",
            help="Where they are to dry. Left out: the only room, or the one with the most wet pieces.",
        ),
    ] = None,
    pieces: Annotated[int, typer.Option("--pieces", min=1, max=1000, help="How many.")] = 1,
    ready: Annotated[
        str,
        typer.Option(
            "--for",
            metavar="MILESTONE",
            help="Ready means: handle (can be moved and packed flat), or varnish-ready.",
            autocompletion=lambda incomplete: [word for word in _FOR if word.startswith(incomplete)],
        ),
    ] = "handle",
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    size: options.Size = None,
    layer: options.Layer = None,
    support: options.PouredOn = "canvas",
    recipe: Annotated[str | None, typer.Option("--recipe", metavar="NAME", help="The mix, by its name.")] = None,
    place: Annotated[str | None, typer.Option("--place", metavar="PLACE", help="Where in the room.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """The latest moment to pour so that pieces are ready by a date, in this room as it usually is and changed."""
    if ready not in _FOR:
        raise InputError(Field.HOURS, ready, " or ".join(_FOR))
    thickness = thickness_of(wet_thickness, poured, ran_off, size, layer)
    with desk_of(ctx) as (desk, now):
        where, assumed = planning.room_for(desk, now) if room is None else (named(room, Field.ROOM), None)
        order = PourOrder(
            name="planned",
            room=where,
            place=None if place is None else named(place, Field.PLACE),
            at=now,
            wet_thickness_m=thickness.metres,
            thickness_source=thickness.source,
            size_m=thickness.size_m,
            round=thickness.round,
            support=parse_support(support, field=Field.SUPPORT),
            recipe=None if recipe is None else named(recipe, Field.RECIPE),
        )
        day = f"{due.strip()} {_EVENING}" if _DAY.fullmatch(due.strip()) else due
        by = parse_time(day, now=now, zone=desk.settings.tz, field=Field.DUE)
        refresh_first(desk, now)
        kind = MilestoneKind(ready.replace("-", "_"))
        made = replace(planning.plan(desk, order, by, pieces, kind, now), assumed=assumed)
        found = PlanOut.of(made, free_places(desk, where), desk.settings.tz)
    answer(as_json, "plan", found, lambda page: plan_text.text(found, now, page))
