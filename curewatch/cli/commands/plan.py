"""`curewatch plan`: the latest moment to pour for a date."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.session import answer, desk_of, refresh_first
from curewatch.cli.texts import plan_text
from curewatch.desk.reports import planning
from curewatch.desk.reports.room import free_places
from curewatch.intake.typed.names import named
from curewatch.intake.typed.pours import PourWords
from curewatch.intake.typed.times import parse_due
from curewatch.language import phrase
from curewatch.records import MilestoneKind
from curewatch.records.errors import Field, InputError
from curewatch.views.plan import PlanOut

_FOR = ("handle", "varnish-ready")


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
            help="Ready means: handle (can be moved and wrapped flat), or varnish-ready (ready to varnish).",
            autocompletion=lambda incomplete: [word for word in _FOR if word.startswith(incomplete)],
        ),
    ] = "handle",
    wet_thickness: options.WetThickness = None,
    poured: options.Poured = None,
    ran_off: options.RanOff = None,
    size: options.Size = None,
    layer: options.Layer = None,
    support: options.PouredOn = "canvas",
    recipe: Annotated[
        str | None,
        typer.Option("--recipe", metavar="NAME", help="The mix, by its name. Left out: house mix, an ordinary one."),
    ] = None,
    place: Annotated[str | None, typer.Option("--place", metavar="PLACE", help="Where in the room.")] = None,
    as_json: options.AsJson = False,
) -> None:
    """The latest moment to pour so that pieces are ready by a date, in this room as it usually is and changed."""
    if ready not in _FOR:
        raise InputError(Field.HOURS, ready, phrase("{one} or {other}", one=_FOR[0], other=_FOR[1]))
    with desk_of(ctx) as (desk, now):
        where, assumed = planning.room_for(desk, now) if room is None else (named(room, Field.ROOM), None)
        (order,) = PourWords(
            room=where, place=place, wet_thickness=wet_thickness, poured=poured, ran_off=ran_off, layer=layer,
            size=size, support=support, recipe=recipe,
        ).orders(now)  # fmt: skip
        by = parse_due(due, now=now, zone=desk.settings.tz)
        refresh_first(desk, now)
        kind = MilestoneKind(ready.replace("-", "_"))
        made = replace(planning.plan(desk, order, by, pieces, kind, now), assumed=assumed)
        found = PlanOut.of(made, free_places(desk, where), desk.settings.tz)
    answer(as_json, "plan", found, lambda page: plan_text.text(found, now, page))
