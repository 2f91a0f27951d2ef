"""`curewatch estimate`: when a pour would be dry in a given room. Needs no store and no settings."""

from __future__ import annotations

from typing import Annotated

import typer

from curewatch.cli import options

Temperature = Annotated[
    str | None, typer.Option("--temperature", metavar="TEMP", help="Of the room's air, such as 21C or 70F.")
]
Humidity = Annotated[str | None, typer.Option("--humidity", metavar="RH", help="Of the room's air, such as 50%.")]
RoomRecord = Annotated[
    str | None,
    typer.Option(
        "--room",
        metavar="FILE.csv",
        help="Instead of the two: a record of the room, time_utc,temp_c,rh_pct, its first row at the pour.",
    ),
]
Solids = Annotated[str, typer.Option("--solids", metavar="SHARE", help="Solids, by volume of the wet paint.")]
Glycol = Annotated[str, typer.Option("--glycol", metavar="SHARE", help="Slow solvent, by volume of the wet paint.")]
Side = Annotated[
    str | None,
    typer.Option("--side", metavar="LENGTH", help="Of the piece, along the air.  [default: 25cm, or of --size]"),
]
Members = Annotated[
    str, typer.Option("--members", metavar="N", help="Variants of the film that make the spread; 1: the central film.")
]
Days = Annotated[str, typer.Option("--days", metavar="N", help="How far to look ahead.")]


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
    side: Side = None,
    air: options.Air = "still",
    back: options.Back = None,
    support: options.Support = None,
    members: Members = "64",
    days: Days = "120",
    as_json: options.AsJson = False,
) -> None:
    """When a pour will be packed, touch-dry, fit to handle and ready for varnish in a given room.

    Say the thickness in one of three ways, and the air in one of two. No store is needed.
    """
    from curewatch.cli import estimate_request
    from curewatch.cli.texts import estimate_text

    question = estimate_request.read_request(
        thickness=(wet_thickness, poured, ran_off, size, layer),
        air=(temperature, humidity, room),
        film={"solids": solids, "glycol": glycol, "side": side, "air": air, "back": back, "support": support},
        members=members,
        days=days,
    )
    (estimate_text.show_json if as_json else estimate_text.show)(question)
