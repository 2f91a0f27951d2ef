"""`curewatch listen`: what comes from the broker, as it comes, and what is or could be read of it."""

from __future__ import annotations

import sys
import threading
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.exits import Exit
from curewatch.cli.output import Page, ended, say, say_json, wrapped
from curewatch.cli.session import premises_of
from curewatch.clock import SystemClock
from curewatch.intake.mqtt.listening import Listener, Message, told
from curewatch.language import phrase
from curewatch.records.errors import InputError
from curewatch.settings import Settings
from curewatch.views.listening import ListeningOut, TopicOut

ANSWERS_WITHIN_S = 8.0
LOOK_EVERY_S = 0.5


def listen(
    ctx: typer.Context,
    seconds: Annotated[
        int | None, typer.Option("--for", metavar="SECONDS", min=1, max=3600, help="How long; else until Ctrl-C.")
    ] = None,
    as_json: options.AsJson = False,
) -> None:
    """Show what comes from the broker, and what is or could be read of it. Nothing is stored, and the daemon misses
    nothing of it. Exit code 1 where nothing can be heard."""
    settings, clock = premises_of(ctx).settings, SystemClock()
    if settings.broker is None:
        raise InputError("broker", None, phrase("a table [broker] in the settings: `curewatch setup` asks for it"))
    listener = Listener(settings.broker, settings.sensors, clock)
    never, ends = threading.Event(), clock.monotonic() + (seconds or (10 if as_json else 10**9))
    listener.start()
    try:
        clock.wait(listener.answered, min(ANSWERS_WITHIN_S, ends - clock.monotonic()))
        shown: dict[str, Message] = {}
        if not as_json and listener.answered.is_set() and listener.trouble is None:
            place = f"{settings.broker.host}:{settings.broker.port}"
            say(phrase("Connected to {place}: what comes is shown as it comes.", place=place))
        while listener.trouble is None and clock.monotonic() < ends:
            clock.wait(never, min(LOOK_EVERY_S, max(0.0, ends - clock.monotonic())))
            if not as_json:
                _show(listener, settings, shown)
    except KeyboardInterrupt:
        pass
    finally:
        listener.stop()
    found = ListeningOut.model_validate(listener.found())
    if as_json:
        say_json("listen", **found.model_dump(mode="json"))
    else:
        for id, why in found.unheard.items():
            say(phrase("Sensor {id}: {why}.", id=id, why=why))
        if found.trouble:
            say(phrase("Nothing can be heard: {why}", why=ended(found.trouble)))
    raise typer.Exit(Exit.FAILED if found.trouble else Exit.DONE)


def _show(listener: Listener, settings: Settings, shown: dict[str, Message]) -> None:
    """Every topic on which something new came."""
    page = Page.of(sys.stdout)
    for message in listener.heard():
        if shown.get(message.topic) == message:
            continue
        shown[message.topic] = message
        one = TopicOut.model_validate(told(message, settings.sensors))
        head = f"{message.at.astimezone(settings.tz):%H:%M:%S} {one.topic}"
        said = [phrase("{topic} (kept by the broker)", topic=head) if one.retained else head, one.payload]
        for n, text in enumerate([*said, one.in_words()]):
            say("\n".join(wrapped(text, page.width, "    " if n else "", "    ")))
