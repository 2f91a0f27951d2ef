"""The commands that look back at a piece: its record, what may have gone wrong, and two pieces side by side."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from curewatch.cli import options
from curewatch.cli.commands.facts import Name
from curewatch.cli.output import Page, say, say_json

TROUBLES = ("cracked", "crazed", "cloudy", "tacky", "drifted", "fish-eyes")


def record(ctx: typer.Context, name: Name, as_json: options.AsJson = False) -> None:
    """A piece's cure record, for whoever buys it or learns from it: dates, air, steps, and what is only estimated."""
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.cli.texts import record_text
    from curewatch.desk.reports.part_desk_looking_back import cure_record_of

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        looked = cure_record_of(desk, name, now)
        if as_json:
            say_json("record", **record_text.values(desk.settings.tz, looked))
        else:
            say(record_text.text(desk.settings.tz, looked, Page.of(sys.stdout)))


def why(
    ctx: typer.Context,
    name: Name,
    trouble: Annotated[str, typer.Argument(metavar="TROUBLE", help=f"What is wrong: {', '.join(TROUBLES)}.")],
    as_json: options.AsJson = False,
) -> None:
    """What may have gone wrong: each mechanism against the piece's own record, with its figure."""
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.cli.texts import record_text
    from curewatch.desk.reports import part_desk_looking_back
    from curewatch.intake.typed import BadInput
    from curewatch.studio.diagnosis.mechanisms import Trouble

    word = "-".join(trouble.casefold().split())
    if word not in TROUBLES:
        raise BadInput("TROUBLE", trouble, f"one of {', '.join(TROUBLES)}")
    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        looked = part_desk_looking_back.cure_record_of(desk, name, now)
        found = part_desk_looking_back.why(desk, looked, Trouble(word))
        if as_json:
            say_json("why", name=name, trouble=word, findings=record_text.finding_values(found))
        else:
            say(record_text.findings_text(name, word, found, Page.of(sys.stdout)))


def compare(
    ctx: typer.Context,
    one: Annotated[str, typer.Argument(metavar="NAME", help="A piece.")],
    other: Annotated[str, typer.Argument(metavar="OTHER", help="Another.")],
    as_json: options.AsJson = False,
) -> None:
    """Two pieces' records side by side."""
    from curewatch.cli.session import desk_of, refresh_first
    from curewatch.cli.texts import record_text
    from curewatch.desk.reports.part_desk_looking_back import cure_record_of

    with desk_of(ctx) as (desk, now):
        refresh_first(desk, now)
        pair = [cure_record_of(desk, name, now) for name in (one, other)]
        if as_json:
            say_json("compare", pieces=[record_text.values(desk.settings.tz, looked) for looked in pair])
        else:
            say(record_text.side_by_side(desk.settings.tz, pair[0], pair[1], Page.of(sys.stdout)))
