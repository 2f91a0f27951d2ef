"""The command `curewatch` itself: what its commands share, and how one is run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import typer
from typer.main import get_command

from curewatch import __version__
from curewatch.cli import exits, options
from curewatch.cli.commands import alarms, backups, daemon, facts, mixing, observations, show, steps, transfer
from curewatch.cli.commands.backtest import backtest
from curewatch.cli.commands.daemon import password
from curewatch.cli.commands.estimate import estimate, level
from curewatch.cli.commands.plan import plan
from curewatch.cli.output import say

app = typer.Typer(
    name="curewatch",
    rich_markup_mode=None,  # plain help: quick to start, and [brackets] in a name stay
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@dataclass(frozen=True)
class Locations:
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
    ctx.obj = Locations(store, config)


app.command(short_help="Foresee how a pour dries in a given room.")(estimate)
app.command(short_help="How far a design drifts on a tilt.")(level)
app.command(short_help="Log a pour.")(facts.pour)
app.command(short_help="Type a reading of a room's air.")(facts.reading)
app.command(short_help="Say what a recipe is made of.")(mixing.recipe)
app.command(short_help="How much of each part to mix.")(mixing.mix)
app.command(short_help="Log a finger test.")(observations.feel)
app.command(short_help="Log a piece's weight.")(observations.weigh)
app.command(short_help="Log a film's surface temperature.")(observations.surface)
app.command(short_help="What was learned from observations.")(observations.learned)
app.command(short_help="Every piece, room and alarm.")(show.board)
app.command(short_help="One piece with its dates.")(show.piece)
app.command(short_help="Log that a piece lies somewhere else.")(facts.move)
app.command(short_help="Log that a piece has left the studio.")(facts.gone)
app.command(short_help="What is still to be done to a piece.")(steps.steps)
app.command(short_help="Write down that a step was done.")(steps.done)
app.command(short_help="A piece's last step was not done after all.")(steps.undo)
app.command(short_help="A piece's cure record.")(show.record)
app.command(short_help="What may have gone wrong with a piece.")(show.why)
app.command(short_help="Two pieces' records side by side.")(show.compare)
app.command(short_help="Take a logger's record of a room in.")(transfer.import_readings)
app.command(short_help="Everything out, as JSON or CSV.")(transfer.export)
app.command("import", short_help="Everything in again, into an empty store.")(transfer.import_everything)
app.command(short_help="Alarms, mutes and harmed pieces.")(alarms.alarms)
app.command(short_help="Say that you see to an alarm.")(alarms.acknowledge)
app.command(short_help="Hear nothing of an alarm for a while.")(alarms.mute)
app.command(short_help="End a mute before its time.")(alarms.unmute)
app.command(short_help="Say that you have looked a harmed piece over.")(alarms.cleared)
app.command(short_help="What people were told, and whether it arrived.")(alarms.notices)
app.command(short_help="Send again what was given up.")(alarms.resend)
app.command(short_help="The latest moment to pour for a date.")(plan)
app.command(short_help="Copy the whole store, proven sound.")(backups.backup)
app.command(short_help="Put a backup in the store's place.")(backups.restore)
app.command(short_help="Watch the studio until Ctrl-C.")(daemon.run)
app.command(short_help="Look whether all that is needed is there.")(daemon.check)
app.command(short_help="Set the password of the page.")(password)
app.add_typer(backtest, name="backtest", short_help="Measure the forecasts on recorded rooms.")


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns its exit code, raises what went wrong."""
    line = _locations_first(arguments) or ["--help"]
    found = get_command(app).main(line, prog_name="curewatch", standalone_mode=False)
    return found if isinstance(found, int) else exits.Exit.DONE


def _locations_first(arguments: Sequence[str]) -> list[str]:
    """The line with --store and --config at its front: people put them after the command as often as before it."""
    left = list(arguments)
    front: list[str] = []
    rest: list[str] = []
    while left:
        word = left.pop(0)
        if word == "--":
            return [*front, *rest, word, *left]
        option, equals, _ = word.partition("=")
        if option not in ("--store", "--config"):
            rest.append(word)
            continue
        front.append(word)
        if not equals and left:
            front.append(left.pop(0))
    return front + rest
