"""The daemon as a service that starts by itself: set up, looked at, taken away."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.exits import Exit
from curewatch.cli.output import say, say_json
from curewatch.cli.session import premises_of
from curewatch.clock import SystemClock
from curewatch.daemon import service as services
from curewatch.daemon.service import Places, Standing
from curewatch.language import phrase
from curewatch.premises import Premises, find
from curewatch.records.errors import Field, InputError
from curewatch.settings.loading import SYSTEM_STORE
from curewatch.store import back_up, file_at
from curewatch.store import restore as bring_back
from curewatch.store.disk.faults import make_folder
from curewatch.store.disk.lock import hold_file_lock, is_held

service = typer.Typer(
    help="Have the daemon start by itself, as a service of systemd: the machine's, or one of your own.",
    rich_markup_mode=None, add_completion=False, no_args_is_help=True,
)  # fmt: skip
RUNS = ("active", "reloading", "activating")
Machine = Annotated[
    bool | None,
    typer.Option("--system/--user", help="The machine's, or your own; left out: root's is the machine's."),
]
Program = Annotated[
    str | None,
    typer.Option("--program", metavar="FILE", help="The `curewatch` to run; left out: this one, or a copy of it."),
]


@service.command(cls=options.Command)
def install(
    ctx: typer.Context,
    system: Machine = None,
    program: Program = None,
    linger: Annotated[bool, typer.Option("--linger", help="Of your own: let it run while you are logged out.")] = False,
    start: Annotated[bool, typer.Option("--start/--no-start", help="Start it, now and with the machine.")] = True,
    as_json: options.AsJson = False,
) -> None:
    """Set it up and start it; after an update, once more. What is there already is backed up first and kept."""
    places, on = _places(system), premises_of(ctx)
    on = _who_asked(ctx, places) or on
    command = None if program is None else Path(program).expanduser().absolute()
    if command is not None and not os.access(command, os.X_OK):
        raise InputError(Field.PROGRAM, program, phrase("a program that can be run"))
    done: list[str] = []
    for sentence in _installed(places, on, command):
        done.append(sentence)
        if not as_json:
            say(sentence)
    if linger and not places.for_machine:
        services.run("loginctl", "enable-linger")
    if start:
        services.begin(places)
    _answer(_standing(places, on), as_json, done=done)


def _who_asked(ctx: typer.Context, places: Places) -> Premises | None:
    """Of the person who typed `sudo`: what they set and logged goes along to a service that is not set up yet, unless
    something else was named. None where nothing of theirs is there."""
    person = os.environ.get("SUDO_USER")
    named = (ctx.obj.config, ctx.obj.store, os.environ.get("CUREWATCH_CONFIG"), os.environ.get("CUREWATCH_STORE"))
    if not places.for_machine or any(named) or not person or places.config.exists() or places.at(SYSTEM_STORE).exists():
        return None
    try:
        config, store = services.settings_and_store_of(person)
    except LookupError:
        return None
    if not config.is_file() and not store.is_file():
        return None
    return find(str(config) if config.is_file() else None, str(store), os.environ)


def _installed(places: Places, on: Premises, command: Path | None) -> Iterator[str]:
    own = file_at(on.location)
    if own is not None and is_held(own) and places.standing("", "").active not in RUNS:
        with hold_file_lock(own):  # says who has it: two that watch would tell everything twice
            pass
    if not places.for_machine:
        yield from services.install_for_person(places, on.config, on.own, command)
        return
    if os.geteuid() != 0:
        allowed = phrase("root (sudo) for a service of the machine, or --user for one of your own")
        raise InputError(Field.SYSTEM, "--system" if places.for_machine else "", allowed)
    yield from _store_kept(places, Path(file_at(on.own) or ""), on)
    yield from services.install_for_machine(places, on.settings, command)


def _store_kept(places: Places, own: Path, on: Premises) -> Iterator[str]:
    """Before another program opens the store, a copy of it; where the service has none, the one worked on so far."""
    there, now = places.at(SYSTEM_STORE), SystemClock().now()
    if there.exists():
        made = back_up(there, now, folder=on.settings.backup.folder)
        yield f"What was logged is backed up in {made.path}."
    elif own.is_file() and own != there:
        make_folder(there.parent)
        made = back_up(own, now, to=there.parent / f".{own.name}.taken")
        bring_back(there, made.path, now)
        made.path.unlink()
        yield f"What was logged in {own} goes on in {there}; the first stays as it is, and is read no more."


@service.command(cls=options.Command)
def status(ctx: typer.Context, system: Machine = None, as_json: options.AsJson = False) -> None:
    """Whether it is set up, runs, and starts by itself. Exit code 1 if not."""
    standing = _standing(_places(system), premises_of(ctx))
    _answer(standing, as_json)
    raise typer.Exit(Exit.DONE if standing.active in RUNS[:2] and standing.enabled else Exit.FAILED)


@service.command(cls=options.Command)
def remove(ctx: typer.Context, system: Machine = None, as_json: options.AsJson = False) -> None:
    """Stop it and take it away. What was logged and set stays."""
    places = _places(system)
    if places.for_machine and os.geteuid() != 0:
        raise InputError(Field.SYSTEM, "--system", phrase("root (sudo) for a service of the machine"))
    done = list(services.remove(places))
    if as_json:
        say_json("service", done=done)
        return
    for sentence in done:
        say(sentence)


def _places(system: bool | None) -> Places:
    if not hasattr(os, "geteuid"):
        raise services.ServiceError("there is no systemd here: only it runs this as a service")
    return Places(os.geteuid() == 0 if system is None else system)


def _standing(places: Places, on: Premises) -> Standing:
    if places.for_machine:
        return places.standing(str(places.config), str(places.at(SYSTEM_STORE)))
    return places.standing(str(on.config_to_be), on.own)


def _answer(standing: Standing, as_json: bool, *, done: list[str] | None = None) -> None:
    if as_json:
        say_json("service", **standing._asdict(), **({} if done is None else {"done": done}))
        return
    whose = phrase("The machine's service") if standing.for_machine else phrase("Your service")
    if not standing.installed:
        command = f"`curewatch service install{'' if standing.for_machine else ' --user'}`"
        say(phrase("{service} is not set up: {command} does.", service=whose, command=command))
        return
    begins = phrase("starts with the machine") if standing.for_machine else phrase("starts when you log in")
    begins = begins if standing.enabled else phrase("does not start by itself")
    state = f"{standing.active} ({standing.says})" if standing.says else standing.active
    say(phrase("{service} is {state} and {begins}.", service=whose, state=state, begins=begins))
    say(phrase("Settings: {file}", file=standing.config))
    say(phrase("Store:    {file}", file=standing.store))
    if standing.lingers is False:
        lets_go_on = "`loginctl enable-linger`"
        ends = phrase(
            "It ends when you log out: {command} lets it go on, and start with the machine.", command=lets_go_on
        )
        say(ends)
