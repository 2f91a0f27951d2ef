"""`curewatch level`: how far a design drifts on a support that is not level. Needs a store only for a piece's own."""

from __future__ import annotations

from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.commands.estimate import Glycol, Humidity, RoomRecord, Side, Solids, Temperature

Tilt = Annotated[
    str, typer.Option("--tilt", metavar="TILT", help="Of the support: 0.5deg (a phone's level), 3mm/m, 1%.")
]
Piece = Annotated[str | None, typer.Argument(metavar="[NAME]", help="A piece whose support this is.")]
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
    """How far the design drifts on a tilt before the film packs, and how level is level enough.

    Say the thickness and the air as for `estimate`; no store is needed. Or name a piece, whose film and air are known:
    its tilt is then kept, and `why NAME drifted` can tell. How the mix flows and --limit may be said either way.
    """
    from curewatch.cli import estimate_request
    from curewatch.cli.texts import level_text
    from curewatch.intake.errors import BadInput

    if name is not None:
        from curewatch.cli.commands.part_cli_level_piece import level_piece

        mix = level_text.mix_of(viscosity, yield_stress, stiffening)
        level_piece(ctx, name, tilt, at, mix, limit, as_json=as_json)
        return
    if at is not None:
        raise BadInput("--at", at, "the piece it was measured of, too", "which alone tells nothing")
    question = estimate_request.read_request(
        thickness=(wet_thickness, poured, ran_off, size, layer),
        air=(temperature, humidity, room),
        film={"solids": solids, "glycol": glycol, "side": side, "air": air, "back": back, "support": support},
        members="1",
        days="120",
    )
    mix = level_text.mix_of(viscosity, yield_stress, stiffening)
    found = level_text.drift_answer(question, mix, tilt, limit)
    (level_text.show_json if as_json else level_text.show)(found)
