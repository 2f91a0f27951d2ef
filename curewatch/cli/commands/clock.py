# By itself: it works where every other command is refused.
"""Whether this machine's clock is believed, and a person's word that it is right."""

from __future__ import annotations

from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import say, say_json
from curewatch.cli.session import premises_of
from curewatch.clock import SystemClock, WatchedClock, plausible
from curewatch.desk.commands.clock_care import confirm, leapt, take_up
from curewatch.language import joined, phrase
from curewatch.records.errors import Field, InputError
from curewatch.store import Store


def clock(
    ctx: typer.Context,
    right: Annotated[bool, typer.Option("--right", help="What it shows now is right.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Say whether this machine's clock is believed; with --right, have it believed after a leap."""
    on, watched = premises_of(ctx), WatchedClock(SystemClock())
    shown = f"{watched.now():%Y-%m-%d %H:%M} UTC"
    if not plausible(watched.now()):
        raise InputError(Field.CLOCK, shown, phrase("a clock that shows a time that can be: set it first"))
    with Store.open(on.location, migrate=False, backups=on.backups) as store:
        take_up(store, watched)
        if right and watched.held():
            confirm(store, watched)
        leap = watched.held()
    if as_json:
        held = None if leap is None else {"shown": leap.shown.isoformat(), "carried": leap.carried.isoformat()}
        say_json("clock", believed=leap is None, held=held)
        return
    if leap is None:
        say(phrase("It shows {time}, and is believed.", time=shown))
    else:
        say(joined(leapt(leap), phrase("If it is right: {command}", command="curewatch clock --right")))
