"""The command `curewatch` itself: what its commands share, and how one is run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import typer
from typer.main import get_command

from curewatch import __version__
from curewatch.cli import exits, facts, options, serve, show
from curewatch.cli.estimate import estimate
from curewatch.cli.output import say

app = typer.Typer(
    name="curewatch",
    rich_markup_mode=None,  # plain help: quick to start, and [brackets] in a name stay
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@dataclass(frozen=True)
class Where:
    """What was said of where things live, before the command's name."""

    store: str | None
    config: str | None


def _show_version(wanted: bool) -> None:
    if wanted:
        say(f"curewatch {__version__}")
        raise typer.Exit


_EPILOG = f"""\b
Exit codes:
{exits.listed()}

With --json a command prints one JSON object, and an error is one on stderr."""


@app.callback(epilog=_EPILOG)
def curewatch(
    ctx: typer.Context,
    store: options.Store = None,
    config: options.Config = None,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    """Watches poured acrylic paintings dry: when each may be touched, moved and varnished, and what the room does to
    them meanwhile."""
    ctx.obj = Where(store, config)


app.command(short_help="Foresee how a pour dries in a given room.")(estimate)
app.command(short_help="Log a pour.")(facts.pour)
app.command(short_help="Type a reading of a room's air.")(facts.reading)
app.command(short_help="Say what a recipe is made of.")(facts.recipe)
app.command(short_help="Every piece, room and alarm.")(show.board)
app.command(short_help="One piece with its dates.")(show.piece)
app.command(short_help="Watch the studio until Ctrl-C.")(serve.run)
app.command(short_help="Look whether all that is needed is there.")(serve.check)


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns its exit code, raises what went wrong."""
    found = get_command(app).main(list(arguments) or ["--help"], prog_name="curewatch", standalone_mode=False)
    return found if isinstance(found, int) else exits.Exit.DONE
