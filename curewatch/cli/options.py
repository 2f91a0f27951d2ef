"""Options and arguments that more than one command takes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

import typer
from typer.core import TyperCommand


def _words(*words: str) -> Callable[[str], list[str]]:
    """Shell completion of an option that takes these words, among other things."""

    def begun(incomplete: str) -> list[str]:
        return [word for word in words if word.startswith(incomplete)]

    return begun


class Command(TyperCommand):
    """What it says is said to whoever has such a locale; what it cannot take is told by the names of its own options
    and arguments."""

    def invoke(self, ctx: Any) -> Any:
        from curewatch.cli.output import at_terminal
        from curewatch.language import read_by

        if not ctx.params.get("as_json"):
            read_by(at_terminal())  # until the settings say who reads
        try:
            return super().invoke(ctx)
        except ValueError as error:
            from curewatch.cli.errors import CommandRefused  # heavy, and needed only now
            from curewatch.records.errors import InputError

            if isinstance(error, InputError):
                raise CommandRefused(error, [*self.params, *ctx.find_root().command.params], ctx.params) from error
            raise


Store = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="PATH|URL",
        help="Where the studio's facts are kept; else CUREWATCH_STORE, else your user folder.",
    ),
]
Config = Annotated[
    str | None,
    typer.Option(
        "--config", metavar="FILE", help="The settings; else CUREWATCH_CONFIG, else your user folder, else defaults."
    ),
]
NewStore = Annotated[
    bool, typer.Option("--new-store", help="Begin with an empty store where one was before that is gone.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
WetThickness = Annotated[
    str | None,
    typer.Option("--wet-thickness", metavar="LENGTH", help="Wet thickness by comb gauge, such as 1.2mm."),
]
Poured = Annotated[
    str | None, typer.Option("--poured", metavar="VOLUME", help="Or: paint poured onto --size, such as 250ml,")
]
RanOff = Annotated[
    str | None, typer.Option("--ran-off", metavar="VOLUME", help="of which this much ran off (left out: none).")
]
Size = Annotated[
    str | None,
    typer.Option("--size", metavar="WxH", help="Width and height of the piece, such as 40x50cm, or round 40cm."),
]
Layer = Annotated[
    str | None,
    typer.Option(
        "--layer",
        metavar="WORD",
        help="Or, roughly: thin, medium or thick.",
        autocompletion=_words("thin", "medium", "thick"),
    ),
]
Air = Annotated[
    str,
    typer.Option(
        "--air",
        metavar="AIR",
        help="Air over the piece: still, draughty, fan, or a speed such as 0.1m/s.",
        autocompletion=_words("still", "draughty", "fan"),
    ),
]
AirThere = Annotated[
    str | None,
    typer.Option("--air", metavar="AIR", help="still, draughty, fan or a speed. Left out: as the room's is set."),
]
Place = Annotated[str | None, typer.Option("--place", metavar="PLACE", help="Where in the room.")]
New = Annotated[
    bool, typer.Option("--new", help="It is a new room, place or recipe, though its name is close to a known one.")
]
_SUPPORTS = (
    "canvas", "board", "panel", "raw-panel", "tile", "glass", "cradled-panel", "canvas-panel", "hardboard", "paper",
)  # fmt: skip
Back = Annotated[
    str | None,
    typer.Option(
        "--back",
        metavar="BACK",
        help="Only the heat through the back, as of canvas, board, or so many W/m2K.  [default: canvas]",
        autocompletion=_words("canvas", "board"),
    ),
]
Support = Annotated[
    str | None,
    typer.Option(
        "--support",
        metavar="SUPPORT",
        help=f"The surface, with heat, water and vapour: {', '.join(_SUPPORTS)}.",
        autocompletion=_words(*_SUPPORTS),
    ),
]
PouredOn = Annotated[
    str,
    typer.Option(
        "--support",
        "--back",
        metavar="SUPPORT",
        help=f"The surface it lies on: {', '.join(_SUPPORTS)}.",
        autocompletion=_words(*_SUPPORTS),
    ),
]
At = Annotated[
    str | None,
    typer.Option("--at", metavar="TIME", help="When: '3 h ago', 'yesterday 18:30', ISO 8601. Left out: now."),
]
_Due = typer.Option("--due", metavar="DATE", help="The date it is promised for: '12 Dec', friday, 'tomorrow 9:00'.")
Due = Annotated[str | None, _Due]
Occasion = Annotated[str | None, typer.Option("--for", metavar="WHAT", help="What for, such as 'fair'.")]
Ready = Annotated[
    str | None,
    typer.Option(
        "--ready",
        metavar="MILESTONE",
        help="What ready means: handle (dry to handle), or varnish-ready (ready to varnish).  [default: handle]",
        autocompletion=_words("handle", "varnish-ready"),
    ),
]
By = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who says so. Left out: as the settings have it.")]
Name = Annotated[str, typer.Argument(metavar="NAME", help="The piece's name.")]
RoomName = Annotated[str, typer.Option("--room", metavar="ROOM", help="The room, by its name.")]
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
Coalescent = Annotated[
    str | None,
    typer.Option(
        "--coalescent",
        metavar="SHARE",
        help="Solvent slower than glycol, of retarders and hard media, by volume.  [default: 0]",
    ),
]
Side = Annotated[
    str | None,
    typer.Option("--side", metavar="LENGTH", help="Of the piece, along the air.  [default: 25cm, or of --size]"),
]
