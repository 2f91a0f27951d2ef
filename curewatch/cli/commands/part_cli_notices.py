"""The commands about notices: what became of each, and sending again what was given up."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.output import Page, say, say_json

MOST_NOTICES = 1000


def notices(
    ctx: typer.Context,
    dead: Annotated[bool, typer.Option("--dead", help="Only those that were given up.")] = False,
    limit: Annotated[
        int, typer.Option("--limit", metavar="N", min=1, max=MOST_NOTICES, help="How many, the newest.")
    ] = 20,
    as_json: options.AsJson = False,
) -> None:
    """What people were told, and whether it arrived."""
    from curewatch.cli.session import desk_of
    from curewatch.cli.texts import notices_text
    from curewatch.desk.commands import notice_care

    with desk_of(ctx) as (desk, now):
        found = notice_care.dead(desk)[:limit] if dead else notice_care.newest_notices(desk, limit=limit)
        if as_json:
            say_json("notices", notices=[notices_text.values(desk.settings.tz, one) for one in found])
        else:
            say(notices_text.text(desk.settings.tz, found, now, Page.of(sys.stdout), dead=dead))


def resend(
    ctx: typer.Context,
    key: Annotated[str | None, typer.Argument(metavar="[KEY]", help="The notice's key.")] = None,
    everything: Annotated[bool, typer.Option("--all", help="All that were given up.")] = False,
    as_json: options.AsJson = False,
) -> None:
    """Send a notice again that was given up. The daemon does it, at once if it runs."""
    from curewatch.cli.errors import Missing
    from curewatch.cli.session import desk_of
    from curewatch.desk.commands import notice_care
    from curewatch.intake.typed import BadInput

    if key is None and not everything:
        raise Missing("KEY", "the key of a notice (see `curewatch notices --dead`), or --all")
    if key is not None and everything:
        raise BadInput("--all", "--all", "a key, or --all, not both")
    with desk_of(ctx) as (desk, now):
        again = notice_care.send_again(desk, key, now)
    if as_json:
        say_json("resend", again=[{"key": one.notice.key, "channel": one.channel} for one in again])
        return
    for one in again:
        say(f"Waits again for {one.channel}: {one.notice.title}")
    if not again:
        say("Nothing was given up.")
