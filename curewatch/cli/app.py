"""The command `curewatch` itself: what its commands share, and how one is run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Annotated, Any, NamedTuple

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from curewatch import __version__
from curewatch.cli import exits, options
from curewatch.cli.output import say, warn_old


class Lazy(NamedTuple):
    """Where a command is, as module:function below `curewatch.cli.commands`, and what the list of commands says."""

    where: str
    short_help: str


COMMANDS = {
    "estimate": Lazy("estimate:estimate", "Estimate how a pour dries in a given room."),
    "level": Lazy("estimate:level", "How far a design drifts on a tilt."),
    "pour": Lazy("facts:pour", "Log a pour."),
    "reading": Lazy("facts:reading", "Type a reading of a room's air."),
    "trust": Lazy("facts:trust", "Say whether a sensor or your thermometer is right."),
    "recipe": Lazy("mixing:recipe", "Say what a recipe is made of."),
    "mix": Lazy("mixing:mix", "How much of each part to mix."),
    "feel": Lazy("observations:feel", "Log a finger test."),
    "weigh": Lazy("observations:weigh", "Log a piece's weight."),
    "photo": Lazy("observations:photo", "Keep a photo of a piece."),
    "surface": Lazy("observations:surface", "Log a film's surface temperature."),
    "learned": Lazy("observations:learned", "What was learned from observations."),
    "board": Lazy("show:board", "Every piece, room and alarm."),
    "piece": Lazy("show:piece", "One piece with its dates."),
    "move": Lazy("facts:move", "Move a piece to another place."),
    "promise": Lazy("facts:promise", "Set the date a piece is promised for."),
    "gone": Lazy("facts:gone", "Log that a piece has left the studio."),
    "steps": Lazy("observations:steps", "The steps of a piece still to do."),
    "done": Lazy("observations:done", "Mark a step as done."),
    "correct": Lazy("correcting:correct", "Correct a pour."),
    "delete": Lazy("correcting:delete", "Delete a piece that was never poured."),
    "names": Lazy("correcting:names", "All rooms, places and recipes."),
    "rename": Lazy("correcting:rename", "Rename a room, place or recipe."),
    "merge": Lazy("correcting:merge", "Merge two rooms, places or recipes."),
    "remove": Lazy("correcting:remove", "Remove a room, place or recipe."),
    "undo": Lazy("observations:undo", "Undo what was logged last of a piece or room."),
    "record": Lazy("show:record", "A piece's cure record."),
    "why": Lazy("show:why", "What may have gone wrong with a piece."),
    "compare": Lazy("show:compare", "Pieces' records side by side."),
    "series": Lazy("show:series", "The pieces of one series."),
    "import-readings": Lazy("transfer:import_readings", "Import a logger's record of a room."),
    "export": Lazy("transfer:export", "Export everything, as JSON or CSV."),
    "import": Lazy("transfer:import_everything", "Import an export into an empty store."),
    "alarms": Lazy("alarms:alarms", "Alarms, mutes and damaged pieces."),
    "acknowledge": Lazy("alarms:acknowledge", "Say that you are on it."),
    "mute": Lazy("alarms:mute", "Mute an alarm for a while."),
    "unmute": Lazy("alarms:unmute", "End a mute before its time."),
    "cleared": Lazy("alarms:cleared", "Say that you have checked a damaged piece."),
    "clock": Lazy("clock:clock", "Whether this machine's clock is believed."),
    "service": Lazy("service:service", "Start the daemon with the machine."),
    "phone": Lazy("phone:phone", "Open the page to a phone."),
    "notices": Lazy("alarms:notices", "What people were told, and whether it arrived."),
    "resend": Lazy("alarms:resend", "Send an undelivered message again."),
    "plan": Lazy("plan:plan", "The latest moment to pour for a date."),
    "backup": Lazy("backups:backup", "Back up the whole store."),
    "restore": Lazy("backups:restore", "Restore a backup."),
    "listen": Lazy("listen:listen", "Show what the broker sends."),
    "setup": Lazy("setup:setup", "Begin your own studio, and set it up."),
    "run": Lazy("daemon:run", "Watch the studio until Ctrl-C."),
    "check": Lazy("daemon:check", "Check that everything works."),
    "certificate": Lazy("daemon:certificate", "Make a certificate for https."),
    "password": Lazy("daemon:password", "Set the password of the page."),
    "help": Lazy("handbook:help_on", "Read the handbook."),
    "trial": Lazy("backtest:trial", "Try the forecasts on recorded rooms."),
}
"""As `--help` lists them. None is imported before it is run, so `--help` and the completion of names answer at once."""


OLD = {"backtest": "trial"}
"""What a command was called before, which works for one version more."""


def load(name: str) -> Any:
    """The command of that name: a TyperCommand, or a TyperGroup of them."""
    module, _, function = COMMANDS[name].where.partition(":")
    found = getattr(import_module(f"curewatch.cli.commands.{module}"), function)
    group = found if isinstance(found, typer.Typer) else typer.Typer(rich_markup_mode=None, add_completion=False)
    if group is not found:
        group.command(name, cls=options.Command, short_help=COMMANDS[name].short_help)(found)
    command = get_command(group)
    command.name = name
    return command


class LazyGroup(TyperGroup):
    """Lists what COMMANDS says, and imports a command when a line names it."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = {name: TyperCommand(name, short_help=one.short_help) for name, one in COMMANDS.items()}

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        if args and args[0] in OLD:
            warn_old(f"`{args[0]}`", f"`{OLD[args[0]]}`")
            args = [OLD[args[0]], *args[1:]]
        name, found, rest = super().resolve_command(ctx, args)
        return name, load(name) if name and found else None, rest


app = typer.Typer(
    cls=LazyGroup,
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
    new_store: bool = False
    """Whether an empty store may take the place of one that is gone."""


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
    new_store: options.NewStore = False,
    version: Annotated[
        bool, typer.Option("--version", help="Print the version.", callback=_show_version, is_eager=True)
    ] = False,
) -> None:
    """Watches poured acrylic paintings dry: when each may be touched, moved and varnished, and what the room does to
    them meanwhile."""
    ctx.obj = Locations(store, config, new_store)


def run(arguments: Sequence[str]) -> int:
    """Run one command line; returns its exit code, raises what went wrong."""
    line = _locations_first(arguments) or ["--help"]
    try:
        found = get_command(app).main(line, prog_name="curewatch", standalone_mode=False)
    except typer.Abort:  # Ctrl-C or Ctrl-D at a question
        return exits.Exit.INTERRUPTED
    return found if isinstance(found, int) else exits.Exit.DONE


def _locations_first(arguments: Sequence[str]) -> list[str]:
    """The line with --store, --config and --new-store at its front: people put them behind the command as often."""
    left = list(arguments)
    front: list[str] = []
    rest: list[str] = []
    while left:
        word = left.pop(0)
        if word == "--":
            return [*front, *rest, word, *left]
        option, equals, _ = word.partition("=")
        if option == "--new-store":
            front.append(word)
            continue
        if option not in ("--store", "--config"):
            rest.append(word)
            continue
        front.append(word)
        if not equals and left:
            front.append(left.pop(0))
    return front + rest
